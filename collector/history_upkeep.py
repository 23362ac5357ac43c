"""From blocks to chunks, from chunks to segments, and out: a little after each tick, so that no tick waits long.

Every piece of work is one transaction that moves rows from one table to the next: a crash leaves them in the one or in
the other. What is damaged is left where it is, told once in the log, and does not stop the rest.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Int64
from noonmark.collector.history_codec import pack_chunk
from noonmark.collector.history_columns import HOSTS, PATHS, Kind
from noonmark.collector.history_database import HistoryError, Writing
from noonmark.collector.history_journal import Journal
from noonmark.collector.history_schema import BLOCK_BITS, SPAN_NS, span_of
from noonmark.collector.history_tables import Stretch, Tables, merged
from noonmark.collector.history_thinning import thin

SECOND_NS = 10**9
DAY_NS = 86_400 * SECOND_NS
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Retention:
    """How long what is kept, and how well."""

    detail_ns: int = 30 * DAY_NS
    """Every tick, this long."""
    thinned_ns: int = 400 * DAY_NS
    """Line segments, this long."""
    error_ns: float = 1_000.0
    """A segment stays this near to every offset it stands for, or within half of its standard uncertainty."""
    grace_ns: int = 60 * SECOND_NS
    """Blocks are made into chunks this long after their stretch of time has ended."""


@dataclass(slots=True)
class Upkeep:
    """The work that is left after a tick. One thread at a time."""

    tables: Tables
    retention: Retention
    reach_ns: dict[str, int]
    """Longest time between two moments of a series without a gap, by kind."""
    _passed_over: dict[str, set[int]] = field(default_factory=lambda: {HOSTS.name: set(), PATHS.name: set()})

    def after_tick(self, newest_ns: int, series: int) -> None:
        """A slice of each kind of work, in proportion to the fleet's size. Raises HistoryError if it cannot be kept."""
        for kind in (HOSTS, PATHS):
            self.pack_one_block(kind, newest_ns)
            self.thin_some(kind, newest_ns, max(16, series // 180))
            self.forget_old(kind, newest_ns)

    def pack_one_block(self, kind: Kind, newest_ns: int) -> bool:
        """Make the oldest finished block's rows into chunks. Returns whether there was one."""
        size = SPAN_NS[kind.name]
        edge = (newest_ns - self.retention.grace_ns) // size * size
        oldest = self.tables.oldest_block(kind, edge, self._passed_over[kind.name])
        if oldest is None:
            return False
        span, block = oldest
        try:
            self._pack(kind, span, block)
        except HistoryError as error:
            self._passed_over[kind.name].add(span)
            log.error("history: what was measured in span %d (%ss) stays as it is: %s", span, kind.name, error)
        return True

    def _pack(self, kind: Kind, span: int, block: int) -> None:
        size = SPAN_NS[kind.name]
        ticks = self.tables.blocks_of(kind, block, span * size, (span + 1) * size)
        stacked = np.concatenate([matrix for _, matrix in ticks], axis=1)
        instants = np.repeat([at_ns for at_ns, _ in ticks], [matrix.shape[1] for _, matrix in ticks])
        order = np.lexsort((instants, stacked[0]))
        stacked, instants = stacked[:, order], instants[order]
        numbers, starts = np.unique(stacked[0], return_index=True)
        old_times = self.tables.times(kind, span)
        times = np.concatenate([old_times, np.setdiff1d(np.unique(instants), old_times)])
        low, high = block << BLOCK_BITS, (block + 1) << BLOCK_BITS
        old = {number: body for number, body in self.tables.chunks(kind, span, "chunk") if low <= number < high}
        rows = []
        for number, start, stop in zip(numbers.tolist(), starts, [*starts[1:], len(instants)], strict=True):
            fresh = Stretch(instants[start:stop], stacked[1:, start:stop])
            if number in old:
                what = f"{kind.name} {number}, span {span}"
                fresh = merged([self.tables.open_chunk(kind, old[number], old_times, what), fresh])
            rows.append((span, int(number), pack_chunk(fresh.at_ns, fresh.matrix, kind, times)))
        with self.tables.database.write() as writing:
            self.tables.put_times(writing, kind, span, times)
            self.tables.put_chunks(writing, kind, "chunk", rows)
            self.tables.delete_blocks(writing, kind, block, span)

    def thin_some(self, kind: Kind, newest_ns: int, limit: int) -> int:
        """Thin the oldest chunks beyond the detailed retention; returns how many."""
        edge = span_of(kind, newest_ns - self.retention.detail_ns)
        rows = self.tables.oldest_chunks(kind, "chunk", edge, limit)
        if not rows:
            return 0
        times: dict[int, Int64] = {}
        kept, gone = [], []
        for span, number, body in rows:
            gone.append((span, number))
            try:
                if span not in times:
                    times[span] = self.tables.times(kind, span)
                stretch = self.tables.open_chunk(kind, body, times[span], f"{kind.name} {number}, span {span}")
            except HistoryError as error:
                log.error("history: given up, it cannot be read and has reached its age: %s", error)
                continue
            at_ns, matrix = thin(
                stretch.at_ns,
                stretch.matrix,
                kind,
                reach_ns=self.reach_ns[kind.name],
                error_ns=self.retention.error_ns,
            )
            kept.append((span, number, pack_chunk(at_ns, matrix, kind)))
        with self.tables.database.write() as writing:
            self.tables.put_chunks(writing, kind, "thin", kept)
            self.tables.delete_chunks(writing, kind, "chunk", gone)
            self._drop_times(writing, kind, rows[-1][0])
        return len(rows)

    def _drop_times(self, writing: Writing, kind: Kind, span: int) -> None:
        """Lists of instants before the span now being thinned: no chunk needs them any more."""
        self.tables.delete_spans(writing, kind, "times", span)

    def forget_old(self, kind: Kind, newest_ns: int) -> None:
        """Give up what is older than the thinned retention."""
        edge = span_of(kind, newest_ns - self.retention.thinned_ns)
        if not self.tables.oldest_chunks(kind, "thin", edge, 1):
            return
        with self.tables.database.write() as writing:
            self.tables.delete_spans(writing, kind, "thin", edge)
            if kind is HOSTS:
                Journal.forget(writing, edge * SPAN_NS[kind.name])
