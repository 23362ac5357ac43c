"""Completed packet exchanges that wait for the exact departure of their reply (t3). Pure; `now` is monotonic
nanoseconds.

Each waits under the reply's sequence number until a later reply tells it, or tells of a reply after it, or time is
up. Nothing is lost: what does not learn its t3 comes out with the one it has.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from noonmark.agent.timestamps import SECOND_NS
from noonmark.proto.records import ProbeRecord, StampSource

LONGEST_TURNAROUND_NS = 10 * SECOND_NS
"""Between a reply's stamps of one clock there cannot be more."""
_HALF = 1 << 31
_MASK = (1 << 32) - 1


@dataclass(slots=True, eq=False)
class Sent:
    """The source's half of a record."""

    destination: str
    measuring: bool
    t1_ns: int
    """Made exact when the kernel tells."""
    t1_by: StampSource
    epoch: int


@dataclass(slots=True, eq=False)
class Held:
    """A record that may yet change."""

    sent: Sent
    t2_ns: int
    t3_ns: int
    t4_ns: int
    t2_by: StampSource
    t3_by: StampSource
    t4_by: StampSource
    epoch: int
    """The destination's clock epoch."""
    deadline: int = 0
    shelf: Shelf | None = None
    """Where it waits; None before and after."""
    sequence: int = 0
    """Its place there."""

    def record(self) -> ProbeRecord:
        """As it is now."""
        sent = self.sent
        return ProbeRecord(
            destination=sent.destination,
            t1_ns=sent.t1_ns,
            t2_ns=self.t2_ns,
            t3_ns=self.t3_ns,
            t4_ns=self.t4_ns,
            stamped_by=(sent.t1_by, self.t2_by, self.t3_by, self.t4_by),
            source_epoch=sent.epoch,
            destination_epoch=self.epoch,
            measuring=sent.measuring,
        )


class ExactDeparture(NamedTuple):
    """What a reply tells of an earlier one."""

    sequence: int
    t3_ns: int
    t3_by: StampSource
    epoch: int
    """The destination's clock epoch, in which both replies left."""


Shelf = dict[int, Held]
"""The records of one peer that wait, by their reply's sequence number, oldest first."""


class Holding:
    """All shelves' deadlines, and what has come out."""

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._waiting: deque[Held] = deque()  # in the order of their deadlines; those released since are passed over
        self._records: list[ProbeRecord] = []
        self.missing_transmit_stamps = 0
        self.missing_receive_stamps = 0
        self.missing_follow_ups = 0

    def hold(self, shelf: Shelf, sequence: int, held: Held, *, now: int) -> None:
        """Let a record wait. A reflector that uses a number twice (it restarted) pushes the older one out."""
        if (older := shelf.get(sequence)) is not None:
            self.release(older)
        held.shelf, held.sequence, held.deadline = shelf, sequence, now + self._hold_ns
        shelf[sequence] = held
        self._waiting.append(held)

    def follow_up(self, shelf: Shelf, told: ExactDeparture) -> None:
        """Complete the reply that is told of, and let go those before it: reflectors tell of each only once.

        A departure before the one that the reply itself carried, or long after it, or of another epoch, is not
        believed.
        """
        for sequence in [number for number in shelf if (told.sequence - number) & _MASK < _HALF]:
            held = shelf[sequence]
            believable = held.epoch == told.epoch and 0 <= told.t3_ns - held.t3_ns <= LONGEST_TURNAROUND_NS
            if sequence == told.sequence and believable:
                held.t3_ns, held.t3_by = told.t3_ns, told.t3_by
            self.release(held)

    def release(self, held: Held) -> None:
        """Pass a record on as it is."""
        if held.shelf is not None:
            del held.shelf[held.sequence]
            held.shelf = None
        self.missing_transmit_stamps += held.sent.t1_by is StampSource.USER
        self.missing_receive_stamps += held.t4_by is StampSource.USER
        self.missing_follow_ups += held.t3_by is StampSource.USER
        self._records.append(held.record())

    def release_shelf(self, shelf: Shelf) -> None:
        """Pass on all records of a peer."""
        for held in list(shelf.values()):
            self.release(held)

    def next_deadline(self) -> int | None:
        """When `expire` has something to do; None if nothing waits."""
        while self._waiting and self._waiting[0].shelf is None:
            self._waiting.popleft()
        return self._waiting[0].deadline if self._waiting else None

    def expire(self, *, now: int) -> None:
        """Pass on what has waited long enough."""
        while (deadline := self.next_deadline()) is not None and deadline <= now:
            self.release(self._waiting.popleft())

    def take_records(self) -> list[ProbeRecord]:
        """What came out since the last call."""
        records, self._records = self._records, []
        return records
