"""Series, blocks and chunks in their tables: every statement about measured numbers is here, and no reckoning.

A `Stretch` is what one series has in some stretch of time: instants rising, and a matrix of columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import TypeVar

import numpy as np

from noonmark.collector.estimate import Int64
from noonmark.collector.history_codec import Damaged, pack, unpack
from noonmark.collector.history_columns import COLUMNS, PATHS, Kind
from noonmark.collector.history_database import Database, HistoryError, Writing
from noonmark.collector.history_groups import Group, unpack_beside, unpack_group, unpack_thinned
from noonmark.collector.history_recent import Recent
from noonmark.collector.history_schema import (
    BLOCK_BITS,
    KEY_BITS,
    SERIES_BITS,
    SPAN_NS,
    bundle_of,
    chunk_key,
    span_of,
)
from noonmark.collector.history_snapshot_codec import Ends
from noonmark.collector.history_snapshots import Snapshots

HOT_LEVEL = 1
"""Zstandard level for blocks, which live for hours only."""
GLANCES, GLANCE_BYTES, CHUNKS_ASKED = 16, 16 * 1024 * 1024, 4096
"""A chunk is opened whole when it has been looked into so often: that costs as much as some fifteen looks."""
GROUP_BYTES, STRETCH_BYTES, TICK_BYTES = 192 * 1024 * 1024, 32 * 1024 * 1024, 16 * 1024 * 1024
"""Whole chunks, single series of chunks, and ticks that were read lately are kept up to these sizes."""
_SERIES_MASK = (1 << SERIES_BITS) - 1
Decoded = TypeVar("Decoded")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Moments of one series: instants (T,) rising, columns (C, T)."""

    at_ns: Int64
    matrix: Int64

    def __len__(self) -> int:
        return len(self.at_ns)


NO_STRETCH = Stretch(np.zeros(0, np.int64), np.zeros((COLUMNS, 0), np.int64))


def merged(stretches: Iterable[Stretch]) -> Stretch:
    """All moments in order of time; of several at one instant the one given last."""
    parts = [stretch for stretch in stretches if len(stretch)]
    if not parts:
        return NO_STRETCH
    if len(parts) == 1:
        return parts[0]
    at_ns = np.concatenate([part.at_ns for part in parts])
    matrix = np.concatenate([part.matrix for part in parts], axis=1)
    order = np.argsort(at_ns, kind="stable")
    last = np.ones(len(order), np.bool_)
    last[:-1] = np.diff(at_ns[order]) > 0
    return Stretch(at_ns[order][last], matrix[:, order[last]])


@dataclass(slots=True)
class _Asked:
    """The instants of a chunk that was looked into, and how often that was."""

    at_ns: Int64
    times: int = 1

    def place(self, at_ns: int) -> int:
        """How many of its instants lie at or before one."""
        return int(np.searchsorted(self.at_ns, at_ns, side="right"))


def _key(kind: Kind, body: bytes) -> tuple[str, int, bytes]:
    """What tells a body from all others, without looking at all of it: its size, its checksum and its end."""
    return kind.name, len(body), body[:8] + body[-64:]


