"""Snapshots of all paths in their table: every statement about them is here, and no reckoning.

Paths were kept otherwise once (see history_schema.py); what is left of that `Tables` reads.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable

from noonmark.collector.history_codec import Damaged
from noonmark.collector.history_database import Database, HistoryError, Row, Writing
from noonmark.collector.history_recent import Recent
from noonmark.collector.history_schema import SPAN_NS, chunk_key, span_of
from noonmark.collector.history_snapshot_codec import Ends, Snapshot, pack_snapshot, unpack_snapshot

SNAPSHOT_BYTES = 48 * 1024 * 1024
"""Those that were read lately are kept up to this size: of 4,000 paths an hour's."""
_LONG_AGO, _FAR_AHEAD = -(1 << 62), 1 << 62


def _size(snapshot: Snapshot) -> int:
    return 2 * snapshot.matrix.nbytes


class Snapshots:
    """All snapshots of one database. `ends` tells which hosts a path joins."""

    def __init__(self, database: Database, ends: Ends) -> None:
        self._database = database
        self._ends = ends
        self._recent: Recent[Snapshot] = Recent(SNAPSHOT_BYTES, _size)

    @staticmethod
    def put(writing: Writing, snapshots: Iterable[Snapshot]) -> None:
        """Keep them; an earlier version of one is replaced."""
        writing.execute_many(
            "INSERT INTO path_snapshot (at_ns, roster, body) VALUES (?, ?, ?) "
            "ON CONFLICT (at_ns) DO UPDATE SET roster = excluded.roster, body = excluded.body",
            ((each.at_ns, zlib.crc32(each.paths.tobytes()), pack_snapshot(each)) for each in snapshots),
        )

    def instants(self, at_ns: int, *, later: bool, limit: int, bound_ns: int | None = None) -> list[int]:
        """Instants of those after one, or at or before it, nearest first, no further than a bound."""
        if later:
            bound, where = _FAR_AHEAD if bound_ns is None else bound_ns, "at_ns > ? AND at_ns <= ? ORDER BY at_ns"
        else:
            bound, where = _LONG_AGO if bound_ns is None else bound_ns, "at_ns <= ? AND at_ns >= ? ORDER BY at_ns DESC"
        rows = self._database.read(f"SELECT at_ns FROM path_snapshot WHERE {where} LIMIT {limit}", (at_ns, bound))
        return [int(row[0]) for row in rows]

    def between(self, since_ns: int, until_ns: int) -> list[Snapshot]:
        """Those in [since, until), in order of time. Raises HistoryError for one that cannot be read."""
        rows = self._database.read(
            "SELECT at_ns, body FROM path_snapshot WHERE at_ns >= ? AND at_ns < ? ORDER BY at_ns", (since_ns, until_ns)
        )
        return list(map(self._opened, rows))

    def beside(self, at_ns: int, reach_ns: int, *, later: bool) -> list[Snapshot]:
        """The first after an instant, or the last at or before it; and others within `reach_ns` of that one, nearest
        first, as far as they hold other paths."""
        way = "at_ns > ? ORDER BY at_ns" if later else "at_ns <= ? ORDER BY at_ns DESC"
        rows = self._database.read(f"SELECT at_ns, body, roster FROM path_snapshot WHERE {way} LIMIT 1", (at_ns,))
        if not rows:
            return []
        found, rosters, edge = [self._opened(rows[0])], {rows[0][2]}, int(rows[0][0])
        first, last = (edge + 1, edge + reach_ns) if later else (edge - reach_ns, edge - 1)
        others = self._database.read(
            "SELECT at_ns, roster FROM path_snapshot WHERE at_ns >= ? AND at_ns <= ? ORDER BY "
            + ("at_ns" if later else "at_ns DESC"),
            (first, last),
        )
        for moment, roster in others:
            if roster not in rosters:
                rosters.add(roster)
                found += self.between(int(moment), int(moment) + 1)
        return found

    def _opened(self, row: Row) -> Snapshot:
        at_ns, body = int(row[0]), bytes(row[1])
        key = (at_ns, len(body), body[:4])  # the checksum: one told again has another
        known = self._recent.get(key)
        if known is not None:
            return known
        try:
            return self._recent.put(key, unpack_snapshot(body, self._ends))
        except Damaged as error:
            raise HistoryError(f"the paths at {at_ns}: {error}") from error

    def others_near(self, first_ns: int, last_ns: int) -> bool:
        """Whether paths of this stretch of time are kept in another way as well."""
        spans = chunk_key(span_of(first_ns)), chunk_key(span_of(last_ns) + 1)
        rows = self._database.read(
            "SELECT 1 WHERE EXISTS (SELECT 1 FROM path_block WHERE at_ns >= ? AND at_ns <= ?) "
            "OR EXISTS (SELECT 1 FROM path_chunk WHERE id >= ? AND id < ?) "
            "OR EXISTS (SELECT 1 FROM path_thin WHERE id >= ? AND id < ?)",
            (first_ns, last_ns, *spans, *spans),
        )
        return bool(rows)

    def oldest_span(self, before_span: int) -> int | None:
        """The span of the oldest one, if that is before a span."""
        rows = self._database.read("SELECT min(at_ns) FROM path_snapshot WHERE at_ns < ?", (before_span * SPAN_NS,))
        return None if rows[0][0] is None else span_of(int(rows[0][0]))

    @staticmethod
    def delete_span(writing: Writing, span: int) -> None:
        """Give up those of a span."""
        writing.execute(
            "DELETE FROM path_snapshot WHERE at_ns >= ? AND at_ns < ?", (span * SPAN_NS, (span + 1) * SPAN_NS)
        )
