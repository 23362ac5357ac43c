"""The whole fleet of the history at one instant: every series' moments beside it, at once.

As history_sampling.py does for one series at many instants, this does for many series at one. Reads through `Tables`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Int64
from noonmark.collector.history_columns import COLUMNS, PATHS, Kind
from noonmark.collector.history_groups import Group
from noonmark.collector.history_interpolation import Moments
from noonmark.collector.history_schema import span_of
from noonmark.collector.history_snapshot_codec import Snapshot
from noonmark.collector.history_tables import Tables

_MISSING = np.int64(-(1 << 62))
_FAR = 1 << 62


@dataclass(frozen=True, slots=True)
class Beside:
    """Of every series (S,) that has one: its last moment at or before an instant, and its first after."""

    numbers: Int64
    before: Moments
    after: Moments

    def select(self, chosen: Bool) -> Beside:
        """Some of the series."""
        return Beside(self.numbers[chosen], _chosen(self.before, chosen), _chosen(self.after, chosen))


def _chosen(moments: Moments, chosen: Bool) -> Moments:
    return Moments(moments.at_ns[chosen], moments.matrix[:, chosen], moments.present[chosen])


@dataclass(frozen=True, slots=True)
class PathsBeside:
    """Of every path what is beside an instant, and the snapshots it comes from, the nearest to the instant last."""

    series: Beside
    snapshots: tuple[Snapshot, ...]


class _Nearest:
    """Collects candidates on one side of an instant and keeps each series' nearest."""

    def __init__(self, size: int, *, later: bool) -> None:
        self.at_ns = np.full(size, -_MISSING if later else _MISSING)
        self.matrix = np.zeros((COLUMNS, size), np.int64)
        self._later = later

    def offer(self, numbers: Int64, at_ns: int, matrix: Int64) -> None:
        """A tick's columns (C, S) of the series numbered (S,)."""
        nearer = at_ns < self.at_ns[numbers] if self._later else at_ns > self.at_ns[numbers]
        chosen = numbers[nearer]
        self.at_ns[chosen] = at_ns
        self.matrix[:, chosen] = matrix[:, nearer]

    def offer_each(self, numbers: Int64, at_ns: Int64, matrix: Int64) -> None:
        """One moment each (S,) of the series numbered (S,), columns (C, S)."""
        nearer = at_ns < self.at_ns[numbers] if self._later else at_ns > self.at_ns[numbers]
        chosen = numbers[nearer]
        self.at_ns[chosen] = at_ns[nearer]
        self.matrix[:, chosen] = matrix[:, nearer]

    def moments(self) -> Moments:
        """What was found."""
        present = np.abs(self.at_ns) < -_MISSING
        return Moments(np.where(present, self.at_ns, 0), self.matrix, present)


def paths_beside(tables: Tables, at_ns: int, *, reach_ns: int) -> PathsBeside:
    """As `beside` of all paths. As a rule two snapshots of the same paths answer alone."""
    early = tables.snapshots.beside(at_ns, reach_ns, later=False)
    late = tables.snapshots.beside(at_ns, reach_ns, later=True)
    near = sorted([*early, *late], key=lambda snapshot: -abs(snapshot.at_ns - at_ns))
    first = early[0].at_ns - reach_ns if early else -_FAR
    last = late[0].at_ns + reach_ns if late else _FAR
    if tables.snapshots.others_near(first, last):
        size = 1 + max((int(each.paths[-1]) for each in near if len(each.paths)), default=-1)
        return PathsBeside(beside(tables, PATHS, max(size, tables.count(PATHS)), at_ns, reach_ns=reach_ns), tuple(near))
    if len(early) == len(late) == 1 and np.array_equal(early[0].paths, late[0].paths):
        one, other = early[0], late[0]
        every = np.ones(len(one.paths), np.bool_)
        before = Moments(np.broadcast_to(np.int64(one.at_ns), len(every)), one.matrix, every)
        after = Moments(np.broadcast_to(np.int64(other.at_ns), len(every)), other.matrix, every)
        return PathsBeside(Beside(one.paths, before, after), tuple(near))
    size = 1 + max((int(each.paths[-1]) for each in near if len(each.paths)), default=-1)
    found = _Nearest(size, later=False), _Nearest(size, later=True)
    for snapshots, nearest in zip((early, late), found, strict=True):
        for each in snapshots:
            nearest.offer(each.paths, each.at_ns, each.matrix)
    return PathsBeside(_near_enough(*found, reach_ns), tuple(near))


