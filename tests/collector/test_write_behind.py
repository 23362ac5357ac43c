"""Pieces written by a thread of their own: in order, wherever they are made, and no trouble lost."""

from __future__ import annotations

import io
import threading

import pytest

from noonmark.collector.write_behind import Piece, write_behind


def test_pieces_are_written_in_order_whether_bytes_or_what_gives_them() -> None:
    makers: list[int] = []

    def made(text: bytes) -> Piece:
        def give() -> bytes:
            makers.append(threading.get_ident())
            return text

        return give

    pieces = [made(b"%d " % number) if number % 3 else memoryview(b"%d " % number) for number in range(50)]
    out = io.BytesIO()
    write_behind(pieces, out)

    assert out.getvalue() == b"".join(b"%d " % number for number in range(50))
    assert len(set(makers)) == 1
    assert makers[0] != threading.get_ident()


def test_what_a_piece_raises_when_it_is_called_is_raised_and_ends_the_writing() -> None:
    def broken() -> bytes:
        raise MemoryError("no room")

    out = io.BytesIO()
    with pytest.raises(MemoryError, match="no room"):
        write_behind([b"before", broken, *[b"after"] * 100], out)

    assert out.getvalue() == b"before"
