"""The corridor of a path: what its probes alone prove, and what they suggest. Pure; knows nothing of the fleet.

Every probe gives an upper and a lower limit of y(t) = x_second(t) - x_first(t); with both clocks straight lines within
the window, y is a line below all upper and above all lower points. All questions here are small linear programmes in
the line's slope and height, and all are concave in the slope alone, so they are answered for all paths at once by
cutting planes on (P, K) arrays. (Lower envelope by linear programme: Moon, Skelly, Towsley, INFOCOM 1999; here
both envelopes share one slope.)

Units: time in seconds, y in nanoseconds, so a slope is in ns/s, parts per billion.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.rowwise import by_rows

STEEPEST = 2e6
"""No honest clock gains more than 500 ppm (what adjtimex(2) allows), nor does a frame: a path may be off by four times
that from its frames; in ppb."""
ROUNDS = 40
CONVERGED_NS = 1e-4
CROWD = 0.75
"""Paths that are done are carried along until so few are left."""


@dataclass(frozen=True, slots=True)
class Walls:
    """Upper and lower points of P paths, K slots each; unused slots hold +inf above, -inf below, and time 0."""

    upper_s: Float64
    upper_ns: Float64
    lower_s: Float64
    lower_ns: Float64

    def shifted(self, seconds: float | Float64) -> Walls:
        """The same points with time counted from `seconds` (scalar, or (P, 1))."""
        return Walls(self.upper_s - seconds, self.upper_ns, self.lower_s - seconds, self.lower_ns)

    def rows(self, choice: slice | Int64 | Bool) -> Walls:
        """Some of the paths; they lie in memory as all did."""
        sides = (self.upper_s, self.upper_ns, self.lower_s, self.lower_ns)
        if isinstance(choice, slice):
            return Walls(*(side[choice] for side in sides))
        rows = np.flatnonzero(choice) if choice.dtype == np.bool_ else choice
        return Walls(*(side.T.take(rows, axis=1).T if side.flags.f_contiguous else side[rows] for side in sides))

    def relaxed(self, upper_slack_ns: Float64, lower_slack_ns: Float64) -> Walls:
        """Walls moved apart by so much, (P, 1) or (P, K) each."""
        return Walls(self.upper_s, self.upper_ns + upper_slack_ns, self.lower_s, self.lower_ns - lower_slack_ns)


Range = tuple[Float64, Float64]


class Line(Protocol):
    """A concave function of the slope for each of P paths."""

    def __call__(self, slope: Float64) -> tuple[Float64, Float64]:
        """Its values (P,) at slopes (P,), and supergradients (P,) there."""

    def of(self, paths: Int64) -> Line:
        """The functions of some of the paths."""


@dataclass(frozen=True, slots=True)
class _Above:
    """Greatest height at time 0 that a line may have below the upper points; (K, P) each."""

    seconds: Float64
    height: Float64

    def __call__(self, slope: Float64) -> tuple[Float64, Float64]:
        left = self.seconds * slope
        np.subtract(self.height, left, out=left)
        least = left.min(axis=0)
        # Of several points that it may touch any will do.
        return least, -np.where(left == least, self.seconds, np.inf).min(axis=0)

    def of(self, paths: Int64) -> _Above:
        return _Above(self.seconds.take(paths, axis=1), self.height.take(paths, axis=1))


@dataclass(frozen=True, slots=True)
class _Below:
    """Depth below 0, at time 0, that a line may have above the lower points; (K, P) each."""

    seconds: Float64
    height: Float64

    def __call__(self, slope: Float64) -> tuple[Float64, Float64]:
        left = self.seconds * slope
        left -= self.height
        least = left.min(axis=0)
        return least, np.where(left == least, self.seconds, np.inf).min(axis=0)

    def of(self, paths: Int64) -> _Below:
        return _Below(self.seconds.take(paths, axis=1), self.height.take(paths, axis=1))


@dataclass(frozen=True, slots=True)
class _Width:
    """Room between the walls."""

    above: _Above
    below: _Below

    def __call__(self, slope: Float64) -> tuple[Float64, Float64]:
        upper, upper_gradient = self.above(slope)
        depth, depth_gradient = self.below(slope)
        return upper + depth, upper_gradient + depth_gradient

    def of(self, paths: Int64) -> _Width:
        return _Width(self.above.of(paths), self.below.of(paths))


def _lines(walls: Walls) -> _Width:
    """The walls, a slot a row."""
    columns = (np.ascontiguousarray(side.T) for side in (walls.upper_s, walls.upper_ns, walls.lower_s, walls.lower_ns))
    upper_s, upper_ns, lower_s, lower_ns = columns
    return _Width(_Above(upper_s, upper_ns), _Below(lower_s, lower_ns))


def _maximum(function: Line, low: Float64, high: Float64, near: Range | None = None) -> tuple[Float64, Float64]:
    """Where a concave function is greatest between `low` and `high`, and its value there, by cutting planes.

    `near` is where it is likely to be; where it is not, the whole range is searched.
    """
    left, right = _bracket(function, low, high, near)
    best = np.where(left[1] >= right[1], left[0], right[0])
    best_value = np.maximum(left[1], right[1])
    open_ = np.flatnonzero((left[2] > 0) & (right[2] < 0) & (right[0] > left[0]))
    # Only paths that are still open are looked at further.
    left, right = left.take(open_, axis=1), right.take(open_, axis=1)
    seen = np.arange(len(low))
    for _ in range(ROUNDS):
        if len(open_) == 0:
            break
        if len(open_) < CROWD * len(seen):
            function, seen = function.of(np.searchsorted(seen, open_)), open_
        # Where the two tangents meet lies the maximum of what is still possible.
        bend = left[2] - right[2]
        with np.errstate(divide="ignore", invalid="ignore"):
            trial = (right[1] - left[1] + left[2] * left[0] - right[2] * right[0]) / bend
        trial = np.clip(np.where(np.isfinite(trial), trial, (left[0] + right[0]) / 2), left[0], right[0])
        ceiling = left[1] + left[2] * (trial - left[0])
        if len(open_) == len(seen):
            value, gradient = function(trial)
        else:
            among = np.searchsorted(seen, open_)
            whole = np.zeros(len(seen))
            whole[among] = trial
            value, gradient = (answer[among] for answer in function(whole))
        better = value > best_value[open_]
        best[open_[better]], best_value[open_[better]] = trial[better], value[better]
        point = np.stack([trial, value, gradient])
        rising = gradient > 0
        left, right = np.where(rising, point, left), np.where(rising, right, point)
        more = np.flatnonzero((ceiling - best_value[open_] > CONVERGED_NS) & (gradient != 0))
        if len(more) < len(open_):
            open_, left, right = open_[more], left.take(more, axis=1), right.take(more, axis=1)
    return best, best_value


def _bracket(function: Line, low: Float64, high: Float64, near: Range | None) -> tuple[Float64, Float64]:
    """Points on both sides of the maximum: slope, value and gradient (3, P) each; best near each other."""
    if near is None:
        return np.stack([low, *function(low)]), np.stack([high, *function(high)])
    inner = np.clip(near[0], low, high), np.clip(near[1], low, high)
    left, right = (np.stack([slope, *function(slope)]) for slope in inner)
    below = np.flatnonzero((left[2] <= 0) & (inner[0] > low))
    above = np.flatnonzero((right[2] >= 0) & (inner[1] < high) & (left[2] > 0))
    for rows, outer, nearest, furthest in ((below, low, right, left), (above, high, left, right)):
        if len(rows):
            nearest[:, rows] = furthest[:, rows]
            furthest[:, rows] = np.stack([outer[rows], *function.of(rows)(outer[rows])])
    return left, right


def _edge(function: Line, inside: Float64, outside: Float64) -> Float64:
    """The slope nearest `outside` at which a concave function, not negative at `inside`, is still not negative.

    Newton's steps from outside approach the root of a concave function from its negative side and never pass it.
    """
    slope = outside.copy()
    open_ = np.arange(len(slope))
    for _ in range(ROUNDS):
        value, gradient = function(slope[open_])
        negative = np.flatnonzero(value < -CONVERGED_NS / 10)
        if len(negative) == 0:
            break
        if len(negative) < len(open_):
            open_, value, gradient = open_[negative], value[negative], gradient[negative]
            function = function.of(negative)
        with np.errstate(divide="ignore", invalid="ignore"):
            towards = slope[open_] - value / gradient
        towards = np.where(np.isfinite(towards), towards, inside[open_])
        slope[open_] = np.clip(
            towards, np.minimum(inside[open_], outside[open_]), np.maximum(inside[open_], outside[open_])
        )
    return slope


@dataclass(frozen=True, slots=True)
class Corridor:
    """The widest corridor of each path, P rows."""

    slope: Float64
    """Of the line with most room on both sides, ppb."""
    width_ns: Float64
    """Room between its walls, along y; negative: no line fits all probes, and the slope is the least bad."""


def widest(walls: Walls, steepest: float = STEEPEST) -> Corridor:
    """The widest corridor of P paths at once; cost O(P K) times about 7."""

    def work(rows: slice) -> tuple[Float64, ...]:
        return _widest(_lines(walls.rows(rows)), steepest)

    return Corridor(*by_rows(work, len(walls.upper_ns)))


def _widest(width: _Width, steepest: float, near: Range | None = None) -> tuple[Float64, Float64]:
    limit = np.full(width.above.height.shape[1], steepest)
    return _maximum(width, -limit, limit, near)


def slope_ranges(walls: Walls, corridor: Corridor, steepest: float = STEEPEST) -> tuple[Float64, Float64]:
    """Least and greatest slope that the walls allow, ppb (P,) each; both the corridor's where no line fits."""

    def work(rows: slice) -> tuple[Float64, ...]:
        return _slope_range(_lines(walls.rows(rows)), corridor.slope[rows], corridor.width_ns[rows], steepest)

    low, high = by_rows(work, len(walls.upper_ns))
    return low, high


