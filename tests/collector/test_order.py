"""Ordering: against a slow twin, and against the truth of made-up fleets."""

from __future__ import annotations

import doctest

import numpy as np
import pytest
from clock_tables import table
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import order as order_module
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import UNBOUNDED_NS
from noonmark.collector.order import Events, compare, order, wait_ns
from noonmark.collector.order_groups import number_groups, uncut
from noonmark.collector.verdicts import Certainty

T0 = 10**18
OFFSETS, HALF = [1000, -500, 0], [300, 20, 5]
CLOCKS = table([1000, -500, 0], [(1000 - HALF[0], 1000 + HALF[0]), (-520, -480), (-5, 5)], [100.0, 8.0, 1.0])
EVENTS = st.lists(st.tuples(st.integers(-1, 2), st.integers(0, 4000), st.sampled_from([1, 10, 500])), max_size=40)


def slow_order(rows: list[tuple[int, int, int]]) -> list[int]:
    """Repeatedly take the head with the least place of all hosts' queues; places never fall within a host."""
    offset = {-1: 0, 0: 1000, 1: -500, 2: 0}
    highest: dict[int, int] = {}
    placed = []
    for row, (host, stamp, resolution) in enumerate(rows):
        highest[host] = max(highest.get(host, -(10**30)), stamp - offset[host] + resolution // 2)
        placed.append((highest[host], row))
    return [row for _, row in sorted(placed)]


def events_of(rows: list[tuple[int, int, int]]) -> Events:
    columns = np.array(rows, np.int64).reshape(-1, 3)
    return Events(columns[:, 0].astype(np.int32), T0 + columns[:, 1], columns[:, 2])


@given(EVENTS)
def test_order_agrees_with_the_slow_twin(rows: list[tuple[int, int, int]]) -> None:
    found = order(events_of(rows), CLOCKS)
    assert found.permutation.tolist() == slow_order(rows)
    upper = {(a, b): OFFSETS[a] - OFFSETS[b] + HALF[a] + HALF[b] for a in range(3) for b in range(3)}
    for place in range(1, len(rows)):
        i, j = found.permutation[place - 1 : place + 1].tolist()
        (a, s, r), (b, t, _) = rows[i], rows[j]
        if a == b >= 0:
            assert found.certainty[place] == Certainty.CERTAIN
        elif a < 0 or b < 0:
            assert found.certainty[place] == Certainty.OPEN
        else:
            assert (found.certainty[place] == Certainty.CERTAIN) == (t - s - r >= upper[b, a])
            assert (found.certainty[place] == Certainty.LIKELY) <= (found.probability[place] >= 0.95)
    for host in range(-1, 3):
        own = [row for row in found.permutation.tolist() if rows[row][0] == host]
        assert own == sorted(own)


@given(EVENTS)
def test_neighbours_in_open_order_share_a_group(rows: list[tuple[int, int, int]]) -> None:
    found = order(events_of(rows), CLOCKS)
    hosts = [rows[row][0] for row in found.permutation.tolist()]
    for place in range(1, len(rows)):
        if found.certainty[place] == Certainty.OPEN and min(hosts[place - 1 : place + 1]) >= 0:
            assert found.group[place] == found.group[place - 1] >= 0
    for number in set(found.group.tolist()) - {-1}:
        members = [host for host, group in zip(hosts, found.group.tolist(), strict=True) if group == number]
        assert len(set(members)) > 1, "events of one host alone are no group"


def slow_uncut(lower: list[int], upper: list[int], host: list[int]) -> list[bool]:
    count = len(host)
    return [
        any(upper[i] > lower[j] and host[i] != host[j] for i in range(k) for j in range(k, count)) for k in range(count)
    ]


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(-20, 20), st.integers(0, 15)), max_size=25))
def test_boundaries_agree_with_all_pairs(rows: list[tuple[int, int, int]]) -> None:
    host = [row[0] for row in rows]
    lower, upper = [row[1] for row in rows], [row[1] + row[2] for row in rows]
    found = uncut(np.array(lower, np.int64), np.array(upper, np.int64), np.array(host, np.int32))
    assert found.tolist() == slow_uncut(lower, upper, host)


def test_long_orders_are_grouped_as_short_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(3)
    stamps = np.sort(random.integers(0, 90_000, 600)).tolist()
    rows = list(zip(random.integers(0, 3, 600).tolist(), stamps, [1] * 600, strict=True))
    whole = order(events_of(rows), CLOCKS)
    monkeypatch.setattr("noonmark.collector.order_groups.CHUNK", 8)
    monkeypatch.setattr("noonmark.collector.order.CHUNK", 7)
    pieces = order(events_of(rows), CLOCKS)
    for name in ("permutation", "group", "certainty", "corrected_ns", "earliest_ns"):
        assert np.array_equal(getattr(whole, name), getattr(pieces, name)), name
    assert whole.group.max() > 3


def test_groups_are_numbered_from_zero_without_holes() -> None:
    held = np.array([False, True, False, False, True, True, False])
    assert number_groups(held).tolist() == [0, 0, -1, 1, 1, 1, -1]