def beside(tables: Tables, kind: Kind, size: int, at_ns: int, *, reach_ns: int) -> Beside:
    """Every series below number `size` told of within `reach_ns` of the ticks beside the instant, or on both sides."""
    early, late = _Nearest(size, later=False), _Nearest(size, later=True)
    last = tables.tick_beside(kind, at_ns, later=False)
    first = tables.tick_beside(kind, at_ns, later=True)
    for tick, nearest in ((last, early), (first, late)):
        if tick is not None:
            _offer_tick(tables, kind, tick, nearest)
    if kind is PATHS:
        for later, nearest in ((False, early), (True, late)):
            for each in tables.snapshots.beside(at_ns, reach_ns, later=later):
                nearest.offer(each.paths, each.at_ns, each.matrix)
    _from_chunks(tables, kind, at_ns, early, late, last, first)
    return _near_enough(early, late, reach_ns)


def _near_enough(early: _Nearest, late: _Nearest, reach_ns: int) -> Beside:
    size = len(early.at_ns)
    before, after = early.moments(), late.moments()
    last = int(before.at_ns[before.present].max(initial=_MISSING))
    first = int(after.at_ns[after.present].min(initial=-_MISSING))
    joins = before.present & (before.at_ns >= last - reach_ns) | after.present & (after.at_ns <= first + reach_ns)
    both_sides = before.present & after.present
    return Beside(np.arange(size), before, after).select(joins | both_sides)


def _offer_tick(tables: Tables, kind: Kind, tick_ns: int, nearest: _Nearest) -> None:
    for moment, stacked in tables.ticks(kind, tick_ns, tick_ns + 1):
        inside = stacked[0] < len(nearest.at_ns)
        nearest.offer(stacked[0][inside], moment, stacked[1:][:, inside])


def _from_chunks(
    tables: Tables, kind: Kind, at_ns: int, early: _Nearest, late: _Nearest, last: int | None, first: int | None
) -> None:
    """The span of the instant; the ones beside it only where that has no tick on their side, in chunks or in blocks."""
    here = span_of(at_ns)
    earlier_here, later_here = _offer_span(tables, kind, here, at_ns, early, late)
    if not earlier_here and (last is None or span_of(last) != here):
        earlier = tables.span_beside(kind, here, later=False)
        if earlier is not None:
            _offer_span(tables, kind, earlier, at_ns, early, None)
    if not later_here and (first is None or span_of(first) != here):
        later = tables.span_beside(kind, here, later=True)
        if later is not None:
            _offer_span(tables, kind, later, at_ns, None, late)


def _offer_span(
    tables: Tables, kind: Kind, span: int, at_ns: int, early: _Nearest | None, late: _Nearest | None
) -> tuple[bool, bool]:
    """Offer a span's moments beside the instant; returns whether it has any at or before it, and after it."""
    has_earlier = has_later = False
    detailed: set[int] = set()
    for group in tables.groups_beside(kind, span, at_ns):
        detailed.update(group.numbers.tolist())
        place = int(np.searchsorted(group.at_ns, at_ns, side="right"))
        has_earlier, has_later = has_earlier or place > 0, has_later or place < len(group.at_ns)
        if early is not None:
            _offer_group(group, np.arange(place - 1, -1, -1), early)
        if late is not None:
            _offer_group(group, np.arange(place, len(group.at_ns)), late)
    for number, found in tables.thinned(kind, span):
        if number in detailed:
            continue
        place = int(np.searchsorted(found.at_ns, at_ns, side="right"))
        has_earlier, has_later = has_earlier or place > 0, has_later or place < len(found)
        for nearest, column in ((early, place - 1), (late, place)):
            if nearest is not None and 0 <= column < len(found):
                nearest.offer_each(np.array([number]), found.at_ns[[column]], found.matrix[:, [column]])
    return has_earlier, has_later


def _offer_group(group: Group, places: Int64, nearest: _Nearest) -> None:
    """Each series' first moment among the places, which go away from the instant."""
    if not len(places):
        return
    present = group.present[:, places]
    rows = np.flatnonzero(present.any(axis=1) & (group.numbers < len(nearest.at_ns)))
    columns = places[np.argmax(present[rows], axis=1)]
    nearest.offer_each(group.numbers[rows], group.at_ns[columns], group.matrix[:, rows, columns])
