from __future__ import annotations

import itertools
import random

import pytest

from noonmark.agent.schedule import JITTER, PeerTarget, Schedule

SECOND = 1_000_000_000


def peer(name: str, interval_ns: int = SECOND) -> PeerTarget:
    return PeerTarget(name, "127.0.0.1", 8620, interval_ns)


def moments(schedule: Schedule, until: int) -> list[tuple[int, str]]:
    seen = []
    while (moment := schedule.next_ns()) is not None and moment < until:
        seen += [(moment, each.host) for each in schedule.take_due(now=moment)]
    return seen


def test_spacing_keeps_its_mean_and_its_bounds() -> None:
    schedule = Schedule(random.Random(3))
    schedule.replace([peer("quay")], now=0)
    times = [moment for moment, _ in moments(schedule, 2000 * SECOND)]
    gaps = [after - before for before, after in itertools.pairwise(times)]
    assert min(gaps) >= (1 - JITTER) * SECOND - 1
    assert max(gaps) <= (1 + JITTER) * SECOND + 1
    assert sum(gaps) / len(gaps) == pytest.approx(SECOND, rel=0.02)


def test_first_moments_are_spread_over_the_interval() -> None:
    schedule = Schedule(random.Random(4))
    schedule.replace([peer(f"gate-{n}") for n in range(200)], now=5 * SECOND)
    first = sorted(moment - 5 * SECOND for moment, _ in moments(schedule, 6 * SECOND))[:200]
    for quarter in range(4):
        assert 25 < sum(quarter * SECOND / 4 <= moment < (quarter + 1) * SECOND / 4 for moment in first) < 80


def test_peer_that_stays_keeps_its_moment() -> None:
    schedule = Schedule(random.Random(5))
    schedule.replace([peer("quay"), peer("holm")], now=0)
    schedule.replace([peer("quay")], now=0)
    moment = schedule.next_ns()
    schedule.replace([peer("skerry", 10**15), peer("quay")], now=0)
    assert schedule.next_ns() == moment


def test_what_was_missed_is_not_made_up_for() -> None:
    schedule = Schedule(random.Random(6))
    schedule.replace([peer("quay")], now=0)
    assert len(schedule.take_due(now=3600 * SECOND)) == 1
    moment = schedule.next_ns()
    assert moment is not None
    assert moment >= 3600 * SECOND + SECOND // 2


def test_nobody_to_probe() -> None:
    schedule = Schedule(random.Random(7))
    assert schedule.next_ns() is None
    assert schedule.take_due(now=10**18) == []


@pytest.mark.parametrize(("port", "interval_ns", "text"), [(0, 1, "port"), (65536, 1, "port"), (1, 0, "interval")])
def test_impossible_peer_is_refused(port: int, interval_ns: int, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        PeerTarget("quay", "127.0.0.1", port, interval_ns)
