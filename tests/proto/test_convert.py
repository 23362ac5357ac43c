from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.proto import convert
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord, RecordBatch, StampSource

YEAR_NS = 366 * 86_400 * 10**9
times = st.integers(-50 * YEAR_NS, 140 * YEAR_NS)
sources = st.sampled_from(StampSource)
records = st.builds(
    ProbeRecord,
    destination=st.sampled_from(["quay-db", "skerry-gate-1", "holm-ref"]),
    t1_ns=times,
    t2_ns=times,
    t3_ns=times,
    t4_ns=times,
    stamped_by=st.tuples(sources, sources, sources, sources),
    source_epoch=st.integers(0, 2**32 - 1),
    destination_epoch=st.integers(0, 2**32 - 1),
    measuring=st.booleans(),
)


@given(st.lists(records, max_size=20), st.integers(0, 2**63))
def test_batch_survives_the_wire(rows: list[ProbeRecord], sequence: int) -> None:
    batch = RecordBatch.from_records(sequence, rows)
    wire = convert.batch_to_message(batch).SerializeToString()

    received = convert.batch_from_message(convert.pb.RecordBatch.FromString(wire))

    assert sorted(rows, key=repr) == sorted(received.records(), key=repr)
    assert sequence == received.sequence


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"forward_delta": []}, "forward_delta: 0 rows"),
        ({"destination": [7]}, "beyond the table"),
        ({"destinations": ["x", "x"]}, "twice"),
        ({"destinations": [""]}, "empty"),
        *(({"destinations": [name]}, "not printable") for name in ("a\nb", "\x1b[2J", "a,b", " a")),
        ({"flags": [1 << 9]}, "unknown bits"),
        ({"flags": [3]}, "unknown bits"),
        ({"t1_delta": [2**62]}, "t1_delta: a time outside"),
        ({"backward_delta": [-(2**62)]}, "backward_delta: a time outside"),
    ],
)
def test_contradictory_batch_is_refused(change: dict[str, list[int]], complaint: str) -> None:
    message = convert.pb.RecordBatch(
        destinations=["x"],
        destination=[0],
        t1_delta=[10**18],
        forward_delta=[0],
        turnaround_delta=[0],
        backward_delta=[0],
        flags=[0],
        source_epoch=[1],
        destination_epoch=[1],
    )
    for column, value in change.items():
        message.ClearField(column)
        getattr(message, column).extend(value)

    with pytest.raises(convert.BadMessage, match=complaint):
        convert.batch_from_message(message)


def test_clock_event_survives_the_wire() -> None:
    event = ClockEvent(ClockEventKind.STEP, epoch=3, at_ns=1_800_000_000 * 10**9, size_ns=-(3600 * 10**9))

    message = convert.clock_event_to_message(9, event)

    assert event == convert.clock_event_from_message(message)
    assert message.sequence == 9


def test_unknown_clock_event_is_refused() -> None:
    with pytest.raises(convert.BadMessage, match="kind 0"):
        convert.clock_event_from_message(convert.pb.ClockEvent())
