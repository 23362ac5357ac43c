"""Records to messages and back: the only hand-written user of the generated message classes for records.

A message from outside is checked here, once; past this door its columns have equal length and sane values.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import accumulate
from operator import add, sub

from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.records import ClockEvent, ClockEventKind, RecordBatch

MAX_BATCH_ROWS = 100_000
MAX_NAME_LENGTH = 253
"""As for a DNS name."""
# int64 nanoseconds reach the year 2262; a quarter of that range on either side leaves room for every difference.
MAX_ABSOLUTE_NS = 1 << 62


class BadMessage(ValueError):  # noqa: N818 - named for what the catcher holds, not for the mechanism
    """A message whose parts contradict each other; its text says which part."""


def can_name_a_host(name: str) -> bool:
    """Whether a text can serve as a host's name wherever names are shown: printable, on one line, without commas."""
    return 0 < len(name) <= MAX_NAME_LENGTH and name.isprintable() and name == name.strip() and "," not in name


def checked_text(part: str, text: str, longest: int = MAX_NAME_LENGTH) -> str:
    """A text as given, if it can be shown on one line; it may be empty. Raises BadMessage naming `part`."""
    if len(text) > longest or not text.isprintable():
        raise BadMessage(f"{part}: {text[:40]!r} is too long or not printable")
    return text


def _differences(column: Sequence[int]) -> list[int]:
    return [column[0], *map(sub, column[1:], column)] if column else []


def batch_to_message(batch: RecordBatch) -> pb.RecordBatch:
    """Encode columns as first differences (see noonmark.proto)."""
    t1, t2, t3, t4 = batch.t1_ns, batch.t2_ns, batch.t3_ns, batch.t4_ns
    return pb.RecordBatch(
        sequence=batch.sequence,
        destinations=batch.destinations,
        destination=batch.destination,
        t1_delta=_differences(t1),
        forward_delta=_differences(list(map(sub, t2, t1))),
        turnaround_delta=_differences(list(map(sub, t3, t2))),
        backward_delta=_differences(list(map(sub, t3, t4))),
        flags=batch.flags,
        source_epoch=batch.source_epoch,
        destination_epoch=batch.destination_epoch,
    )


def _checked_times(name: str, values: Iterable[int]) -> list[int]:
    column = list(values)
    if column and max(max(column), -min(column)) >= MAX_ABSOLUTE_NS:
        raise BadMessage(f"{name}: a time outside the years 1823 to 2116")
    return column


def batch_from_message(message: pb.RecordBatch) -> RecordBatch:
    """Decode and check a batch. Raises BadMessage, naming the column at fault."""
    rows = len(message.t1_delta)
    if rows > MAX_BATCH_ROWS:
        raise BadMessage(f"{rows} rows; at most {MAX_BATCH_ROWS} fit in a batch")
    columns = ("destination", "forward_delta", "turnaround_delta", "backward_delta", "flags", "source_epoch")
    for name in (*columns, "destination_epoch"):
        if len(getattr(message, name)) != rows:
            raise BadMessage(f"{name}: {len(getattr(message, name))} rows, t1_delta has {rows}")
    names = tuple(message.destinations)
    if not all(map(can_name_a_host, names)) or len(set(names)) != len(names):
        raise BadMessage("destinations: a name is empty, too long, not printable or twice there")
    if rows and max(message.destination) >= len(names):
        raise BadMessage("destination: an index beyond the table of names")
    flags = list(message.flags)
    if any(value >> 9 or any(value >> shift & 3 == 3 for shift in (0, 2, 4, 6)) for value in set(flags)):
        raise BadMessage("flags: unknown bits")
    t1 = _checked_times("t1_delta", accumulate(message.t1_delta))
    t2 = _checked_times("forward_delta", map(add, t1, accumulate(message.forward_delta)))
    t3 = _checked_times("turnaround_delta", map(add, t2, accumulate(message.turnaround_delta)))
    t4 = _checked_times("backward_delta", map(sub, t3, accumulate(message.backward_delta)))
    return RecordBatch(
        sequence=message.sequence,
        destinations=names,
        destination=list(message.destination),
        t1_ns=t1,
        t2_ns=t2,
        t3_ns=t3,
        t4_ns=t4,
        flags=flags,
        source_epoch=list(message.source_epoch),
        destination_epoch=list(message.destination_epoch),
    )


def clock_event_to_message(sequence: int, event: ClockEvent) -> pb.ClockEvent:
    """Encode a clock event under its place in the numbering of batches."""
    kind = pb.ClockEvent.Kind.Name(event.kind)
    return pb.ClockEvent(sequence=sequence, kind=kind, epoch=event.epoch, at_ns=event.at_ns, size_ns=event.size_ns)


def clock_event_from_message(message: pb.ClockEvent) -> ClockEvent:
    """Decode a clock event. Raises BadMessage for a kind unknown here or a time out of range."""
    try:
        kind = ClockEventKind(message.kind)
    except ValueError as error:
        raise BadMessage(f"clock event: kind {message.kind} is unknown") from error
    _checked_times("clock event", (message.at_ns, message.size_ns))
    return ClockEvent(kind=kind, epoch=message.epoch, at_ns=message.at_ns, size_ns=message.size_ns)
