"""From knots to straight lines: everything about one host in one interval, linear in reference time. Pure.

S knots make S + 1 intervals: number 0 lies before the first knot, number S after the last, number k between knots k - 1
and k. All arrays of lines have shape (H, S + 1), H hosts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import UNBOUNDED_NS, Bool, FleetEstimate, Float64, Int64

WANDER = 1e-8
"""Standard uncertainty of a clock's rate where it is no longer measured; common practice for quartz, no source."""
UNEXPLAINED = 6.0
"""So many standard uncertainties of unexplained movement between two knots are called a step."""


@dataclass(frozen=True, slots=True)
class ClockKnots:
    """What is known at knots: H rows a host, S columns a knot."""

    at_ns: Int64
    """(S,) reference time, never decreasing; equal neighbours are the two sides of a step."""
    offset_ns: Int64
    drift: Float64
    uncertainty_ns: Float64
    """Standard; infinite where nothing is known."""
    drift_uncertainty: Float64
    lower_ns: Int64
    upper_ns: Int64
    gap: Bool
    """(S - 1,): nothing was measured between this knot and the next."""

    def check(self, hosts: int) -> None:
        """Raise ValueError unless the arrays fit together."""
        knots = len(self.at_ns)
        if knots < 1 or np.any(np.diff(self.at_ns) < 0):
            raise ValueError("knots must be in order of time, and there must be one")
        for name in ("offset_ns", "drift", "uncertainty_ns", "drift_uncertainty", "lower_ns", "upper_ns"):
            if getattr(self, name).shape != (hosts, knots):
                raise ValueError(f"{name} must have a row for each of {hosts} hosts and a column for each knot")
        if self.gap.shape != (knots - 1,):
            raise ValueError("gap must have one value for each stretch between two knots")

    @classmethod
    def from_estimates(
        cls, estimates: Sequence[FleetEstimate], hosts: Sequence[str], gap_ns: int | None = None
    ) -> ClockKnots:
        """Some hosts' rows of estimates in order of time; a host that an estimate lacks is unknown at its knot."""
        shape = (len(hosts), len(estimates))
        offset, drift = np.zeros(shape, np.int64), np.zeros(shape)
        uncertainty, drift_uncertainty = np.full(shape, np.inf), np.full(shape, np.inf)
        lower, upper = np.full(shape, -UNBOUNDED_NS), np.full(shape, UNBOUNDED_NS)
        for column, estimate in enumerate(estimates):
            place = {host: row for row, host in enumerate(estimate.hosts)}
            rows = [row for row, host in enumerate(hosts) if host in place]
            source = [place[hosts[row]] for row in rows]
            offset[rows, column] = estimate.offset_ns[source]
            drift[rows, column] = estimate.drift[source]
            uncertainty[rows, column] = estimate.uncertainty_ns[source]
            drift_uncertainty[rows, column] = estimate.drift_uncertainty[source]
            lower[rows, column] = estimate.lower_ns[source]
            upper[rows, column] = estimate.upper_ns[source]
        at_ns = np.array([estimate.at_ns for estimate in estimates], np.int64)
        steps = np.diff(at_ns)
        usual = int(np.median(steps)) if len(steps) else 0
        return cls(
            at_ns, offset, drift, uncertainty, drift_uncertainty, lower, upper, steps > (gap_ns or max(3 * usual, 1))
        )


@dataclass(frozen=True, slots=True)
class ClockLines:
    """Straight lines, (H, S + 1); x(T) = offset_base + (T - time_base) * slope, and so for the others."""

    at_ns: Int64
    """(S,) knots."""
    clock_ns: Int64
    """(H, S): what each host's clock shows at the knots."""
    time_base_ns: Int64
    """(S + 1,)"""
    clock_base_ns: Int64
    offset_base_ns: Int64
    lag: Float64
    """How far x moves for each nanosecond that the host's clock shows."""
    drift_outside: Float64
    """Slope of x before the first and after the last knot; 0 between."""
    lower_base_ns: Int64
    upper_base_ns: Int64
    lower_slope: Float64
    upper_slope: Float64
    uncertainty_base_ns: Float64
    uncertainty_slope: Float64
    jump_ns: Float64
    """Of the uncertainty at the base: how much is for a step that lies somewhere within the interval."""
    known: Bool

    def limits(self, host: Int64, interval: Int64, at_ns: Int64) -> tuple[Int64, Int64]:
        """(lower, upper) limits of x for rows of host, interval, instant."""
        cell = host * self.known.shape[1] + interval
        away = at_ns - self.time_base_ns[interval]
        lower = _moved(self.lower_base_ns, self.lower_slope, cell, away, np.floor)
        return lower, _moved(self.upper_base_ns, self.upper_slope, cell, away, np.ceil)

    def uncertainty(self, host: Int64, interval: Int64, at_ns: Int64) -> Float64:
        """Standard uncertainty of x for rows of host, interval, instant."""
        cell = host * self.known.shape[1] + interval
        slope: Float64 = self.uncertainty_slope.ravel()[cell]
        slope *= at_ns - self.time_base_ns[interval]
        slope += self.uncertainty_base_ns.ravel()[cell]
        return slope


