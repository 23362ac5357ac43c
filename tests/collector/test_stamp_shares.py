"""Of hosts stamped alike only what differs counts, and the round trips bound that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from other_fleets import Fleet, Net, fleet

from noonmark.collector.estimate import Float64, Reference
from noonmark.collector.pairs import compare
from noonmark.collector.pipeline import step
from noonmark.collector.stampquality import STAMP_UNCERTAINTY_NS, stamp_shares, stamp_spread
from noonmark.proto.records import StampSource, pack_flags

KNOWN_NS = 4_000.0


def paths(hosts: int, degree: int, random: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    first = np.repeat(np.arange(hosts), degree // 2)
    return first, (first + random.integers(1, hosts, len(first))) % hosts


def spread(late: Float64, early: Float64, roads_ns: float, seed: int, group: int = -1) -> float:
    """Learned from round trips of hosts whose receipts are so late and whose sendings are so early."""
    random = np.random.default_rng(seed)
    hosts = len(late)
    first, second = paths(hosts, 8, random)
    own = late + early
    trips = 50_000.0 + own[first] + own[second] + random.normal(0.0, roads_ns, len(first))
    return stamp_spread(KNOWN_NS, first, second, trips, np.full(len(first), group), hosts)


@pytest.mark.parametrize("group", [-1, 0])
def test_spread_of_what_makes_a_host_seem_ahead_is_found_in_the_round_trips(group: int) -> None:
    found, true = [], []
    for seed in range(20):
        random = np.random.default_rng([seed, 1])
        late, early = random.exponential(3_000.0, 40), random.exponential(1_000.0, 40)
        found.append(spread(late, early, 1_000.0, seed, group))
        true.append(((late - early) / 2).std())
    assert np.mean(found) == pytest.approx(np.mean(true), rel=0.1)


def test_paths_of_unlike_lengths_are_not_taken_for_hosts_that_differ() -> None:
    found = [spread(np.full(40, 8_000.0), np.full(40, 2_000.0), 6_000.0, seed) for seed in range(20)]
    # The mean of a host's eight paths strays by 6 us / sqrt(8), half of which is 1.06 us: that is not all taken for c.
    assert 200.0 < np.mean(found) < 900.0


def test_few_hosts_and_lone_paths_leave_what_is_known() -> None:
    star = np.zeros(5, np.int64), np.arange(1, 6)
    trips = np.full(5, 30_000.0)
    assert stamp_spread(KNOWN_NS, *star, trips, np.full(5, -1), 6) == KNOWN_NS
    assert stamp_spread(KNOWN_NS, np.array([0]), np.array([1]), trips[:1], np.array([-1]), 2) == KNOWN_NS


def test_hosts_stamped_alike_share_what_is_known_of_a_difference_and_others_keep_it() -> None:
    star = np.zeros(3, np.int64), np.arange(1, 4), np.full(3, 30_000.0), np.full(3, -1)
    exact = np.array([True, False, False, False])
    own, against = stamp_shares(np.full(4, 50.0), exact, True, *star)
    assert np.hypot(own[1], own[2]) == pytest.approx(50.0)
    assert np.hypot(own[0], own[2]) == pytest.approx(50.0)
    assert against == pytest.approx([0.0, 50.0, 50.0, 50.0])
    mixed = np.array([50.0, 10.0, 50.0, 4_000.0])
    for told in stamp_shares(mixed, exact, True, *star):
        assert told.tolist() == [0.0, 10.0, 50.0, 4_000.0]
    nobody = np.zeros(4, np.bool_)
    own, against = stamp_shares(np.full(4, 50.0), nobody, False, *star)
    assert (own == against).all()
    # Several references are seen through stamps themselves.
    assert stamp_shares(np.full(4, 50.0), nobody, True, *star)[1] == pytest.approx(50.0)


def by_programs(one: Fleet, seed: int, late_ns: float, early_ns: float) -> Fleet:
    """The same probes, stamped by programs that are each late and early in their own way."""
    random = np.random.default_rng([seed, 5])
    columns = one.columns
    hosts, count = len(columns.hosts), len(columns.source)
    late, early = random.exponential(late_ns, hosts), random.exponential(early_ns, hosts)

    def waits(own: Float64, host: np.ndarray) -> np.ndarray:
        return (own[host] + random.exponential(3_000.0, count)).astype(np.int64)

    stamped = replace(
        columns,
        t1_ns=columns.t1_ns - waits(early, columns.source),
        t2_ns=columns.t2_ns + waits(late, columns.destination),
        t3_ns=columns.t3_ns - waits(early, columns.destination),
        t4_ns=columns.t4_ns + waits(late, columns.source),
        flags=np.full(count, pack_flags((StampSource.USER,) * 4, False), np.uint16),
    )
    return replace(one, columns=stamped)


def test_a_fleet_of_like_programs_is_surer_than_what_is_known_of_such_stamps_and_right() -> None:
    within, sure = [], []
    for seed in range(4):
        one = by_programs(fleet(seed, net=Net(degree=6, least_ns=(2e4, 3e4), wait_ns=5e3)), seed, 1_500.0, 500.0)
        estimate = step(one.columns, references=[Reference(one.columns.hosts[0])])
        true = one.true_ns(estimate.at_ns)
        for a, b in [(1, 2), (3, 9), (5, 12), (0, 7), (4, 8), (10, 11)]:
            pair = compare(estimate, estimate.hosts[a], estimate.hosts[b])
            within.append(abs(pair.offset_ns - (true[a] - true[b])) <= 2 * pair.uncertainty_ns)
            sure.append(pair.uncertainty_ns)
    assert np.mean(within) >= 0.85
    assert np.median(sure) < 0.8 * STAMP_UNCERTAINTY_NS[StampSource.USER]


@pytest.mark.parametrize("late_ns", [8_000.0, 16_000.0])
def test_programs_that_are_less_alike_than_is_known_make_a_fleet_less_sure(late_ns: float) -> None:
    hosts, pairs = [], []
    for seed in range(6):
        one = by_programs(fleet(seed, net=Net(degree=6, least_ns=(2e4, 3e4), wait_ns=5e3)), seed, late_ns, 3_000.0)
        estimate = step(one.columns, references=[Reference(one.columns.hosts[0])])
        true = one.true_ns(estimate.at_ns)
        inside = np.abs(estimate.offset_ns - true) <= 2 * estimate.uncertainty_ns
        hosts += inside[1:].tolist()
        for a, b in [(1, 2), (3, 9), (5, 12), (4, 8), (10, 11)]:
            pair = compare(estimate, estimate.hosts[a], estimate.hosts[b])
            pairs.append(abs(pair.offset_ns - (true[a] - true[b])) <= 2 * pair.uncertainty_ns)
    assert np.mean(hosts) >= 0.85
    assert np.mean(pairs) >= 0.85
