from __future__ import annotations

import itertools
import random

import pytest

from noonmark.agent.schedule import EARLY, FIRST, JITTER, LONGEST_SPACING, PeerTarget, Schedule

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


def test_first_moments_come_soon_and_are_spread() -> None:
    schedule = Schedule(random.Random(4))
    first = []
    for n in range(200):
        schedule.replace([peer(f"gate-{n}")], now=5 * SECOND)
        moment = schedule.next_ns()
        assert moment is not None
        first.append(moment - 5 * SECOND)
    first.sort()
    early = FIRST * SECOND
    assert first[-1] <= early
    for quarter in range(4):
        assert 25 < sum(quarter * early / 4 <= moment < (quarter + 1) * early / 4 for moment in first) < 80


def test_peers_due_soon_share_a_wake_and_keep_their_mean() -> None:
    schedule = Schedule(random.Random(8))
    schedule.replace([peer(f"gate-{n}") for n in range(8)], now=0)
    seen = moments(schedule, 1000 * SECOND)
    wakes = len({moment for moment, _ in seen})
    assert wakes < len(seen) / 2
    for n in range(8):
        times = [moment for moment, host in seen if host == f"gate-{n}"]
        gaps = [after - before for before, after in itertools.pairwise(times)]
        assert min(gaps) >= (1 - JITTER - EARLY) * SECOND - 1
        assert max(gaps) <= LONGEST_SPACING * SECOND + 1
        assert sum(gaps) / len(gaps) == pytest.approx(SECOND, rel=0.02)


def test_peers_of_very_different_intervals_do_not_hasten_each_other() -> None:
    schedule = Schedule(random.Random(9))
    schedule.replace([peer("quay", SECOND // 100), peer("holm", 10 * SECOND)], now=0)
    seen = moments(schedule, 1000 * SECOND)
    assert sum(host == "holm" for _, host in seen) == pytest.approx(100, abs=5)
    assert sum(host == "quay" for _, host in seen) == pytest.approx(100_000, rel=0.02)


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
    assert schedule.skipped == pytest.approx(3600, abs=1)


def test_loop_that_comes_late_sheds_exchanges_and_counts_them() -> None:
    schedule = Schedule(random.Random(10))
    schedule.replace([peer(f"gate-{n}") for n in range(5)], now=0)
    served, now = 0, 0
    for pause in (SECOND // 4, 3 * SECOND) * 200:
        now += pause
        served += len(schedule.take_due(now=now))
    due = 5 * now // SECOND
    assert served <= 5 * 400
    assert served + schedule.skipped == pytest.approx(due, rel=0.05)


def test_loop_that_keeps_up_skips_nothing() -> None:
    schedule = Schedule(random.Random(11))
    schedule.replace([peer(f"gate-{n}") for n in range(5)], now=0)
    for now in range(0, 1000 * SECOND, SECOND // 4):
        schedule.take_due(now=now)
    assert schedule.skipped == 0


def test_nobody_to_probe() -> None:
    schedule = Schedule(random.Random(7))
    assert schedule.next_ns() is None
    assert schedule.take_due(now=10**18) == []


@pytest.mark.parametrize(("port", "interval_ns", "text"), [(0, 1, "port"), (65536, 1, "port"), (1, 0, "interval")])
def test_impossible_peer_is_refused(port: int, interval_ns: int, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        PeerTarget("quay", "127.0.0.1", port, interval_ns)