def _moved(base: Int64, slope: Float64, cell: Int64, away: Int64, rounding: np.ufunc) -> Int64:
    steepness = slope.ravel()[cell]
    found: Int64 = base.ravel()[cell]
    if steepness.any():
        found += rounding(away * steepness).astype(np.int64)
    return found


def lines_of(knots: ClockKnots, drift_limit: float) -> ClockLines:
    """Join the knots; see this module's docstring for the numbering of intervals."""
    known = np.isfinite(knots.uncertainty_ns)
    at_ns = knots.at_ns
    span = np.diff(at_ns).astype(np.float64)  # (S - 1,)
    slope = np.divide(np.diff(knots.offset_ns, axis=1), span, out=np.zeros_like(knots.drift[:, 1:]), where=span > 0)
    slope = np.concatenate([knots.drift[:, :1], slope, knots.drift[:, -1:]], axis=1)
    # Where the clock was set, the interval is no line: all its readings belong to one end. A rate below zero is a step.
    step = np.concatenate([[False], span == 0, [False]]) | (slope < -0.5)
    uncertainty, uncertainty_slope, jump = _uncertainty_lines(knots, span, slope)
    lower, upper, outward = _limit_lines(knots, known, drift_limit)
    drifting = np.concatenate([knots.drift[:, :1], np.zeros_like(slope[:, 1:-1]), knots.drift[:, -1:]], axis=1)
    return ClockLines(
        at_ns=at_ns,
        clock_ns=at_ns + knots.offset_ns,
        time_base_ns=np.concatenate([at_ns[:1], at_ns]),
        clock_base_ns=_base(at_ns + knots.offset_ns),
        offset_base_ns=_base(knots.offset_ns),
        lag=np.where(step, 1.0, slope / (1.0 + np.where(step, 0.0, slope))),
        drift_outside=drifting,
        lower_base_ns=lower,
        upper_base_ns=upper,
        lower_slope=np.where(lower <= -UNBOUNDED_NS, 0.0, drifting - outward),
        upper_slope=np.where(upper >= UNBOUNDED_NS, 0.0, drifting + outward),
        uncertainty_base_ns=uncertainty,
        uncertainty_slope=uncertainty_slope,
        jump_ns=jump,
        known=_both(known),
    )


def _base(values: Int64) -> Int64:
    """The knot from which each interval is reckoned: the one before it, or the first."""
    return np.concatenate([values[:, :1], values], axis=1)


def _both(values: Bool) -> Bool:
    """True for intervals whose ends (or one end, for the outer two) are true."""
    return np.concatenate([values[:, :1], values[:, :-1] & values[:, 1:], values[:, -1:]], axis=1)


def _limit_lines(knots: ClockKnots, known: Bool, drift_limit: float) -> tuple[Int64, Int64, Float64]:
    """Lower and upper limits at each interval's base, and how fast they part (only outside the knots)."""
    lower = np.where(known, knots.lower_ns, -UNBOUNDED_NS)
    upper = np.where(known, knots.upper_ns, UNBOUNDED_NS)
    lower = np.concatenate([lower[:, :1], np.minimum(lower[:, :-1], lower[:, 1:]), lower[:, -1:]], axis=1)
    upper = np.concatenate([upper[:, :1], np.maximum(upper[:, :-1], upper[:, 1:]), upper[:, -1:]], axis=1)
    outward = np.zeros(lower.shape)
    outward[:, 0], outward[:, -1] = -drift_limit, drift_limit  # before the first knot, time away is negative
    return lower, upper, outward


