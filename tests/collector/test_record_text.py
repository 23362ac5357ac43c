"""Byte strings where they lie: whatever is done to their views is what would be done to the strings."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.record_text import RecordTexts, as_bytes, interleaved

TEXTS = st.lists(st.binary(max_size=30), min_size=1, max_size=12)


def of(texts: list[bytes]) -> RecordTexts:
    return RecordTexts.of_block(b"".join(texts), np.cumsum([len(text) for text in texts]))


def strings(texts: RecordTexts) -> list[bytes]:
    return texts.array().to_pylist()


@given(st.lists(TEXTS, min_size=1, max_size=4), st.data())
def test_joined_and_chosen_byte_strings_are_those_of_the_blocks(blocks: list[list[bytes]], data: st.DataObject) -> None:
    joined, expected = RecordTexts.joined([of(block) for block in blocks]), [text for block in blocks for text in block]
    assert strings(joined) == expected
    assert joined.lengths().tolist() == [len(text) for text in expected]
    order = data.draw(st.permutations(range(len(expected))))
    assert strings(joined.rows(np.array(order))) == [expected[row] for row in order]
    begin = data.draw(st.integers(0, len(expected)))
    assert strings(joined.rows(slice(begin, None)).rows(slice(0, 3))) == expected[begin:][:3]
    twice = RecordTexts.joined([joined.rows(np.array(order)), joined])
    assert bytes(as_bytes(twice.array())) == b"".join([*(expected[row] for row in order), *expected])


@given(st.lists(st.tuples(st.binary(max_size=20), st.binary(max_size=20), st.booleans()), min_size=1, max_size=12))
def test_columns_in_turn_and_exchanged_rows(rows: list[tuple[bytes, bytes, bool]]) -> None:
    first, second = [row[0] for row in rows], [row[1] for row in rows]
    flags = np.array([row[2] for row in rows])
    assert strings(interleaved([of(first), of(second)])) == [text for row in rows for text in row[:2]]
    assert strings(of(first).where(flags, b"null")) == [b"null" if flag else text for text, _, flag in rows]
    chosen = np.flatnonzero(flags)
    replaced = of(first).replaced(chosen, [second[row] for row in chosen]) if len(chosen) else of(first)
    assert strings(replaced) == [other if flag else text for text, other, flag in rows]


@given(st.lists(st.binary(min_size=1, max_size=30), min_size=1, max_size=12))
def test_one_byte_less(texts: list[bytes]) -> None:
    assert strings(of(texts).without_last_byte()) == [text[:-1] for text in texts]


def test_rows_choices_and_arrays() -> None:
    rows = np.array([b"quay-gate-2 opened", b"holm-db-1 answered"], "S18")
    assert strings(RecordTexts.of_rows(rows)) == rows.tolist()
    assert strings(RecordTexts.of_rows(rows, np.array([5, 15]))) == [b"gate-2 opened", b"red"]
    assert strings(RecordTexts.of_rows(rows, None, np.array([18, 4]))) == [rows[0], b"holm"]
    assert strings(RecordTexts.of_choices([b"no", b"a longer answer"], np.array([1, 0, 1]))) == [
        b"a longer answer", b"no", b"a longer answer"]  # fmt: skip
    assert strings(RecordTexts.same(b"", 2)) == [b"", b""]
    sliced = pa.array([b"left out", b"kept", b"kept as well, and long"], pa.binary()).slice(1)
    assert strings(RecordTexts.of_array(sliced)) == sliced.to_pylist()
    with pytest.raises(ValueError, match="concatenate"):
        RecordTexts.joined([])
