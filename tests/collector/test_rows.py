"""Which probe records can be used at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stamped import EPOCH_NS, SECOND_NS, Clock, stamped

from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.rows import ROUNDING_NS, choose, of_current_epochs, usable


def one_record(t1: int, t2: int, t3: int, t4: int, *, to: int = 1) -> ProbeColumns:
    zero = np.zeros(1, np.int64)
    times = (np.array([EPOCH_NS + t]) for t in (t1, t2, t3, t4))
    return ProbeColumns(
        ("a", "b"), zero.astype(np.int32), np.array([to], np.int32), *times, zero.astype(np.uint16), zero, zero
    )


@pytest.mark.parametrize(
    ("times", "good", "negative"),
    [
        ((0, 50, 60, 100), True, False),
        ((0, 50, 60, -1), False, False),
        ((0, 60, 50, 100), False, False),
        ((0, 50, 150, 100 - ROUNDING_NS), True, False),
        ((0, 50, 150, 99 - ROUNDING_NS), False, True),
        # A turnaround of a second, told 0.1 % too long by a clock at the limit of its rate.
        ((0, 50, SECOND_NS, SECOND_NS - 500_000), True, False),
        ((0, 50, SECOND_NS, SECOND_NS - 1_100_000), False, True),
        ((0, -3_600 * SECOND_NS, -3_600 * SECOND_NS + 10, 20), True, False),
    ],
)
def test_records_that_no_honest_clocks_can_make_are_left_out(
    times: tuple[int, int, int, int], good: bool, negative: bool
) -> None:
    found = usable(one_record(*times), np.ones(2, np.int64))
    assert (bool(found.rows[0]), bool(found.negative[0])) == (good, negative)


def test_coarse_ticks_excuse_a_round_trip_below_nothing() -> None:
    probe = one_record(0, 0, 1_000_000, 400_000)
    assert not usable(probe, np.ones(2, np.int64)).rows[0]
    assert usable(probe, np.array([1, 1_000_000])).rows[0]


def test_host_with_itself_is_no_path() -> None:
    found = usable(one_record(0, 1, 2, 3, to=0), np.ones(2, np.int64))
    assert not found.rows[0]
    assert not found.negative[0]


@given(st.integers(-(10**18), 10**18), st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**9))
def test_any_two_steady_clocks_and_delays_give_a_usable_record(
    offset: int, there: int, turnaround: int, back: int
) -> None:
    probe = one_record(0, there + offset, there + turnaround + offset, there + turnaround + back)
    assert usable(probe, np.ones(2, np.int64)).rows[0]


def test_records_of_an_earlier_clock_epoch_are_never_mixed_with_the_present_one() -> None:
    probes = stamped([Clock(), Clock(), Clock()], [(0, 1), (2, 1)], exchanges=4)
    order = np.arange(8)
    # Host 1 starts epoch 7 with the sixth record; host 0 never tells one; host 2 tells 3 throughout.
    of_one = np.where(order < 5, 6, 7)
    told = replace(
        probes,
        source_epoch=np.where(probes.source == 2, 3, 0),
        destination_epoch=of_one.astype(np.int64),
    )
    assert of_current_epochs(told).tolist() == (of_one == 7).tolist()


def test_epoch_told_by_a_host_itself_goes_before_what_peers_saw_last() -> None:
    # A peer's record of the old epoch arrives after the host's own word of the new one.
    probes = stamped([Clock(), Clock()], [(1, 0), (0, 1)], exchanges=2)
    asker_is_one = probes.source == 1
    told = replace(
        probes,
        source_epoch=np.where(asker_is_one, 9, 0).astype(np.int64),
        destination_epoch=np.where(asker_is_one, 0, 8).astype(np.int64),
    )
    assert of_current_epochs(told).tolist() == asker_is_one.tolist()


def test_choosing_all_rows_copies_nothing() -> None:
    probes = stamped([Clock(), Clock()], [(0, 1)], exchanges=5)
    assert choose(probes, np.ones(5, bool)) is probes
    some = choose(probes, np.array([True, False, True, False, False]))
    assert len(some) == 2
    assert (some.t3_ns == probes.t3_ns[[0, 2]]).all()
    assert some.hosts is probes.hosts