def _uncertainty_lines(knots: ClockKnots, span: Float64, slope: Float64) -> tuple[Float64, Float64, Float64]:
    """Standard uncertainty at each interval's base (infinite: an end is unknown), its slope, its part for a step."""
    sigma = knots.uncertainty_ns
    finite = np.isfinite(sigma)
    safe = np.where(finite, sigma, 0.0)
    explained = np.abs(slope[:, 1:-1] - (knots.drift[:, :-1] + knots.drift[:, 1:]) / 2) * span
    jumped = np.where(span == 0, 0.0, explained) > UNEXPLAINED * (safe[:, :-1] + safe[:, 1:])
    extra = np.where(jumped, explained / np.sqrt(12.0), 0.0)
    inner = np.divide(np.diff(safe, axis=1), span, out=np.zeros_like(extra), where=span > 0)
    growth = np.where(np.isfinite(knots.drift_uncertainty), knots.drift_uncertainty, 0.0) + WANDER
    base = np.concatenate([safe[:, :1], safe[:, :-1] + extra, safe[:, -1:]], axis=1)
    base = np.where(_both(finite), base, np.inf)
    slopes = np.concatenate([-growth[:, :1], inner, growth[:, -1:]], axis=1)
    outside = np.zeros((len(extra), 1))
    return base, np.where(_both(finite), slopes, 0.0), np.concatenate([outside, extra, outside], axis=1)


def fill_gaps(knots: ClockKnots, drift_limit: float) -> tuple[ClockKnots, Int64]:
    """Put a knot into the middle of every gap, with limits and uncertainty as old as that is from both ends.

    Returns the knots and, for each, which of the given ones it is (-1: a new one).
    """
    gaps = np.flatnonzero(knots.gap)
    original = np.insert(np.arange(len(knots.at_ns)), gaps + 1, -1)
    if not len(gaps):
        return knots, original
    left, right = gaps, gaps + 1
    half = ((knots.at_ns[right] - knots.at_ns[left]) // 2).astype(np.float64)
    lower_left, upper_left = _aged(knots, left, half, drift_limit)
    lower_right, upper_right = _aged(knots, right, -half, drift_limit)
    lower, upper = np.maximum(lower_left, lower_right), np.minimum(upper_left, upper_right)
    torn = lower > upper  # the two ends contradict each other: the clock was set in between, so either may hold
    lower = np.where(torn, np.minimum(lower_left, lower_right), lower)
    upper = np.where(torn, np.maximum(upper_left, upper_right), upper)
    growth = np.maximum(knots.drift_uncertainty[:, left], knots.drift_uncertainty[:, right]) + WANDER
    sigma = np.maximum(knots.uncertainty_ns[:, left], knots.uncertainty_ns[:, right]) + growth * half

    def insert(values: Float64, new: Float64) -> Float64:
        return np.insert(values, gaps + 1, new, axis=1)

    middle = (knots.offset_ns[:, left] + knots.offset_ns[:, right]) // 2
    return (
        ClockKnots(
            at_ns=np.insert(knots.at_ns, gaps + 1, knots.at_ns[left] + half.astype(np.int64)),
            offset_ns=np.insert(knots.offset_ns, gaps + 1, middle, axis=1),
            drift=insert(knots.drift, (knots.drift[:, left] + knots.drift[:, right]) / 2),
            uncertainty_ns=insert(knots.uncertainty_ns, sigma),
            drift_uncertainty=insert(knots.drift_uncertainty, growth),
            lower_ns=np.insert(knots.lower_ns, gaps + 1, lower, axis=1),
            upper_ns=np.insert(knots.upper_ns, gaps + 1, upper, axis=1),
            gap=np.insert(knots.gap, gaps + 1, True),
        ),
        original,
    )


def _aged(knots: ClockKnots, column: Int64, away: Float64, drift_limit: float) -> tuple[Int64, Int64]:
    """Limits of some knots, as old as `away` (ns, negative: backwards in time)."""
    drifted, wide = knots.drift[:, column] * away, drift_limit * np.abs(away)
    lower = knots.lower_ns[:, column] + np.floor(drifted - wide).astype(np.int64)
    upper = knots.upper_ns[:, column] + np.ceil(drifted + wide).astype(np.int64)
    return (
        np.where(knots.lower_ns[:, column] <= -UNBOUNDED_NS, -UNBOUNDED_NS, lower),
        np.where(knots.upper_ns[:, column] >= UNBOUNDED_NS, UNBOUNDED_NS, upper),
    )


def intervals_of(knots: Int64, at_ns: Int64) -> Int64:
    """Number of the interval of each instant: how many knots lie at or before it.

    Sought among those knots only that the instants span, which for a stretch of a log are few.
    """
    if not len(at_ns):
        return np.zeros(0, np.int64)
    first, last = np.searchsorted(knots, [at_ns.min(), at_ns.max()], side="right")
    if first == last:
        return np.full(len(at_ns), first)
    found: Int64 = np.searchsorted(knots[first:last], at_ns, side="right")
    found += first
    return found
