"""From blocks to chunks, from chunks and snapshots to segments, and out: a little after each tick, so that no tick
waits long. What an older noonmark kept otherwise is made anew the same way.

Every piece of work is one transaction that moves rows from one table to the next: a crash leaves them in the one or in
the other. What is damaged is left where it is, told once in the log, and does not stop the rest.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Int64
from noonmark.collector.history_columns import HOSTS, PATHS, Kind
from noonmark.collector.history_database import HistoryError
from noonmark.collector.history_groups import Group, grouped, joined, pack_group, pack_thinned
from noonmark.collector.history_journal import Journal
from noonmark.collector.history_retention import Retention
from noonmark.collector.history_schema import BUNDLE_BITS, SPAN_NS, span_of
from noonmark.collector.history_snapshot_codec import snapshot_of_paths
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
        self.pack_one_block(newest_ns)
        self.renew_one_span(newest_ns)
        for kind in (HOSTS, PATHS):
            self.thin_some(kind, newest_ns, max(1, series // 20_000))
            self.forget_old(kind, newest_ns)

    def pack_one_block(self, newest_ns: int, kind: Kind = HOSTS) -> bool:
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

    def renew_one_span(self, newest_ns: int) -> bool:
        """Make snapshots of the oldest span's paths in chunks and blocks. Returns whether there were any."""
        edge = span_of(newest_ns - self.retention.detail_ns)
        span = self.tables.oldest_unrenewed(edge, self._passed_over[PATHS.name])
        if span is None:
            return False
        try:
            moments = self._moments(span)
        except HistoryError as error:
            self._passed_over[PATHS.name].add(span)
            log.error("history: paths in span %d stay as they are: %s", span, error)
            return True
        there = {each.at_ns for each in self.tables.snapshots.between(span * SPAN_NS, (span + 1) * SPAN_NS)}
        fresh = [
            snapshot_of_paths(at_ns, numbers, self.tables.ends(numbers), matrix)
            for at_ns, numbers, matrix in moments
            if at_ns not in there
        ]
        with self.tables.database.write() as writing:
            self.tables.snapshots.put(writing, fresh)
            self.tables.delete_renewed(writing, span)
        return True

    def _moments(self, span: int) -> Iterator[tuple[int, Int64, Int64]]:
        """Of each instant of a span: paths numbered (P,), rising, and columns (C, P), from chunks and blocks."""
        parts = []
        for group in self.tables.groups(PATHS, span):
            row, place = np.nonzero(group.present)
            parts.append((group.numbers[row], group.at_ns[place], group.matrix[:, row, place]))
        for at_ns, stacked in self.tables.ticks(PATHS, span * SPAN_NS, (span + 1) * SPAN_NS):
            parts.append((stacked[0], np.full(stacked.shape[1], at_ns), stacked[1:]))
        whole = grouped(*(np.concatenate(columns, axis=-1) for columns in zip(*parts, strict=True)))
        return (
            (int(at_ns), whole.numbers[inside], whole.matrix[:, inside, place])
            for place, at_ns in enumerate(whole.at_ns)
            for inside in [whole.present[:, place]]
        )

    def _thin_snapshots(self, edge: int) -> int:
        """Thin the next bundle of the oldest span of snapshots; once all are, give the snapshots up."""
        span = self.tables.snapshots.oldest_span(edge)
        if span is None:
            return 0
        parts = []
        for at_ns in self.tables.snapshots.instants(
            span * SPAN_NS - 1, later=True, limit=100_000, bound_ns=(span + 1) * SPAN_NS - 1
        ):
            try:
                parts += self.tables.snapshots.between(at_ns, at_ns + 1)
            except HistoryError as error:
                log.error("history: given up, it cannot be read and has reached its age: %s", error)
        done = self.tables.bundles(PATHS, "thin", span)
        bundles = {bundle for each in parts for bundle in np.unique(each.paths >> BUNDLE_BITS[PATHS.name]).tolist()}
        left = sorted(bundles - done)
        if not left:
            with self.tables.database.write() as writing:
                self.tables.snapshots.delete_span(writing, span)
            return 1
        chosen = [each.paths >> BUNDLE_BITS[PATHS.name] == left[0] for each in parts]
        numbers = np.concatenate([each.paths[inside] for each, inside in zip(parts, chosen, strict=True)])
        instants = np.concatenate(
            [np.full(inside.sum(), each.at_ns) for each, inside in zip(parts, chosen, strict=True)]
        )
        matrix = np.concatenate([each.matrix[:, inside] for each, inside in zip(parts, chosen, strict=True)], axis=1)
        thinned = pack_thinned(self._thinned(PATHS, grouped(numbers, instants, matrix)), PATHS)
        with self.tables.database.write() as writing:
            self.tables.put_chunks(writing, PATHS, "thin", [(span, left[0], thinned)])
        return 1

    def thin_some(self, kind: Kind, newest_ns: int, limit: int) -> int:
        """Thin the oldest chunks beyond the detailed retention; returns how many."""
        edge = span_of(newest_ns - self.retention.detail_ns)
        rows = self.tables.oldest_chunks(kind, "chunk", edge, limit)
        if not rows:
            return self._thin_snapshots(edge) if kind is PATHS else 0
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
