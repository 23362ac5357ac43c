"""The recent past: probe records of the last minute, columnar, and hosts' own notices of clock events. Pure.

Rules: rows are only ever appended, and a full store moves its live rows to a new one, so a view handed out by `columns`
never changes under its reader, on whatever thread. Age is judged on the collector's monotonic clock (`now`, seconds):
a batch that waited in its agent is older than its arrival by as much. Host numbers stay as they are while a host has
rows; numbers of hosts long gone are given up when the store moves.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np

from noonmark.collector.batch_columns import ColumnBatch
from noonmark.collector.estimate import Float64, Int32, Int64, ProbeColumns
from noonmark.proto.records import ClockEvent, RecordBatch

SPARE_NAMES = 64
Column = TypeVar("Column", bound=np.ndarray[Any, Any])


@dataclass(frozen=True, slots=True)
class WindowSettings:
    """How much of the past is kept."""

    span: float = 60.0
    """Seconds."""
    max_rows: int = 8_000_000
    """Of all hosts together (about 70 bytes each); the oldest give way."""
    max_rows_per_host: int = 50_000
    """More than this from one host within the span is not taken: no host may crowd out the others."""
    max_strangers_per_host: int = 256
    """One host may be the first to name so many others, until the store moves; a batch that names more is not taken. A
    plan has a tenth of it, and names cost far more than rows: in every estimate, and in the history."""
    max_events: int = 10_000
    max_events_per_host: int = 256
    """Clock events beyond are not taken, for the same reason; a host that is set several times a minute tells less."""


@dataclass(frozen=True, slots=True)
class WindowStatistics:
    """Fill, and counts since the start."""

    rows: int
    hosts: int
    """Names that rows or numbers refer to."""
    rows_added: int
    rows_late: int
    """Came after the span had passed, having waited in their agent."""
    rows_over_quota: int
    rows_crowded_out: int
    events: int
    events_over_quota: int


@dataclass(slots=True)
class _Store:
    """Columns of equal capacity."""

    source: Int32
    destination: Int32
    t1_ns: Int64
    t2_ns: Int64
    t3_ns: Int64
    t4_ns: Int64
    flags: np.ndarray[tuple[int], np.dtype[np.uint16]]
    source_epoch: Int64
    destination_epoch: Int64
    measured: Float64

    @classmethod
    def empty(cls, capacity: int) -> _Store:
        """Room for `capacity` rows."""
        return cls(
            source=np.empty(capacity, dtype=np.int32),
            destination=np.empty(capacity, dtype=np.int32),
            t1_ns=np.empty(capacity, dtype=np.int64),
            t2_ns=np.empty(capacity, dtype=np.int64),
            t3_ns=np.empty(capacity, dtype=np.int64),
            t4_ns=np.empty(capacity, dtype=np.int64),
            flags=np.empty(capacity, dtype=np.uint16),
            source_epoch=np.empty(capacity, dtype=np.int64),
            destination_epoch=np.empty(capacity, dtype=np.int64),
            measured=np.empty(capacity, dtype=np.float64),
        )

    def copy_rows(self, start: int, end: int, capacity: int) -> _Store:
        """A new store that begins with rows start to end of this one."""
        new = _Store.empty(capacity)
        for column in fields(_Store):
            getattr(new, column.name)[: end - start] = getattr(self, column.name)[start:end]
        return new


@dataclass(frozen=True, slots=True)
class HostEvent:
    """A clock event as a host told it, and when it arrived (monotonic seconds)."""

    host: str
    event: ClockEvent
    arrived: float


class Window:
    """The recent rows. One writer; the columns handed out may be read anywhere."""

    def __init__(self, settings: WindowSettings | None = None) -> None:
        self.settings = settings or WindowSettings()
        self._store = _Store.empty(1024)
        self._start = self._end = 0
        self._numbers: dict[str, int] = {}
        self._names: tuple[str, ...] = ()
        self._chunks: deque[tuple[float, str, int, bool]] = deque()  # arrival, host, rows, whether it had waited
        self._rows_of: dict[str, int] = {}
        self._strangers_of: dict[str, int] = {}
        self._waited_chunks = 0
        self._events: deque[HostEvent] = deque()
        self._events_of: Counter[str] = Counter()
        self.newest = -math.inf
        """When the newest records were measured (monotonic seconds, to within the time a report takes)."""
        self._added = self._late = self._over_quota = self._crowded_out = self._events_over_quota = 0

    def add(self, host: str, batch: RecordBatch | ColumnBatch, now: float, *, waited: float = 0.0) -> int:
        """Take a batch that `host` measured, closed `waited` seconds ago; return the rows taken."""
        rows = len(batch)
        if not rows:
            return 0
        if waited >= self.settings.span:
            self._late += rows
            return 0
        if self._rows_of.get(host, 0) + rows > self.settings.max_rows_per_host:
            self._over_quota += rows
            return 0
        strangers = sum(name not in self._numbers for name in batch.destinations)
        if strangers:
            named = self._strangers_of.get(host, 0) + strangers
            if named > self.settings.max_strangers_per_host:
                self._over_quota += rows
                return 0
            self._strangers_of[host] = named
        self._make_room(rows)
        self._write(host, batch, now - waited)
        self._chunks.append((now, host, rows, waited > 0))
        self._waited_chunks += waited > 0
        self._rows_of[host] = self._rows_of.get(host, 0) + rows
        self._added += rows
        self.newest = max(self.newest, now - waited)
        return rows

    def _make_room(self, rows: int) -> None:
        while self._chunks and self._end - self._start + rows > self.settings.max_rows:
            self._crowded_out += self._forget_oldest()
        if self._end + rows <= len(self._store.t1_ns):
            return
        live = self._end - self._start
        self._store = self._store.copy_rows(self._start, self._end, max(1024, 2 * (live + rows)))
        self._start, self._end = 0, live
        self._strangers_of.clear()
        self._renumber()

    def _renumber(self) -> None:
        """Give up the numbers of hosts that no row mentions, if they are many."""
        live = slice(0, self._end)
        used = np.union1d(self._store.source[live], self._store.destination[live])
        if len(self._numbers) <= 2 * len(used) + SPARE_NAMES:
            return
        old_names = list(self._numbers)
        new_number = np.zeros(len(old_names), dtype=np.int32)
        new_number[used] = np.arange(len(used), dtype=np.int32)
        self._store.source[live] = new_number[self._store.source[live]]
        self._store.destination[live] = new_number[self._store.destination[live]]
        self._numbers = {old_names[old]: new for new, old in enumerate(used.tolist())}
        self._names = tuple(self._numbers)

    def _number(self, host: str) -> int:
        return self._numbers.setdefault(host, len(self._numbers))

    def _write(self, host: str, batch: RecordBatch | ColumnBatch, measured: float) -> None:
        rows = slice(self._end, self._end + len(batch))
        store = self._store
        store.source[rows] = self._number(host)
        codes = np.array([self._number(name) for name in batch.destinations], dtype=np.int32)
        store.destination[rows] = codes[np.asarray(batch.destination, dtype=np.intp)]
        store.t1_ns[rows] = batch.t1_ns
        store.t2_ns[rows] = batch.t2_ns
        store.t3_ns[rows] = batch.t3_ns
        store.t4_ns[rows] = batch.t4_ns
        store.flags[rows] = batch.flags
        store.source_epoch[rows] = batch.source_epoch
        store.destination_epoch[rows] = batch.destination_epoch
        store.measured[rows] = measured
        self._end = rows.stop

    def _forget_oldest(self) -> int:
        _, host, rows, waited = self._chunks.popleft()
        self._start += rows
        self._waited_chunks -= waited
        left = self._rows_of[host] - rows
        if left:
            self._rows_of[host] = left
        else:
            del self._rows_of[host]
        return rows

    def add_event(self, host: str, event: ClockEvent, now: float) -> bool:
        """Note that a host's clock was set, or that it slept; False if the host has told too many already."""
        if self._events_of[host] >= self.settings.max_events_per_host:
            self._events_over_quota += 1
            return False
        if len(self._events) >= self.settings.max_events:
            self._forget_oldest_event()
        self._events.append(HostEvent(host, event, now))
        self._events_of[host] += 1
        return True

    def _forget_oldest_event(self) -> None:
        host = self._events.popleft().host
        self._events_of[host] -= 1
        if not self._events_of[host]:
            del self._events_of[host]

    def expire(self, now: float) -> None:
        """Forget rows and events that arrived longer ago than the span."""
        oldest = now - self.settings.span
        while self._chunks and self._chunks[0][0] < oldest:
            self._forget_oldest()
        while self._events and self._events[0].arrived < oldest:
            self._forget_oldest_event()

    def columns(self, now: float) -> ProbeColumns:
        """What was measured within the span before `now`, as read-only arrays that will not change."""
        self.expire(now)
        if len(self._names) != len(self._numbers):
            self._names = tuple(self._numbers)
        rows: slice | np.ndarray[tuple[int], np.dtype[np.intp]] = slice(self._start, self._end)
        if self._waited_chunks:
            recent = self._store.measured[rows] >= now - self.settings.span
            rows = np.flatnonzero(recent) + self._start
        store = self._store
        return ProbeColumns(
            hosts=self._names,
            source=_frozen(store.source[rows]),
            destination=_frozen(store.destination[rows]),
            t1_ns=_frozen(store.t1_ns[rows]),
            t2_ns=_frozen(store.t2_ns[rows]),
            t3_ns=_frozen(store.t3_ns[rows]),
            t4_ns=_frozen(store.t4_ns[rows]),
            flags=_frozen(store.flags[rows]),
            source_epoch=_frozen(store.source_epoch[rows]),
            destination_epoch=_frozen(store.destination_epoch[rows]),
        )

    def events(self) -> tuple[HostEvent, ...]:
        """Clock events within the span, in order of arrival."""
        return tuple(self._events)

    def statistics(self) -> WindowStatistics:
        """Fill and counts."""
        return WindowStatistics(
            rows=self._end - self._start,
            hosts=len(self._numbers),
            rows_added=self._added,
            rows_late=self._late,
            rows_over_quota=self._over_quota,
            rows_crowded_out=self._crowded_out,
            events=len(self._events),
            events_over_quota=self._events_over_quota,
        )


def _frozen(column: Column) -> Column:
    column.flags.writeable = False
    return column
