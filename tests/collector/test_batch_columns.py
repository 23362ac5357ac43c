"""Whole columns at a stroke give what `convert` gives row by row, with which they share no arithmetic."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.batch_columns import ColumnBatch, batch_from_message
from noonmark.proto import convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import BadMessage
from noonmark.proto.records import RecordBatch

Batch = ColumnBatch | RecordBatch
COLUMNS = (
    *("destination", "t1_ns", "t2_ns", "t3_ns", "t4_ns"),
    *("flags", "source_epoch", "destination_epoch"),
)
near = st.integers(-(10**10), 10**10)
edge = st.sampled_from([0, 2**62 - 1, 2**62, 2**63 - 1, -(2**62), 1 - 2**62, -(2**63)])
delta = st.one_of(near, near, near, st.integers(-(2**63), 2**63 - 1), edge)


@st.composite
def messages(draw: st.DrawFn) -> pb.RecordBatch:
    rows = draw(st.integers(0, 6))
    names = st.sampled_from(["quay-db-3", "holm-db-1", "skerry-berth-2", "", "x" * 300])

    def column(values: st.SearchStrategy[int]) -> list[int]:
        length = draw(st.sampled_from([rows] * 20 + [rows + 1]))
        return draw(st.lists(values, min_size=length, max_size=length))

    return pb.RecordBatch(
        sequence=draw(st.integers(0, 2**63)),
        destinations=draw(st.lists(names, max_size=3)),
        destination=column(st.integers(0, 2)),
        t1_delta=column(delta),
        forward_delta=column(delta),
        turnaround_delta=column(delta),
        backward_delta=column(delta),
        flags=column(st.integers(0, 2**9)),
        source_epoch=column(st.integers(0, 2**32 - 1)),
        destination_epoch=column(st.integers(0, 2**32 - 1)),
    )


def decoded(decode: Callable[[pb.RecordBatch], Batch], message: pb.RecordBatch) -> tuple[Batch | None, str]:
    try:
        return decode(message), ""
    except BadMessage as error:
        return None, str(error)


@given(messages())
def test_columns_are_what_rows_are_and_refused_for_the_same_reason(message: pb.RecordBatch) -> None:
    expected, complaint = decoded(convert.batch_from_message, message)
    found, same = decoded(batch_from_message, message)
    assert complaint == same
    if found is None or expected is None:
        return
    assert (found.sequence, found.destinations, len(found)) == (expected.sequence, expected.destinations, len(expected))
    for name in COLUMNS:
        assert list(getattr(found, name)) == list(getattr(expected, name)), name


def ordinary(**changes: list[int] | list[str]) -> pb.RecordBatch:
    columns: dict[str, list[int] | list[str]] = {
        "destinations": ["quay-db-3", "holm-db-1"],
        "destination": [0, 1],
        "t1_delta": [1_800_000_000 * 10**9, 10**9],
        "forward_delta": [50_000, -10],
        "turnaround_delta": [7, 1],
        "backward_delta": [-40_000, 5],
        "flags": [0b1_01010101, 0b0_10101010],
        "source_epoch": [3, 3],
        "destination_epoch": [2**32 - 1, 1],
    }
    return pb.RecordBatch(sequence=5, **{**columns, **changes})  # type: ignore[arg-type]


def test_an_ordinary_batch_takes_the_quick_way() -> None:
    found = batch_from_message(ordinary())
    assert isinstance(found, ColumnBatch)
    assert found.t4_ns.tolist() == [1_800_000_000 * 10**9 + 90_007, 1_800_000_001 * 10**9 + 89_993]


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"forward_delta": [0]}, "forward_delta: 1 rows"),
        ({"destination": [0, 2]}, "beyond the table"),
        ({"destinations": ["x", "x"]}, "twice"),
        ({"destinations": ["x", ""]}, "empty"),
        ({"destinations": ["x", "a\nnoonmark_up 1"]}, "not printable"),
        ({"flags": [0, 1 << 9]}, "unknown bits"),
        ({"flags": [0, 3 << 6]}, "unknown bits"),
        ({"t1_delta": [2**62, 0]}, "t1_delta: a time outside"),
        ({"t1_delta": [2**63 - 1, 2**63 - 1]}, "t1_delta: a time outside"),
        ({"backward_delta": [0, -(2**62)]}, "backward_delta: a time outside"),
    ],
)
def test_nonsense_is_refused(change: dict[str, list[int]], complaint: str) -> None:
    with pytest.raises(BadMessage, match=complaint):
        batch_from_message(ordinary(**change))