def made_up_fleet(random: np.random.Generator, hosts: int, events: int) -> tuple[ClockTable, Events, np.ndarray]:
    """Clocks known to within a normal error of the stated uncertainty and limits that hold; and events with truth."""
    sigma = random.uniform(50_000, 200_000, hosts)
    truth_offset = random.normal(0, 5_000_000, hosts)
    error = random.normal(0, sigma)
    half = np.maximum(5 * sigma, np.abs(error) + 1000)
    offsets = np.rint(truth_offset + error).astype(np.int64)
    limits = [(int(offset - h), int(offset + h)) for offset, h in zip(offsets, half, strict=True)]
    clocks = table(offsets.tolist(), limits, sigma.tolist())
    when = T0 + np.cumsum(np.rint(random.exponential(300_000, events)).astype(np.int64))
    host = random.integers(0, hosts, events).astype(np.int32)
    resolution = np.array([1, 1000, 100_000])[host % 3]
    stamp = when + np.rint(truth_offset[host]).astype(np.int64)
    return clocks, Events(host, stamp - stamp % resolution, resolution), when


def test_certain_is_never_wrong_and_likely_keeps_its_promise() -> None:
    random = np.random.default_rng(7)
    promised = right = wrong_raw = wrong_corrected = certain = 0
    for _ in range(60):
        clocks, events, when = made_up_fleet(random, 12, 5000)
        found = order(events, clocks)
        first, second = found.permutation[:-1], found.permutation[1:]
        across = events.host[first] != events.host[second]
        true_order = when[second] >= when[first]
        sure = across & (found.certainty[1:] == Certainty.CERTAIN)
        certain += int(sure.sum())
        assert true_order[sure].all()
        near = across & (np.abs(found.probability[1:] - 0.95) < 0.02)
        promised += int(near.sum())
        right += int(true_order[near].sum())
        raw = np.argsort(events.stamp_ns, kind="stable")
        raw_across = events.host[raw[1:]] != events.host[raw[:-1]]
        wrong_raw += int((raw_across & (when[raw[1:]] < when[raw[:-1]])).sum())
        wrong_corrected += int((across & ~true_order).sum())
    assert certain > 1000
    assert promised > 2000
    assert right / promised == pytest.approx(0.95, abs=0.02)
    assert wrong_corrected < wrong_raw


def test_compare_says_who_was_first_and_what_would_be_certain() -> None:
    found = compare(0, T0 + 1000, 1, T0, CLOCKS)  # both at T0 + 0 and T0 + 500 of reference time
    assert (found.certainty, found.first, found.gap_ns) == (Certainty.CERTAIN, 0, 500)
    assert (found.lower_ns, found.upper_ns) == (500 - 1 - 320, 500 + 1 + 320)
    swapped = compare(1, T0, 0, T0 + 1000, CLOCKS)
    assert (swapped.first, swapped.gap_ns, swapped.probability) == (1, -500, found.probability)
    close = compare(0, T0 + 1000, 1, T0 - 490, CLOCKS)
    assert close.certainty == Certainty.OPEN
    assert compare(0, T0, -1, T0, CLOCKS).resolvable_ns == UNBOUNDED_NS


def test_wait_until_now_is_certainly_later() -> None:
    now = T0
    wait = wait_ns(0, now, CLOCKS)
    assert wait is not None
    # Host 0 is ahead of host 1 by at most 1820 ns: after the wait its clock shows what covers host 1's present.
    assert wait == pytest.approx(1821, abs=1)
    assert wait_ns(1, now, CLOCKS) == pytest.approx(1, abs=1)  # behind all others, but for its own stamp's nanosecond
    assert wait_ns(0, now, CLOCKS, stamp_ns=now - 10**6) == 0
    assert wait_ns(0, now, CLOCKS, among=[-1]) is None
    assert wait_ns(0, now, CLOCKS, among=[]) == 0


def test_waiting_is_long_enough_and_no_longer() -> None:
    # Events of host 1 stamped up to `now`, against stamps host 0 takes after the wait: certain, and not one earlier.
    wait = wait_ns(0, T0, CLOCKS, among=[1])
    assert wait is not None
    assert compare(1, T0, 0, T0 + wait, CLOCKS).certainty == Certainty.CERTAIN
    assert compare(1, T0, 0, T0 + wait - 3, CLOCKS).certainty != Certainty.CERTAIN


def test_without_knowledge_raw_stamps_are_sorted_and_all_is_open() -> None:
    found = order(Events(np.array([-1, -1], np.int32), np.array([T0 + 5, T0])), NoKnowledge())
    assert found.permutation.tolist() == [0, 1], "events of hosts unknown count as one host's and keep their order"
    assert not found.known.any()
    assert found.certainty[1] == Certainty.OPEN


@pytest.mark.parametrize(
    ("host", "stamp", "resolution", "message"),
    [
        ([0, 1], [1], 1, "equal length"),
        ([0], [1], 0, "at least one nanosecond"),
        ([0], [1 << 62], 1, "1823 to 2116"),
    ],
)
def test_events_are_checked(host: list[int], stamp: list[int], resolution: int, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Events(np.array(host, np.int32), np.array(stamp), resolution)


def test_examples_run() -> None:
    outcome = doctest.testmod(order_module)
    assert outcome.attempted > 3
    assert outcome.failed == 0


def test_no_events_are_an_order() -> None:
    found = order(Events(np.zeros(0, np.int32), np.zeros(0, np.int64)), CLOCKS)
    assert len(found.permutation) == len(found.certainty) == 0
