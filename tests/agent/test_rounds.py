from __future__ import annotations

import random

import pytest

from noonmark.agent.rounds import EMPTY_AT_MOST, JITTER, LITTLE, LONGEST_NS, MUCH, PART, SHORTEST_NS, Rounds

MS = 1_000_000


def rounds(interval_ns: int | None = 1000 * MS) -> Rounds:
    one = Rounds(random.Random(1))
    one.probe_every(interval_ns)
    one.looked(found=0, sent=1, now=0)  # its first probes have left
    one.next_ns = None
    return one


def test_arrivals_are_waited_for_until_something_happens_and_again_after_silence() -> None:
    one = rounds()
    assert one.next_ns is None
    one.looked(found=1, sent=0, now=0)
    waits: list[int | None] = []
    for now in range(EMPTY_AT_MOST):
        waits.append(one.next_ns)
        one.looked(found=0, sent=0, now=now)
    assert None not in waits
    assert one.next_ns is None


def test_sent_probes_are_waited_for_in_rounds() -> None:
    one = rounds()
    one.looked(found=0, sent=2, now=7)
    assert one.next_ns is not None
    assert one.next_ns > 7


@pytest.mark.parametrize(
    ("interval_ns", "length_ns"),
    [(1000 * MS, 500 * MS), (100 * MS, 50 * MS), (60_000 * MS, LONGEST_NS), (10, SHORTEST_NS)],
)
def test_length_follows_the_host_s_own_interval_and_is_jittered(interval_ns: int, length_ns: int) -> None:
    one = rounds(interval_ns)
    waits = []
    for _ in range(500):
        one.looked(found=1, sent=1, now=0)
        assert one.next_ns is not None
        waits.append(one.next_ns)
    assert min(waits) >= length_ns * (1 - JITTER) - 1
    assert max(waits) <= length_ns * (1 + JITTER) + 1
    assert sum(waits) / len(waits) == pytest.approx(length_ns, rel=0.05)
    assert length_ns <= max(interval_ns * PART, SHORTEST_NS)


def test_first_probes_wait_for_no_round() -> None:
    one = rounds(None)
    one.looked(found=3, sent=0, now=0)
    assert one.next_ns is not None, "others' requests came before the first plan"
    one.probe_every(1000 * MS)
    one.looked(found=0, sent=0, now=0)
    assert one.next_ns is None, "so that the schedule's own moment wakes"
    one.looked(found=4, sent=0, now=0)
    assert one.next_ns is None, "whatever else comes before it"
    one.looked(found=0, sent=2, now=0)
    one.probe_every(1000 * MS)
    assert one.next_ns is not None, "another plan at the same interval changes nothing"


def test_host_that_only_answers_has_the_longest_rounds() -> None:
    one = rounds(None)
    one.looked(found=1, sent=0, now=0)
    assert one.next_ns is not None
    assert one.next_ns >= LONGEST_NS * (1 - JITTER)


@pytest.mark.parametrize("packets_a_second", [100, 1_000, 5_000, 20_000])
def test_no_steady_load_makes_a_queue_that_overflows(packets_a_second: int) -> None:
    one = rounds()
    now, queues, looks = 0, [], 0
    spacing = 10**9 // packets_a_second
    while now < 5 * 10**9:
        at = now + spacing if one.next_ns is None else one.next_ns
        found = max(1, (at - now) // spacing)
        now = at
        one.looked(found=found, sent=0, now=now)
        queues.append(found)
        looks += 1
    settled = queues[len(queues) // 4 :]
    assert max(settled) < 2.6 * MUCH, "a buffer of the usual size holds some 170"
    assert looks < 5 * packets_a_second / (LITTLE / 4) + 100, "few wakes for many packets"


def test_flood_wakes_by_arrivals_and_its_end_brings_rounds_back() -> None:
    one = rounds()
    for now in range(10):
        one.looked(found=MUCH, sent=0, now=now)
    assert one.next_ns is None
    for now in range(20):
        one.looked(found=1, sent=0, now=now)
    assert one.next_ns is not None
    assert one.next_ns >= LONGEST_NS * (1 - JITTER)
