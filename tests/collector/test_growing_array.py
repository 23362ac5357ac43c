"""The growing array holds what was appended, whatever the pieces."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.growing_array import FIRST_ROOM, GrowingArray


@given(st.lists(st.sampled_from([0, 1, 7, FIRST_ROOM - 1, FIRST_ROOM, 3 * FIRST_ROOM]), max_size=6))
def test_pieces_come_out_in_order(lengths: list[int]) -> None:
    array, begin, pieces = GrowingArray(np.int64), 0, []
    for length in lengths:
        pieces.append(np.arange(begin, begin + length))
        array.append(pieces[-1])
        begin += length
    assert len(array) == begin
    whole = array.take()
    assert whole.dtype == np.int64
    assert np.array_equal(whole, np.arange(begin))
    assert len(array) == 0


def test_taken_array_is_exactly_long_enough() -> None:
    array = GrowingArray(np.uint16)
    array.append(np.ones(FIRST_ROOM + 1, np.uint16))
    taken = array.take()
    assert taken.base is None
    assert taken.nbytes == 2 * (FIRST_ROOM + 1)
