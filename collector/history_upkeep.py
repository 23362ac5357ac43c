"""From blocks to chunks, from chunks to segments, and out: a little after each tick, so that no tick waits long.

Every piece of work is one transaction that moves rows from one table to the next: a crash leaves them in the one or in
the other. What is damaged is left where it is, told once in the log, and does not stop the rest.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Int64
from noonmark.collector.history_columns import HOSTS, PATHS, Kind
from noonmark.collector.history_database import HistoryError
from noonmark.collector.history_groups import Group, grouped, joined, pack_group, pack_thinned
from noonmark.collector.history_journal import Journal
from noonmark.collector.history_retention import Retention
from noonmark.collector.history_schema import BUNDLE_BITS, SPAN_NS, span_of
from noonmark.collector.history_tables import Tables
from noonmark.collector.history_thinning import thin

log = logging.getLogger(__name__)


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
            self.thin_some(kind, newest_ns, max(1, series // 20_000))
            self.forget_old(kind, newest_ns)

    def pack_one_block(self, kind: Kind, newest_ns: int) -> bool:
        """Make the oldest finished block's rows into chunks. Returns whether there was one."""
        edge = span_of(newest_ns - self.retention.grace_ns) * SPAN_NS
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
        ticks = self.tables.blocks_of(kind, block, span * SPAN_NS, (span + 1) * SPAN_NS)
        stacked = np.concatenate([matrix for _, matrix in ticks], axis=1)
        instants = np.repeat([at_ns for at_ns, _ in ticks], [matrix.shape[1] for _, matrix in ticks])
        bundle = stacked[0] >> BUNDLE_BITS[kind.name]
        rows = []
        for number in np.unique(bundle).tolist():
            inside = bundle == number
            group = grouped(stacked[0, inside], instants[inside], stacked[1:, inside])
            old = self.tables.bundle(kind, span, number)
            rows.append((span, number, pack_group(joined(old, group) if old else group, kind)))
        with self.tables.database.write() as writing:
            self.tables.put_chunks(writing, kind, "chunk", rows)
            self.tables.delete_blocks(writing, kind, block, span)

    def thin_some(self, kind: Kind, newest_ns: int, limit: int) -> int:
        """Thin the oldest chunks beyond the detailed retention; returns how many."""
        edge = span_of(newest_ns - self.retention.detail_ns)
        rows = self.tables.oldest_chunks(kind, "chunk", edge, limit)
        if not rows:
            return 0
        kept = []
        for span, bundle, body in rows:
            try:
                group = self.tables.open_group(kind, body, span)
            except HistoryError as error:
                log.error("history: given up, it cannot be read and has reached its age: %s", error)
                continue
            kept.append((span, bundle, pack_thinned(self._thinned(kind, group), kind)))
        with self.tables.database.write() as writing:
            self.tables.put_chunks(writing, kind, "thin", kept)
            self.tables.delete_chunks(writing, kind, "chunk", [(span, bundle) for span, bundle, _ in rows])
        return len(rows)

    def _thinned(self, kind: Kind, group: Group) -> list[tuple[int, Int64, Int64]]:
        parts = []
        for row, number in enumerate(group.numbers.tolist()):
            inside = group.present[row]
            at_ns, matrix = thin(
                group.at_ns[inside],
                group.matrix[:, row, inside],
                kind,
                reach_ns=self.reach_ns[kind.name],
                error_ns=self.retention.error_ns,
            )
            parts.append((number, at_ns, matrix))
        return parts

    def forget_old(self, kind: Kind, newest_ns: int) -> None:
        """Give up what is older than the thinned retention."""
        edge = span_of(newest_ns - self.retention.thinned_ns)
        if not self.tables.oldest_chunks(kind, "thin", edge, 1):
            return
        with self.tables.database.write() as writing:
            self.tables.delete_spans(writing, kind, "thin", edge)
            if kind is HOSTS:
                Journal.forget(writing, edge * SPAN_NS)
