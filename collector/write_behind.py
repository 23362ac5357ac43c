"""Write pieces of bytes while the next are made: one thread more, few pieces between. The rim of long outputs.

Writing to a file is mostly the kernel copying bytes, and needs no interpreter; so it costs no time of its own, and so
it is with Arrow's putting lines together. More is not left to other threads: with two that reckon, each waits for the
interpreter more than it gains.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from typing import BinaryIO, TypeAlias

PIECES_BETWEEN = 4
Bytes: TypeAlias = bytes | memoryview
Piece: TypeAlias = Bytes | Callable[[], Bytes]
"""Bytes, or what gives them when it is called: in the writer's thread, and so mostly without the interpreter."""


def write_behind(pieces: Iterable[Piece], out: BinaryIO) -> None:
    """Write all pieces in order, and flush. What any of it raises is raised here."""
    waiting: queue.Queue[Piece | None] = queue.Queue(PIECES_BETWEEN)
    trouble: list[BaseException] = []

    def write() -> None:
        while (piece := waiting.get()) is not None:
            if not trouble:
                try:
                    write_whole(out, piece() if callable(piece) else piece)
                except BaseException as error:
                    trouble.append(error)

    writer = threading.Thread(target=write, name="writer")
    writer.start()
    try:
        for piece in pieces:
            waiting.put(piece)
            if trouble:
                break
    finally:
        waiting.put(None)
        writer.join()
    if trouble:
        raise trouble[0]
    out.flush()


def write_whole(out: BinaryIO, data: Bytes) -> None:
    """Write all of it: standard output without a buffer (PYTHONUNBUFFERED) may take less than it is given."""
    rest = memoryview(data)
    while len(rest):
        rest = rest[out.write(rest) or 0 :]
