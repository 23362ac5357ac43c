"""Rows shared out over threads: whole, in order, and as they lay."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.ordering import counted_order
from noonmark.collector.rowwise import blocks, both, by_rows, each, later


@pytest.mark.parametrize("size", [2, 7, 100, 1_000])
def test_result_does_not_depend_on_the_cut(size: int) -> None:
    table = np.asfortranarray(np.arange(300.0).reshape(100, 3))
    doubled, sums = by_rows(lambda rows: (2 * table[rows], table[rows].sum(axis=1)), 100, blocks(100, size))
    assert (doubled == 2 * table).all()
    assert (sums == table.sum(axis=1)).all()
    # What lies column by column stays so.
    assert doubled.flags.f_contiguous


def test_no_rows_at_all_are_a_block_too() -> None:
    (found,) = by_rows(lambda rows: (np.ones(rows.stop - rows.start),), 0)
    assert len(found) == 0


def test_what_goes_wrong_in_a_block_is_raised() -> None:
    def work(rows: slice) -> None:
        if rows.start == 40:
            raise ValueError("block of row 40")

    with pytest.raises(ValueError, match="row 40"):
        each(work, blocks(100, 10))


def test_errands_may_share_out_rows_themselves() -> None:
    def total() -> float:
        return float(by_rows(lambda rows: (np.arange(rows.start, rows.stop),), 50, blocks(50, 5))[0].sum())

    waiting = [later(total) for _ in range(20)]
    assert both(total, total) == (1_225.0, 1_225.0)
    assert [one() for one in waiting] == [1_225.0] * 20


def test_counting_sorts_as_a_stable_sort_does() -> None:
    keys = np.random.default_rng(3).integers(0, 9, 200)
    keys[keys == 4] = 5
    order, begins = counted_order(keys, 10)
    assert (order == np.argsort(keys, kind="stable")).all()
    assert (begins == np.searchsorted(keys[order], np.arange(11))).all()
    assert counted_order(keys[:0], 3)[1].tolist() == [0, 0, 0, 0]
