"""The mesh of a past moment, put together from its paths alone, and pairs through it. Pure.

What `pairs.compare` takes from a whole estimate comes here from the snapshots of paths on both sides of the moment:
they hold of hosts all that a pair needs besides its own two, so that nobody else's ticks are read.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int64, PairEstimate
from noonmark.collector.history_columns import (
    COMPONENT,
    DRIFT,
    DRIFT_UNCERTAINTY,
    EFFECT,
    FLAGS,
    JOINED,
    KNOWN_CODES,
    LOWER,
    OFFSET,
    PATH_STATES,
    ROUND_TRIP,
    STATE,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    from_femto,
    from_picoseconds,
)
from noonmark.collector.history_interpolation import SETTLED, How, Interpolated
from noonmark.collector.history_journal import Era
from noonmark.collector.history_snapshot_codec import Snapshot
from noonmark.collector.mesh import Graph, graph_of, mesh
from noonmark.collector.pairs import DOUBTED_STATES, End, Paired, between_ends

_DOUBTED = np.array([state in DOUBTED_STATES for state in PATH_STATES])


@dataclass(frozen=True, slots=True)
class PastMesh:
    """All paths that were told of about a moment."""

    at_ns: int
    paired: Paired
    row: Int64
    """Row of each host by number; -1 for one at which no path ends."""
    own_ns: Float64
    """Of each row what its uncertainty holds of its own; NaN where that was not kept."""

    def between(
        self, a: str, b: str, numbers: tuple[int, int], columns: tuple[Interpolated, Interpolated]
    ) -> PairEstimate | None:
        """a's clock minus b's, whose own columns (C, 1) are given; None where no chain of paths joins the two."""
        rows = [int(self.row[number]) if number < len(self.row) else -1 for number in numbers]
        told = all(column.present[0] for column in columns)
        if a == b or min(rows) < 0 or not told or columns[0].matrix[COMPONENT, 0] != columns[1].matrix[COMPONENT, 0]:
            return None
        settled = all(int(column.how[0]) in SETTLED for column in columns)
        ends = [self._end(row, column.matrix[:, 0], settled) for row, column in zip(rows, columns, strict=True)]
        offset, drift, variance, _, lower, upper = between_ends(self.paired, *ends)
        uncertainty = math.ceil(math.sqrt(variance))
        return PairEstimate(a, b, self.at_ns, True, "", offset, uncertainty, lower, upper, drift, self.at_ns)

    def _end(self, row: int, column: Int64, settled: bool) -> End:
        """Where a host's uncertainty grew since the snapshot, what is its own is what the paths leave of it."""
        own = float(self.own_ns[row]) if settled else math.nan
        return End(
            row,
            int(column[OFFSET]),
            float(from_femto(column[[DRIFT]])[0]),
            float(from_picoseconds(column[[UNCERTAINTY]])[0]),
            float(from_femto(column[[DRIFT_UNCERTAINTY]])[0]),
            bool(KNOWN_CODES[column[STATE] & ~JOINED]),
            None if math.isnan(own) else own,
        )


@dataclass(frozen=True, slots=True)
class Shape:
    """Who is joined by which paths: the same from minute to minute, as a rule."""

    hosts: int
    row: Int64
    """Row of each host by number; -1 for one at which no path ends."""
    first: Int64
    second: Int64
    graph: Graph


class Shapes:
    """Shapes that were met lately. `ends` tells the hosts of paths by number."""

    def __init__(self, ends: Callable[[Int64], Int64]) -> None:
        self._ends = ends
        self.of = functools.lru_cache(maxsize=4)(self._of)

    def _of(self, paths: bytes, references: tuple[int, ...]) -> tuple[Shape, tuple[int, ...]]:
        """Of paths numbered (P,), as bytes, and hosts that are references; and which of these are there."""
        ends = self._ends(np.frombuffer(paths, np.int64))
        used = np.zeros(int(ends.max()) + 1, np.bool_)
        used[ends] = True
        hosts = np.flatnonzero(used)
        row = np.full(len(used), -1, np.int64)
        row[hosts] = np.arange(len(hosts))
        first, second = row[ends]
        there = tuple(place for place, each in enumerate(references) if 0 <= each < len(row) and row[each] >= 0)
        graph = graph_of(len(hosts), first, second, [int(row[references[place]]) for place in there])
        return Shape(len(hosts), row, first, second, graph), there


def past_mesh(
    at_ns: int,
    era: Era,
    numbers: Int64,
    found: Interpolated,
    beside: Sequence[Snapshot],
    shapes: Shapes,
    number_of: Callable[[str], int | None],
) -> PastMesh | None:
    """Paths numbered (P,) as found at the moment (C, P); None where there is none.

    `beside` are snapshots near the moment, the nearest last, of which hosts' rough offsets are taken; `number_of` tells
    a host's number.
    """
    told = found.how != int(How.NOTHING)
    matrix = found.matrix
    if not told.all():
        matrix, numbers = matrix[:, told], numbers[told]
    if not len(numbers):
        return None
    asked = [-1 if (number := number_of(each.host)) is None else number for each in era.references]
    shape, there = shapes.of(numbers.tobytes(), tuple(asked))
    references = tuple(era.references[place] for place in there)
    level, own = _of_hosts(at_ns, shape.row, shape.hosts, beside)
    uncertainty = matrix[UNCERTAINTY] / 1e3
    effect = from_picoseconds(matrix[EFFECT]) ** 2 if matrix[EFFECT].any() else np.zeros(0)
    made = mesh(
        shape.graph,
        level,
        matrix[LOWER],
        matrix[UPPER],
        uncertainty**2,
        _DOUBTED[(matrix[FLAGS] & ~JOINED) >> 2],
        effect,
        matrix[ROUND_TRIP],
        np.abs(matrix[OFFSET] - (level[shape.second] - level[shape.first])) / uncertainty,
        references,
    )
    return PastMesh(at_ns, Paired(made, references, float(era.centre_age_ns)), shape.row, own)


def _of_hosts(at_ns: int, row: Int64, hosts: int, beside: Sequence[Snapshot]) -> tuple[Int64, Float64]:
    """Rough offsets of the hosts, and what each one's uncertainty holds of its own: the greatest told."""
    level, own = np.zeros(hosts, np.int64), np.full(hosts, np.nan)
    for snapshot in beside:
        inside = snapshot.hosts < len(row)
        rows = np.where(inside, row[np.where(inside, snapshot.hosts, 0)], -1)
        here = rows >= 0
        moved = np.rint(snapshot.host_drift[here] / 1e15 * (at_ns - snapshot.at_ns)).astype(np.int64)
        level[rows[here]] = snapshot.host_offset_ns[here] + moved
        kept = snapshot.host_own[here]
        own[rows[here]] = np.fmax(own[rows[here]], np.where(kept >= UNBOUNDED, np.nan, kept / 1e3))
    return level, own
