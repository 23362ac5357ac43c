"""What a probe measured: frozen values, integer nanoseconds, no behaviour beyond packing.

Knows nothing of sockets, of messages on the wire, or of estimation. Both sides import it; it imports neither.
A *clock epoch* numbers the stretches of a host's clock between two settings of it: stamps of different epochs of one
host belong to different straight lines. 0 means "not told".
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

MEASURING_BIT = 1 << 8


class StampSource(enum.IntEnum):
    """Where in the host a time stamp was taken; smaller is better."""

    HARDWARE = 0
    """By the network card."""
    KERNEL = 1
    """By the kernel, as the packet passed the driver."""
    USER = 2
    """By the program: late on receipt, early on sending, by the scheduler's whim."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """One reading of CLOCK_REALTIME for one packet."""

    time_ns: int
    source: StampSource


StampSources = tuple[StampSource, StampSource, StampSource, StampSource]


@dataclass(frozen=True, slots=True)
class ProbeRecord:
    """One completed exchange of one packet each way (RFC 8762): the four stamps and how they were taken."""

    destination: str
    """Name of the host that reflected the packet; the source is the host that reports the record."""
    t1_ns: int
    """Source's clock: the request leaves."""
    t2_ns: int
    """Destination's clock: the request arrives."""
    t3_ns: int
    """Destination's clock: the reply leaves."""
    t4_ns: int
    """Source's clock: the reply arrives."""
    stamped_by: StampSources
    """How t1, t2, t3, t4 were taken."""
    source_epoch: int
    destination_epoch: int
    measuring: bool
    """True for the second packet of a back-to-back pair, whose path is warm; limits use both, estimates this one."""

    @property
    def forward_ns(self) -> int:
        """t2 - t1: an upper limit of (destination's clock - source's clock)."""
        return self.t2_ns - self.t1_ns

    @property
    def backward_ns(self) -> int:
        """t3 - t4: a lower limit of (destination's clock - source's clock)."""
        return self.t3_ns - self.t4_ns

    @property
    def round_trip_ns(self) -> int:
        """(t4 - t1) - (t3 - t2), RFC 5905 section 8: the time spent on the two paths."""
        return self.forward_ns - self.backward_ns


def pack_flags(stamped_by: StampSources, measuring: bool) -> int:
    """Fold a record's stamp sources (two bits each, t1 lowest) and the measuring mark into one small integer."""
    first, second, third, fourth = stamped_by
    return first | second << 2 | third << 4 | fourth << 6 | (MEASURING_BIT if measuring else 0)


def unpack_flags(flags: int) -> tuple[StampSources, bool]:
    """Undo `pack_flags`. Raises ValueError for a stamp source that does not exist."""
    first, second, third, fourth = (StampSource(flags >> shift & 3) for shift in (0, 2, 4, 6))
    return (first, second, third, fourth), bool(flags & MEASURING_BIT)


@dataclass(frozen=True, slots=True)
class RecordBatch:
    """Records of one reporting host as columns of equal length, as they travel; absolute integer nanoseconds.

    `destination` indexes `destinations`; `flags` is `pack_flags`.
    """

    sequence: int
    destinations: tuple[str, ...]
    destination: Sequence[int]
    t1_ns: Sequence[int]
    t2_ns: Sequence[int]
    t3_ns: Sequence[int]
    t4_ns: Sequence[int]
    flags: Sequence[int]
    source_epoch: Sequence[int]
    destination_epoch: Sequence[int]

    def __len__(self) -> int:
        return len(self.t1_ns)

    @classmethod
    def from_records(cls, sequence: int, records: Sequence[ProbeRecord]) -> RecordBatch:
        """Lay records out in columns, sorted by destination and then t1."""
        ordered = sorted(records, key=lambda record: (record.destination, record.t1_ns))
        names = tuple(dict.fromkeys(record.destination for record in ordered))
        index = {name: position for position, name in enumerate(names)}
        return cls(
            sequence=sequence,
            destinations=names,
            destination=[index[record.destination] for record in ordered],
            t1_ns=[record.t1_ns for record in ordered],
            t2_ns=[record.t2_ns for record in ordered],
            t3_ns=[record.t3_ns for record in ordered],
            t4_ns=[record.t4_ns for record in ordered],
            flags=[pack_flags(record.stamped_by, record.measuring) for record in ordered],
            source_epoch=[record.source_epoch for record in ordered],
            destination_epoch=[record.destination_epoch for record in ordered],
        )

    def records(self) -> list[ProbeRecord]:
        """The rows as records. Raises ValueError for flags that do not exist, IndexError for a bad destination."""
        rows = []
        for row in range(len(self)):
            stamped_by, measuring = unpack_flags(self.flags[row])
            rows.append(
                ProbeRecord(
                    destination=self.destinations[self.destination[row]],
                    t1_ns=self.t1_ns[row],
                    t2_ns=self.t2_ns[row],
                    t3_ns=self.t3_ns[row],
                    t4_ns=self.t4_ns[row],
                    stamped_by=stamped_by,
                    source_epoch=self.source_epoch[row],
                    destination_epoch=self.destination_epoch[row],
                    measuring=measuring,
                )
            )
        return rows


class ClockEventKind(enum.IntEnum):
    """Why a clock epoch ended."""

    STEP = 1
    """The clock was set."""
    SUSPEND = 2
    """The host slept; its clock may have been set from another on waking."""


@dataclass(frozen=True, slots=True)
class ClockEvent:
    """A host's own notice that a new clock epoch began."""

    kind: ClockEventKind
    epoch: int
    at_ns: int
    """The host's clock just after the event."""
    size_ns: int
    """How far the clock moved, positive forward; for a suspend, how long the host slept."""
