"""What was measured and not yet acknowledged: a bounded queue of record batches and clock events. Pure.

Rules: every entry gets the next sequence number, from 1; entries leave from the front, when the receiver has kept them
for good or, when the bounds are passed, by being dropped and counted. Nothing is ever sent out of order, so an
acknowledgement of n covers everything up to n. What is received and not kept yet stays here: after a broken connection
`rewind` makes all of it be sent again, under the numbers it had, so that the receiver can tell a repeat. `now` is
monotonic time in seconds; the wall clock plays no part.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from noonmark.proto.records import ClockEvent, ProbeRecord, RecordBatch

ROW_BYTES = 200
"""About what one row of a batch takes in this process's memory."""


@dataclass(frozen=True, slots=True)
class SpoolSettings:
    """Bounds of the queue; whichever is reached first drops the oldest entry."""

    max_age: float = 600.0
    """Seconds that records are kept while nobody takes them."""
    max_bytes: int = 8 << 20
    """Of memory, by estimate."""
    max_batch_rows: int = 2000
    """A batch is closed when it has this many rows, even before its time."""

    @property
    def max_rows(self) -> int:
        """`max_bytes` in rows."""
        return max(1, self.max_bytes // ROW_BYTES)


@dataclass(frozen=True, slots=True)
class SpoolStatistics:
    """Fill and counts since the start."""

    rows: int
    """Records held, the open batch included."""
    capacity_rows: int
    entries: int
    """Closed batches and clock events held."""
    oldest: float | None
    """When the oldest closed entry was closed (monotonic seconds)."""
    last_sequence: int
    acknowledged_sequence: int
    """Up to here the receiver has kept everything."""
    records_added: int
    records_acknowledged: int
    """Kept by the receiver."""
    records_dropped: int
    clock_events_added: int
    clock_events_dropped: int
    entries_sent_again: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One numbered thing to deliver: a batch (which carries its number too) or a clock event."""

    sequence: int
    closed: float
    body: RecordBatch | ClockEvent

    @property
    def rows(self) -> int:
        """Records in it; an event weighs one row."""
        return len(self.body) if isinstance(self.body, RecordBatch) else 1


class Spool:
    """The queue. Not safe for use by several threads."""

    def __init__(self, settings: SpoolSettings | None = None) -> None:
        self.settings = settings or SpoolSettings()
        self._open: list[ProbeRecord] = []
        self._opened = 0.0
        self._entries: deque[Entry] = deque()
        self._rows = 0
        self._sent = 0
        self._last = 0
        self._received = 0
        """Sequence number up to which the receiver of the present connection has everything."""
        self._kept = 0
        self._highest_sent = 0
        self._added = self._dropped = self._delivered = self._again = 0
        self._events_added = self._events_dropped = 0

    def add_records(self, records: Sequence[ProbeRecord], *, now: float) -> None:
        """Put records into the open batch; closes it when it is full."""
        if not records:
            return
        if not self._open:
            self._opened = now
        self._open.extend(records)
        self._added += len(records)
        while len(self._open) >= self.settings.max_batch_rows:
            rest = self._open[self.settings.max_batch_rows :]
            del self._open[self.settings.max_batch_rows :]
            self.close_batch(now=now)
            self._open, self._opened = rest, now
        self.expire(now=now)

    def add_clock_event(self, event: ClockEvent, *, now: float) -> None:
        """Queue an event behind everything measured before it."""
        self.close_batch(now=now)
        self._events_added += 1
        self._append(event, now)

    def close_batch(self, *, now: float) -> None:
        """Make the open batch an entry; nothing happens if it is empty."""
        if self._open:
            records, self._open = self._open, []
            self._append(RecordBatch.from_records(self._last + 1, records), now)

    def _append(self, body: RecordBatch | ClockEvent, now: float) -> None:
        self._last += 1
        entry = Entry(self._last, now, body)
        self._entries.append(entry)
        self._rows += entry.rows
        self.expire(now=now)

    def expire(self, *, now: float) -> None:
        """Drop what is too old, and the oldest while there is too much."""
        limit = self.settings.max_rows - len(self._open)
        oldest = now - self.settings.max_age
        while self._entries and (self._rows > limit or self._entries[0].closed < oldest):
            self._drop(self._entries.popleft())

    def _drop(self, entry: Entry) -> None:
        self._rows -= entry.rows
        if isinstance(entry.body, RecordBatch):
            self._dropped += entry.rows
        else:
            self._events_dropped += 1

    @property
    def unsent(self) -> bool:
        """Whether a closed entry waits to be sent on the present connection."""
        return bool(self._entries) and self._entries[-1].sequence > self._sent

    @property
    def unacknowledged(self) -> bool:
        """Whether anything was sent on the present connection and is not known to be received yet."""
        return self.in_flight > 0

    @property
    def in_flight(self) -> int:
        """How many entries were sent on the present connection and are not known to be received yet."""
        gone = self._entries[0].sequence - 1 if self._entries else self._last
        return max(0, self._sent - max(self._received, gone))

    def next_entry(self) -> Entry | None:
        """The next entry to send on the present connection, which counts as sent from now on; None: all are."""
        if not self.unsent:
            return None
        # Entries are numbered without gaps, so a position follows from a number.
        position = max(0, self._sent + 1 - self._entries[0].sequence)
        entry = self._entries[position]
        self._sent = entry.sequence
        if entry.sequence <= self._highest_sent:
            self._again += 1
        self._highest_sent = max(self._highest_sent, entry.sequence)
        return entry

    def acknowledge(self, sequence: int, kept: int | None = None) -> None:
        """The receiver has everything up to `sequence`, and up to `kept` (None: the same) for good: that is forgotten.

        Raises ValueError for a number that was never sent.
        """
        kept = sequence if kept is None else kept
        if max(sequence, kept) > self._highest_sent:
            raise ValueError(f"{max(sequence, kept)} is acknowledged, but only {self._highest_sent} was sent")
        self._received = max(self._received, sequence, kept)
        self._kept = max(self._kept, kept)
        self._sent = max(self._sent, self._received)
        while self._entries and self._entries[0].sequence <= kept:
            entry = self._entries.popleft()
            self._rows -= entry.rows
            if isinstance(entry.body, RecordBatch):
                self._delivered += entry.rows

    def rewind(self) -> None:
        """A new connection: all that is not kept is to be sent again."""
        self._sent = self._received = self._kept

    def statistics(self) -> SpoolStatistics:
        """Fill and counts."""
        return SpoolStatistics(
            rows=self._rows + len(self._open),
            capacity_rows=self.settings.max_rows,
            entries=len(self._entries),
            oldest=self._entries[0].closed if self._entries else None,
            last_sequence=self._last,
            acknowledged_sequence=self._kept,
            records_added=self._added,
            records_acknowledged=self._delivered,
            records_dropped=self._dropped,
            clock_events_added=self._events_added,
            clock_events_dropped=self._events_dropped,
            entries_sent_again=self._again,
        )