def _slope_range(width: _Width, slope: Float64, room: Float64, steepest: float) -> tuple[Float64, Float64]:
    fits = np.flatnonzero(room >= 0)
    limit = np.full(len(fits), steepest)
    some = width if len(fits) == len(slope) else width.of(fits)
    low, high = slope.copy(), slope.copy()
    low[fits] = _edge(some, slope[fits], -limit)
    high[fits] = _edge(some, slope[fits], limit)
    return low, high


def height_ranges(walls: Walls, slope_lower: Float64, slope_upper: Float64) -> tuple[Float64, Float64]:
    """Least and greatest height at time 0 of lines between the walls with slopes in a range, ns (P,) each.

    Where no line fits, lower > upper.
    """

    def work(rows: slice) -> tuple[Float64, ...]:
        return _height_range(_lines(walls.rows(rows)), slope_lower[rows], slope_upper[rows])

    lower, upper = by_rows(work, len(walls.upper_ns))
    return lower, upper


def _height_range(width: _Width, low: Float64, high: Float64) -> tuple[Float64, Float64]:
    return -_maximum(width.below, low, high)[1], _maximum(width.above, low, high)[1]


@dataclass(frozen=True, slots=True)
class Proven:
    """What the walls of P paths prove of their lines: the corridor, and ranges of slope (ppb) and height (ns)."""

    corridor: Corridor
    slope_lower: Float64
    slope_upper: Float64
    height_lower: Float64
    height_upper: Float64


def proven(
    walls_of: Callable[[slice], Walls], paths: int, near: Range | None = None, steepest: float = STEEPEST
) -> Proven:
    """`widest`, `slope_ranges` and `height_ranges` in one go, of walls that are made a block at a time.

    The widest corridor is likely to have a slope within `near` (P,); elsewhere it takes longer.
    """

    def work(rows: slice) -> tuple[Float64, ...]:
        width = _lines(walls_of(rows))
        slope, room = _widest(width, steepest, None if near is None else (near[0][rows], near[1][rows]))
        low, high = _slope_range(width, slope, room, steepest)
        return slope, room, low, high, *_height_range(width, low, high)

    slope, room, *ranges = by_rows(work, paths)
    return Proven(Corridor(slope, room), *ranges)
