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

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.rowwise import by_rows

STEEPEST = 2e6
"""No honest clock gains more than 500 ppm (what adjtimex(2) allows), nor does a frame: a path may be off by four times
that from its frames; in ppb."""
ROUNDS = 40
CONVERGED_NS = 1e-4


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
        """Some of the paths."""
        return Walls(self.upper_s[choice], self.upper_ns[choice], self.lower_s[choice], self.lower_ns[choice])

    def relaxed(self, upper_slack_ns: Float64, lower_slack_ns: Float64) -> Walls:
        """Walls moved apart by so much, (P, 1) or (P, K) each."""
        return Walls(self.upper_s, self.upper_ns + upper_slack_ns, self.lower_s, self.lower_ns - lower_slack_ns)


Line = Callable[[Float64], tuple[Float64, Float64]]
"""A concave function of the slope (P,): its value (P,) and a supergradient (P,)."""


def _lowest_upper(walls: Walls, slope: Float64) -> tuple[Float64, Float64]:
    """Greatest height at time 0 that a line of this slope may have below the upper points, and its supergradient."""
    height = walls.upper_ns - slope[:, None] * walls.upper_s
    at = height.argmin(axis=1)[:, None]
    return np.take_along_axis(height, at, 1)[:, 0], -np.take_along_axis(walls.upper_s, at, 1)[:, 0]


def _highest_lower(walls: Walls, slope: Float64) -> tuple[Float64, Float64]:
    """Least height at time 0 above the lower points, and its subgradient (the function is convex)."""
    height = walls.lower_ns - slope[:, None] * walls.lower_s
    at = height.argmax(axis=1)[:, None]
    return np.take_along_axis(height, at, 1)[:, 0], -np.take_along_axis(walls.lower_s, at, 1)[:, 0]


def _width(walls: Walls, slope: Float64) -> tuple[Float64, Float64]:
    upper, upper_gradient = _lowest_upper(walls, slope)
    lower, lower_gradient = _highest_lower(walls, slope)
    return upper - lower, upper_gradient - lower_gradient


def _maximum(function: Line, low: Float64, high: Float64) -> tuple[Float64, Float64]:
    """Where a concave function is greatest between `low` and `high`, and its value there, by cutting planes."""
    low, high = low.copy(), high.copy()
    low_value, low_gradient = function(low)
    high_value, high_gradient = function(high)
    best = np.where(low_value >= high_value, low, high)
    best_value = np.maximum(low_value, high_value)
    open_ = (low_gradient > 0) & (high_gradient < 0) & (high > low)
    for _ in range(ROUNDS):
        if not open_.any():
            break
        # Where the two tangents meet lies the maximum of what is still possible.
        bend = low_gradient - high_gradient
        with np.errstate(divide="ignore", invalid="ignore"):
            trial = (high_value - low_value + low_gradient * low - high_gradient * high) / bend
        trial = np.clip(np.where(np.isfinite(trial), trial, (low + high) / 2), low, high)
        ceiling = low_value + low_gradient * (trial - low)
        value, gradient = function(trial)
        better = open_ & (value > best_value)
        best = np.where(better, trial, best)
        best_value = np.where(better, value, best_value)
        rising = open_ & (gradient > 0)
        falling = open_ & (gradient <= 0)
        open_ &= (ceiling - best_value > CONVERGED_NS) & (gradient != 0)
        low, low_value = np.where(rising, trial, low), np.where(rising, value, low_value)
        low_gradient = np.where(rising, gradient, low_gradient)
        high, high_value = np.where(falling, trial, high), np.where(falling, value, high_value)
        high_gradient = np.where(falling, gradient, high_gradient)
    return best, best_value


def _edge(function: Line, inside: Float64, outside: Float64) -> Float64:
    """The slope nearest `outside` at which a concave function, not negative at `inside`, is still not negative.

    Newton's steps from outside approach the root of a concave function from its negative side and never pass it.
    """
    slope = outside.copy()
    for _ in range(ROUNDS):
        value, gradient = function(slope)
        negative = value < -CONVERGED_NS / 10
        if not negative.any():
            break
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(negative, value / gradient, 0.0)
        towards = np.where(np.isfinite(step), slope - step, inside)
        slope = np.clip(towards, np.minimum(inside, outside), np.maximum(inside, outside))
    return slope


@dataclass(frozen=True, slots=True)
class Corridor:
    """The widest corridor of each path, P rows."""

    slope: Float64
    """Of the line with most room on both sides, ppb."""
    width_ns: Float64
    """Room between its walls, along y; negative: no line fits all probes, and the slope is the least bad."""


def widest(walls: Walls, steepest: float = STEEPEST) -> Corridor:
    """The widest corridor of P paths at once; cost O(P K) times about 10."""

    def work(rows: slice) -> tuple[Float64, ...]:
        some = walls.rows(rows)
        limit = np.full(len(some.upper_ns), steepest)
        return _maximum(lambda slope: _width(some, slope), -limit, limit)

    return Corridor(*by_rows(work, len(walls.upper_ns)))


def slope_ranges(walls: Walls, corridor: Corridor, steepest: float = STEEPEST) -> tuple[Float64, Float64]:
    """Least and greatest slope that the walls allow, ppb (P,) each; both the corridor's where no line fits."""

    def work(rows: slice) -> tuple[Float64, ...]:
        some, slope, fits = walls.rows(rows), corridor.slope[rows], corridor.width_ns[rows] >= 0
        limit = np.full(len(slope), steepest)

        def width(trial: Float64) -> tuple[Float64, Float64]:
            return _width(some, trial)

        low = np.where(fits, _edge(width, slope, -limit), slope)
        return low, np.where(fits, _edge(width, slope, limit), slope)

    low, high = by_rows(work, len(walls.upper_ns))
    return low, high


def height_ranges(walls: Walls, slope_lower: Float64, slope_upper: Float64) -> tuple[Float64, Float64]:
    """Least and greatest height at time 0 of lines between the walls with slopes in a range, ns (P,) each.

    Where no line fits, lower > upper.
    """

    def work(rows: slice) -> tuple[Float64, ...]:
        some, low, high = walls.rows(rows), slope_lower[rows], slope_upper[rows]

        def depth(trial: Float64) -> tuple[Float64, Float64]:
            value, gradient = _highest_lower(some, trial)
            return -value, -gradient

        _, upper = _maximum(lambda trial: _lowest_upper(some, trial), low, high)
        return -_maximum(depth, low, high)[1], upper

    lower, upper = by_rows(work, len(walls.upper_ns))
    return lower, upper
