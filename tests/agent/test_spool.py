"""The queue of what is not yet acknowledged: nothing lost, nothing twice, never more than its bounds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.spool import ROW_BYTES, Spool, SpoolSettings
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord, RecordBatch, StampSource

KERNEL = (StampSource.KERNEL,) * 4
EVENT = ClockEvent(ClockEventKind.STEP, 2, 10**18, -5_000)


def record(t1_ns: int) -> ProbeRecord:
    return ProbeRecord("berth", t1_ns, t1_ns + 1, t1_ns + 2, t1_ns + 3, KERNEL, 1, 1, True)


def fill(spool: Spool, count: int, now: float) -> None:
    """One record a second, each in its own batch."""
    for step in range(count):
        spool.add_records([record(step)], now=now + step)
        spool.close_batch(now=now + step)


def sent(spool: Spool) -> list[int]:
    numbers = []
    while (entry := spool.next_entry()) is not None:
        numbers.append(entry.sequence)
    return numbers


def test_records_wait_until_the_batch_is_closed() -> None:
    spool = Spool()
    spool.add_records([record(2), record(1)], now=0.0)
    assert spool.next_entry() is None
    spool.close_batch(now=1.0)
    entry = spool.next_entry()
    assert entry is not None
    assert isinstance(entry.body, RecordBatch)
    assert (entry.sequence, entry.body.sequence, list(entry.body.t1_ns)) == (1, 1, [1, 2])
    assert spool.next_entry() is None


def test_closing_nothing_uses_no_number() -> None:
    spool = Spool()
    spool.close_batch(now=0.0)
    assert spool.statistics().last_sequence == 0


def test_a_full_batch_closes_by_itself_and_keeps_the_rest_open() -> None:
    spool = Spool(SpoolSettings(max_batch_rows=3))
    spool.add_records([record(step) for step in range(7)], now=0.0)
    assert sent(spool) == [1, 2]
    assert spool.statistics().rows == 7


def test_an_event_follows_what_was_measured_before_it() -> None:
    spool = Spool()
    spool.add_records([record(1)], now=0.0)
    spool.add_clock_event(EVENT, now=0.0)
    bodies = [entry.body for entry in iter(spool.next_entry, None)]
    assert isinstance(bodies[0], RecordBatch)
    assert bodies[1] == EVENT


def test_acknowledged_entries_are_forgotten_and_the_others_sent_again_after_a_break() -> None:
    spool = Spool()
    fill(spool, 5, now=0.0)
    assert sent(spool) == [1, 2, 3, 4, 5]
    spool.acknowledge(2)
    spool.rewind()
    assert sent(spool) == [3, 4, 5]
    statistics = spool.statistics()
    assert (statistics.rows, statistics.records_acknowledged, statistics.entries_sent_again) == (3, 2, 3)


def test_an_acknowledgement_of_what_was_sent_before_the_break_counts() -> None:
    spool = Spool()
    fill(spool, 3, now=0.0)
    sent(spool)
    spool.rewind()
    spool.acknowledge(3)
    assert sent(spool) == []
    assert not spool.unacknowledged


def test_an_acknowledgement_out_of_the_blue_is_refused() -> None:
    spool = Spool()
    fill(spool, 2, now=0.0)
    spool.next_entry()
    with pytest.raises(ValueError, match="2 is acknowledged, but only 1 was sent"):
        spool.acknowledge(2)


def test_the_oldest_is_dropped_when_it_is_too_old() -> None:
    spool = Spool(SpoolSettings(max_age=10.0))
    fill(spool, 15, now=0.0)
    spool.expire(now=15.0)
    assert sent(spool) == list(range(6, 16))
    assert spool.statistics().records_dropped == 5


def test_the_oldest_is_dropped_when_there_is_too_much() -> None:
    spool = Spool(SpoolSettings(max_bytes=4 * ROW_BYTES))
    fill(spool, 10, now=0.0)
    assert sent(spool) == [7, 8, 9, 10]
    statistics = spool.statistics()
    assert (statistics.rows, statistics.capacity_rows, statistics.records_dropped) == (4, 4, 6)


def test_dropping_what_was_sent_but_not_acknowledged_leaves_no_hole_in_the_resending() -> None:
    spool = Spool(SpoolSettings(max_bytes=3 * ROW_BYTES))
    fill(spool, 3, now=0.0)
    sent(spool)
    spool.rewind()
    fill(spool, 2, now=3.0)
    assert sent(spool) == [3, 4, 5]


def test_a_dropped_event_is_counted_apart() -> None:
    spool = Spool(SpoolSettings(max_age=1.0))
    spool.add_clock_event(EVENT, now=0.0)
    spool.expire(now=2.0)
    statistics = spool.statistics()
    assert (statistics.clock_events_added, statistics.clock_events_dropped, statistics.records_dropped) == (1, 1, 0)


ACTIONS = st.lists(st.sampled_from(["add", "event", "send", "deliver", "break"]), max_size=200)


@given(actions=ACTIONS)
def test_a_receiver_that_skips_repeats_gets_every_record_once(actions: list[str]) -> None:
    """The whole protocol in small: a wire that may break at any moment, and a receiver that remembers one number."""
    spool = Spool()
    wire: list[tuple[int, list[int]]] = []
    received: list[int] = []
    remembered = 0
    for now, action in enumerate([*actions, "break", *["send", "deliver"] * 400]):
        if action == "add":
            spool.add_records([record(now)], now=float(now))
            spool.close_batch(now=float(now))
        elif action == "event":
            spool.add_clock_event(EVENT, now=float(now))
        elif action == "send" and (entry := spool.next_entry()) is not None:
            rows = list(entry.body.t1_ns) if isinstance(entry.body, RecordBatch) else []
            wire.append((entry.sequence, rows))
        elif action == "deliver" and wire:
            sequence, rows = wire.pop(0)
            if sequence > remembered:
                received.extend(rows)
                remembered = sequence
            spool.acknowledge(remembered)
        elif action == "break":
            # What is on the wire may still have arrived; its acknowledgement did not.
            for sequence, rows in wire[: len(wire) // 2]:
                if sequence > remembered:
                    received.extend(rows)
                    remembered = sequence
            wire.clear()
            spool.rewind()
    assert received == sorted(set(received))
    assert len(received) == spool.statistics().records_added
    assert spool.statistics().rows == 0


def test_in_flight_are_those_sent_and_not_acknowledged() -> None:
    spool = Spool()
    assert spool.in_flight == 0
    for number in range(4):
        spool.add_records([record(number)], now=0.0)
        spool.close_batch(now=0.0)
    assert spool.in_flight == 0
    spool.next_entry()
    spool.next_entry()
    assert spool.in_flight == 2
    spool.acknowledge(1)
    assert spool.in_flight == 1
    spool.rewind()
    assert spool.in_flight == 0
    spool.next_entry()
    spool.acknowledge(2)
    assert (spool.in_flight, spool.unsent) == (0, True)


def test_what_is_received_stays_until_it_is_kept_and_is_sent_again_to_whoever_comes_next() -> None:
    spool = Spool()
    for number in (1, 2, 3):
        spool.add_records([record(number)], now=0.0)
        spool.close_batch(now=0.0)
    assert [spool.next_entry().sequence for _ in range(3)] == [1, 2, 3]  # type: ignore[union-attr]
    spool.acknowledge(3, 0)
    assert (spool.in_flight, spool.unacknowledged, spool.statistics().rows) == (0, False, 3)
    spool.acknowledge(3, 1)
    assert (spool.statistics().rows, spool.statistics().records_acknowledged) == (2, 1)
    spool.rewind()
    assert [spool.next_entry().sequence for _ in range(2)] == [2, 3]  # type: ignore[union-attr]
    assert spool.in_flight == 2
    spool.acknowledge(3, 3)
    assert (spool.statistics().rows, spool.in_flight) == (0, 0)
    with pytest.raises(ValueError, match="only 3 was sent"):
        spool.acknowledge(3, 4)


def test_after_reconnecting_what_the_same_receiver_still_has_need_not_be_sent_again() -> None:
    spool = Spool()
    for number in (1, 2):
        spool.add_records([record(number)], now=0.0)
        spool.close_batch(now=0.0)
        spool.next_entry()
    spool.acknowledge(2, 0)
    spool.rewind()
    spool.acknowledge(2, 0)
    assert spool.next_entry() is None
    assert spool.statistics().rows == 2