class Tables:
    """The tables of measured numbers in one database."""

    def __init__(self, database: Database, ends: Ends) -> None:
        self.database = database
        self.ends = ends
        self.snapshots = Snapshots(database, ends)
        self._groups: Recent[Group] = Recent(GROUP_BYTES, lambda group: group.matrix.nbytes)
        self._glances: Recent[Group] = Recent(GLANCE_BYTES, lambda group: group.matrix.nbytes)
        self._asked: Recent[_Asked] = Recent(CHUNKS_ASKED, lambda _: 1)
        self._stretches: Recent[Stretch] = Recent(STRETCH_BYTES, lambda found: found.matrix.nbytes)
        self._ticks: Recent[Int64] = Recent(TICK_BYTES, lambda stacked: stacked.nbytes)

    # -- names ---------------------------------------------------------------------------------------------------

    def series(self, kind: Kind, first: int = 0) -> list[tuple[int, str, str]]:
        """(number, a, b) of every series from number `first` on; b is empty for a host."""
        rows = self.database.read(
            "SELECT id, a, b FROM series WHERE kind = ? AND id >= ? ORDER BY id", (kind.name, first)
        )
        return [(int(row[0]), str(row[1]), str(row[2])) for row in rows]

    def count(self, kind: Kind) -> int:
        """How many series there are."""
        found = self.database.read("SELECT max(id) FROM series WHERE kind = ?", (kind.name,))[0][0]
        return 0 if found is None else int(found) + 1

    @staticmethod
    def add_series(writing: Writing, kind: Kind, rows: Iterable[tuple[int, str, str]]) -> None:
        """New names. Raises HistoryError where there are more than keys have room for."""
        listed = [(kind.name, number, a, b) for number, a, b in rows]
        if any(number > _SERIES_MASK for _, number, _, _ in listed):
            raise HistoryError(f"the history is full: it has room for {_SERIES_MASK + 1} {kind.name}s")
        writing.execute_many("INSERT INTO series (kind, id, a, b) VALUES (?, ?, ?, ?)", listed)

    # -- blocks: the last hours ----------------------------------------------------------------------------------

    @staticmethod
    def put_tick(writing: Writing, kind: Kind, at_ns: int, numbers: Int64, matrix: Int64) -> None:
        """One tick: columns (C, S) of the series numbered (S,). An earlier version of the tick is replaced."""
        order = np.argsort(numbers, kind="stable")
        numbers, matrix = numbers[order], matrix[:, order]
        block = numbers >> BLOCK_BITS
        rows = []
        for number in np.unique(block).tolist():
            inside = block == number
            body = pack(np.vstack([numbers[inside], matrix[:, inside]]), level=HOT_LEVEL, ordered=False)
            rows.append((at_ns, number, body))
        writing.execute(f"DELETE FROM {kind.name}_block WHERE at_ns = ?", (at_ns,))
        writing.execute_many(f"INSERT INTO {kind.name}_block (at_ns, block, body) VALUES (?, ?, ?)", rows)

    def oldest_block(self, kind: Kind, before_ns: int, passed_over: Iterable[int] = ()) -> tuple[int, int] | None:
        """(span, block) of the oldest block before an instant, but for spans that are passed over."""
        but = "".join(
            f" AND NOT (at_ns >= {span * SPAN_NS} AND at_ns < {(span + 1) * SPAN_NS})" for span in passed_over
        )
        rows = self.database.read(
            f"SELECT at_ns, block FROM {kind.name}_block WHERE at_ns < ?{but} ORDER BY at_ns, block LIMIT 1",
            (before_ns,),
        )
        return (span_of(int(rows[0][0])), int(rows[0][1])) if rows else None

    def blocks_of(self, kind: Kind, block: int, since_ns: int, until_ns: int) -> list[tuple[int, Int64]]:
        """(instant, numbers above columns (1 + C, S)) of one block's ticks in [since, until)."""
        rows = self.database.read(
            f"SELECT at_ns, body FROM {kind.name}_block WHERE at_ns >= ? AND at_ns < ? AND block = ? ORDER BY at_ns",
            (since_ns, until_ns, block),
        )
        found = [(int(row[0]), self._tick(row)) for row in rows]
        return sorted([*found, *self._of_snapshots(kind, since_ns, until_ns)], key=itemgetter(0))

    def _of_snapshots(self, kind: Kind, since_ns: int, until_ns: int) -> list[tuple[int, Int64]]:
        """Snapshots of paths as ticks, whatever their block."""
        if kind is not PATHS:
            return []
        found = self.snapshots.between(since_ns, until_ns)
        return [(each.at_ns, np.vstack([each.paths, each.matrix])) for each in found]

    def ticks(self, kind: Kind, since_ns: int, until_ns: int) -> Iterator[tuple[int, Int64]]:
        """(instant, numbers above columns (1 + C, S)) of every block row in [since, until)."""
        rows = self.database.read(
            f"SELECT at_ns, body FROM {kind.name}_block WHERE at_ns >= ? AND at_ns < ? ORDER BY at_ns",
            (since_ns, until_ns),
        )
        for row in rows:
            yield int(row[0]), self._tick(row)
        yield from self._of_snapshots(kind, since_ns, until_ns)

    def _tick(self, row: Sequence[object]) -> Int64:
        """Numbers above columns of a row (instant, body)."""
        body = row[1]
        assert isinstance(body, bytes)
        known = self._ticks.get(body)
        if known is None:
            known = self._ticks.put(body, self._decoded(lambda: unpack(body), f"the tick at {row[0]}"))
        return known

    def tick_beside(self, kind: Kind, at_ns: int, *, later: bool) -> int | None:
        """Instant of the first tick still in blocks after `at_ns`, or of the last at or before it."""
        statement = (
            f"SELECT min(at_ns) FROM {kind.name}_block WHERE at_ns > ?"
            if later
            else f"SELECT max(at_ns) FROM {kind.name}_block WHERE at_ns <= ?"
        )
        value = self.database.read(statement, (at_ns,))[0][0]
        found = [] if value is None else [int(value)]
        if kind is PATHS:
            found += self.snapshots.instants(at_ns, later=later, limit=1)
        return (min if later else max)(found, default=None)

    def block_ticks_beside(
        self, kind: Kind, block: int, at_ns: int, *, later: bool, limit: int, bound_ns: int | None = None
    ) -> list[int]:
        """Instants of one block's ticks after `at_ns`, or at or before it, nearest first, no further than a bound."""
        if later:
            bound = (1 << 62) if bound_ns is None else bound_ns
            order = "at_ns > ? AND at_ns <= ? ORDER BY at_ns"
        else:
            bound = -(1 << 62) if bound_ns is None else bound_ns
            order = "at_ns <= ? AND at_ns >= ? ORDER BY at_ns DESC"
        rows = self.database.read(
            f"SELECT at_ns FROM {kind.name}_block WHERE block = ? AND {order} LIMIT {limit}", (block, at_ns, bound)
        )
        found = {int(row[0]) for row in rows}
        if kind is PATHS:
            found.update(self.snapshots.instants(at_ns, later=later, limit=limit, bound_ns=bound_ns))
        return sorted(found, reverse=not later)[:limit]

    def hot(self, kind: Kind, number: int, since_ns: int, until_ns: int) -> Stretch:
        """What blocks hold of one series in [since, until)."""
        instants, columns = [], []
        for at_ns, stacked in self.blocks_of(kind, number >> BLOCK_BITS, since_ns, until_ns):
            place = int(np.searchsorted(stacked[0], number))
            if place < stacked.shape[1] and stacked[0, place] == number:
                instants.append(at_ns)
                columns.append(stacked[1:, place])
        return Stretch(np.array(instants, np.int64), np.stack(columns, axis=1)) if columns else NO_STRETCH

    # -- chunks: full detail, and thinned ------------------------------------------------------------------------

    def chunk(self, kind: Kind, number: int, span: int) -> Stretch:
        """What one series has in one span beyond the blocks: full detail if there is any, else what was thinned."""
        key = (chunk_key(span, bundle_of(kind, number)),)
        rows = self.database.read(f"SELECT body FROM {kind.name}_chunk WHERE id = ?", key)
        if rows:
            found = self._one_of(kind, bytes(rows[0][0]), number, span)
            if len(found):
                return found
        rows = self.database.read(f"SELECT body FROM {kind.name}_thin WHERE id = ?", key)
        if rows:
            return self._open_thinned(kind, bytes(rows[0][0]), span).get(number, NO_STRETCH)
        return NO_STRETCH

    def _one_of(self, kind: Kind, body: bytes, number: int, span: int) -> Stretch:
        whole = self._groups.get(_key(kind, body))
        key = (*_key(kind, body), number)
        known = self._stretches.get(key) if whole is None else None
        if known is not None:
            return known
        group = whole or self._decoded(lambda: unpack_group(body, kind, number), f"{kind.name} {number}, span {span}")
        places = np.flatnonzero(group.numbers == number)
        if not len(places):
            return NO_STRETCH
        inside = group.present[places[0]]
        return self._stretches.put(key, Stretch(group.at_ns[inside], group.matrix[:, places[0], inside]))

    def open_group(self, kind: Kind, body: bytes, span: int) -> Group:
        """A whole chunk. Raises HistoryError."""
        key = _key(kind, body)
        known = self._groups.get(key)
        if known is None:
            opened = self._decoded(lambda: unpack_group(body, kind), f"a bundle of {kind.name}s, span {span}")
            known = self._groups.put(key, opened)
        return known

    def _glance(self, kind: Kind, body: bytes, span: int, at_ns: int) -> Group:
        """Of a chunk at least what is beside an instant; all of it once it has been asked for some times."""
        known = self._groups.get(_key(kind, body))
        if known is not None:
            return known
        asked = self._asked.get(_key(kind, body))
        if asked is not None:
            known = self._glances.get((*_key(kind, body), asked.place(at_ns)))
            if known is not None:
                return known
            asked.times += 1
            if asked.times > GLANCES:
                return self.open_group(kind, body, span)
        what = f"a bundle of {kind.name}s, span {span}"
        clock, found = self._decoded(lambda: unpack_beside(body, kind, at_ns), what)
        asked = self._asked.put(_key(kind, body), asked or _Asked(clock))
        return self._glances.put((*_key(kind, body), asked.place(at_ns)), found)

    def _open_thinned(self, kind: Kind, body: bytes, span: int) -> dict[int, Stretch]:
        found = self._decoded(lambda: unpack_thinned(body, kind), f"a thinned bundle of {kind.name}s, span {span}")
        return {number: Stretch(at_ns, matrix) for number, at_ns, matrix in found}

    def groups(self, kind: Kind, span: int) -> Iterator[Group]:
        """Everything of full detail in one span."""
        for body in self._bodies(kind, "chunk", span):
            yield self.open_group(kind, body, span)

    def groups_beside(self, kind: Kind, span: int, at_ns: int) -> Iterator[Group]:
        """Of everything of full detail in one span at least each series' moments beside an instant."""
        for body in self._bodies(kind, "chunk", span):
            yield self._glance(kind, body, span, at_ns)

    def thinned(self, kind: Kind, span: int) -> Iterator[tuple[int, Stretch]]:
        """(number, moments) of every thinned series in one span."""
        for body in self._bodies(kind, "thin", span):
            yield from self._open_thinned(kind, body, span).items()

    def _bodies(self, kind: Kind, table: str, span: int) -> list[bytes]:
        rows = self.database.read(
            f"SELECT body FROM {kind.name}_{table} WHERE id >= ? AND id < ? ORDER BY id",
            (chunk_key(span), chunk_key(span + 1)),
        )
        return [bytes(row[0]) for row in rows]

    def bundle(self, kind: Kind, span: int, bundle: int) -> Group | None:
        """One chunk of full detail."""
        rows = self.database.read(f"SELECT body FROM {kind.name}_chunk WHERE id = ?", (chunk_key(span, bundle),))
        return self.open_group(kind, bytes(rows[0][0]), span) if rows else None

    def _decoded(self, decode: Callable[[], Decoded], what: str) -> Decoded:
        try:
            return decode()
        except Damaged as error:
            raise HistoryError(f"{what}: {error}") from error

    def span_beside(self, kind: Kind, span: int, *, later: bool, number: int | None = None) -> int | None:
        """The next span after `span` (or the last before) with chunks, of one series' bundle or of any."""
        found = []
        for table in ("chunk", "thin"):
            name = f"{kind.name}_{table}"
            if number is None:
                aggregate, edge = ("min(id)", chunk_key(span + 1)) if later else ("max(id)", chunk_key(span) - 1)
                rows = self.database.read(
                    f"SELECT {aggregate} FROM {name} WHERE id {'>=' if later else '<='} ?", (edge,)
                )
                found += [int(row[0]) >> KEY_BITS for row in rows if row[0] is not None]
            else:
                aggregate, way = ("min(span)", ">") if later else ("max(span)", "<")
                rows = self.database.read(
                    f"SELECT {aggregate} FROM {name} WHERE bundle = ? AND span {way} ?", (bundle_of(kind, number), span)
                )
                found += [int(row[0]) for row in rows if row[0] is not None]
        if not found:
            return None
        return min(found) if later else max(found)

    def bundles(self, kind: Kind, table: str, span: int) -> set[int]:
        """Numbers of the bundles that a span has there."""
        rows = self.database.read(
            f"SELECT bundle FROM {kind.name}_{table} WHERE id >= ? AND id < ?", (chunk_key(span), chunk_key(span + 1))
        )
        return {int(row[0]) for row in rows}

    def oldest_unrenewed(self, since_span: int, passed_over: Iterable[int] = ()) -> int | None:
        """The first span, from one on, whose paths are in chunks, or the first at all that has any in blocks."""
        but = "".join(f" AND span <> {span}" for span in passed_over)
        rows = self.database.read(f"SELECT min(span) FROM path_chunk WHERE id >= ?{but}", (chunk_key(since_span),))
        found = [int(row[0]) for row in rows if row[0] is not None]
        oldest = self.oldest_block(PATHS, 1 << 62, passed_over)
        return min([*found, *([oldest[0]] if oldest else [])], default=None)

    @staticmethod
    def delete_renewed(writing: Writing, span: int) -> None:
        """Chunks and blocks of paths that snapshots now hold."""
        writing.execute("DELETE FROM path_chunk WHERE id >= ? AND id < ?", (chunk_key(span), chunk_key(span + 1)))
        writing.execute("DELETE FROM path_block WHERE at_ns >= ? AND at_ns < ?", (span * SPAN_NS, (span + 1) * SPAN_NS))

    def oldest_chunks(self, kind: Kind, table: str, before_span: int, limit: int) -> list[tuple[int, int, bytes]]:
        """(span, bundle, body), oldest first."""
        rows = self.database.read(
            f"SELECT span, bundle, body FROM {kind.name}_{table} WHERE id < ? ORDER BY id LIMIT {limit}",
            (chunk_key(before_span),),
        )
        return [(int(row[0]), int(row[1]), bytes(row[2])) for row in rows]

    @staticmethod
    def put_chunks(writing: Writing, kind: Kind, table: str, rows: Iterable[tuple[int, int, bytes]]) -> None:
        """(span, bundle, body); an earlier version is replaced."""
        writing.execute_many(
            f"INSERT INTO {kind.name}_{table} (id, bundle, span, body) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET body = excluded.body",
            ((chunk_key(span, bundle), bundle, span, body) for span, bundle, body in rows),
        )

    @staticmethod
    def delete_blocks(writing: Writing, kind: Kind, block: int, span: int) -> None:
        """Blocks that chunks now hold."""
        writing.execute(
            f"DELETE FROM {kind.name}_block WHERE at_ns >= ? AND at_ns < ? AND block = ?",
            (span * SPAN_NS, (span + 1) * SPAN_NS, block),
        )

    @staticmethod
    def delete_chunks(writing: Writing, kind: Kind, table: str, rows: Iterable[tuple[int, int]]) -> None:
        """(span, bundle)."""
        writing.execute_many(
            f"DELETE FROM {kind.name}_{table} WHERE id = ?", ((chunk_key(span, bundle),) for span, bundle in rows)
        )

    @staticmethod
    def delete_spans(writing: Writing, kind: Kind, table: str, before_span: int) -> None:
        """Every chunk of spans before one."""
        writing.execute(f"DELETE FROM {kind.name}_{table} WHERE id < ?", (chunk_key(before_span),))
