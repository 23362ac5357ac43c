"""Batches of records as they arrive -> columns of numbers, many rows at a stroke. Pure.

An ordinary batch is checked and decoded by whole columns; for anything out of the ordinary `convert.batch_from_message`
has the word, which reads row by row in integers that cannot overflow, and says what is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Int64
from noonmark.proto import convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import MAX_ABSOLUTE_NS, MAX_BATCH_ROWS, can_name_a_host
from noonmark.proto.records import RecordBatch

_KNOWN_FLAGS = 0x1FF
_LOW_BITS = 0b01010101
"""Of the four stamps' sources, two bits each; both set is none."""


@dataclass(frozen=True, slots=True)
class ColumnBatch:
    """A `RecordBatch` in arrays."""

    sequence: int
    destinations: tuple[str, ...]
    destination: Int64
    t1_ns: Int64
    t2_ns: Int64
    t3_ns: Int64
    t4_ns: Int64
    flags: Int64
    source_epoch: Int64
    destination_epoch: Int64

    def __len__(self) -> int:
        return len(self.t1_ns)


def batch_from_message(message: pb.RecordBatch) -> ColumnBatch | RecordBatch:
    """Decode and check a batch. Raises BadMessage, naming the column at fault."""
    return _ordinary(message) or convert.batch_from_message(message)


def _ordinary(message: pb.RecordBatch) -> ColumnBatch | None:
    """None for one that takes a closer look."""
    rows = len(message.t1_delta)
    names = tuple(message.destinations)
    if not 0 < rows <= MAX_BATCH_ROWS or len(set(names)) != len(names):
        return None
    if not all(map(can_name_a_host, names)):
        return None
    times = np.empty((4, rows), dtype=np.int64)
    marks = np.empty((4, rows), dtype=np.int64)
    deltas = message.t1_delta, message.forward_delta, message.turnaround_delta, message.backward_delta
    others = message.destination, message.flags, message.source_epoch, message.destination_epoch
    if any(len(column) != rows for column in (*deltas, *others)):
        return None
    for place in range(4):
        times[place] = deltas[place][:]
        marks[place] = others[place][:]
    # No stamp is further from 1970 than all differences together; so neither is any sum on the way.
    if float(np.abs(times.astype(np.float64)).sum()) >= MAX_ABSOLUTE_NS * (1 - 1e-9):
        return None
    destination, flags, source_epoch, destination_epoch = marks
    if int(destination.max()) >= len(names):
        return None
    if int(flags.max()) > _KNOWN_FLAGS or bool((flags & flags >> 1 & _LOW_BITS).any()):
        return None
    t1, forward, turnaround, backward = np.cumsum(times, axis=1)
    t2 = t1 + forward
    t3 = t2 + turnaround
    return ColumnBatch(
        message.sequence, names, destination, t1, t2, t3, t3 - backward, flags, source_epoch, destination_epoch
    )
