"""Many moments of one series to a few line segments that claim less. Pure.

A segment is two moments, the first marked JOINED: between them the offset is the straight line. It is made so that
nothing it says is surer than what the full detail said at the same instant:

- the line stays within `error_ns` of every offset it replaces, and the largest deviation is added to the uncertainty;
- its limits lie as far from the line as the furthest of all limits that the full detail would have given anywhere
  within (at the ticks and between them, see history_interpolation.py).

A segment never crosses a gap, a change of state, or limits that grow by more than a factor, so that one bad tick does
not spoil its whole hour.
"""

from __future__ import annotations

import itertools

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.history_columns import (
    COMMON,
    COMPONENT,
    DRIFT,
    DRIFT_UNCERTAINTY,
    EFFECT,
    HOSTS,
    JOINED,
    LOWER,
    NEWEST,
    OFFSET,
    PROBES,
    ROUND_TRIP,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    Kind,
    known,
)

GROWTH = 3.0
"""A segment ends where its limits or its uncertainty would become this many times the least within it."""


def thin(
    at_ns: Int64, matrix: Int64, kind: Kind, *, reach_ns: int, error_ns: float, share: float = 0.5
) -> tuple[Int64, Int64]:
    """Segments of the moments (T,), (C, T), in order of time; moments already thinned (JOINED) are left as they are.

    The line may deviate by `error_ns`, or by `share` of the standard uncertainty where that is more.
    """
    if len(at_ns) == 0 or (matrix[kind.flags] & JOINED).any():
        return at_ns, matrix
    hull = _Hull.of(at_ns, matrix, reach_ns)
    kept_at: list[int] = []
    kept: list[Int64] = []
    for start, stop in _runs(at_ns, matrix, kind, reach_ns):
        here = start
        while here < stop:
            end, slope = _furthest(at_ns, matrix, hull, here, stop, error_ns, share)
            for moment, column in _segment(at_ns, matrix, hull, here, end, slope, kind):
                kept_at.append(moment)
                kept.append(column)
            here = end
    return np.array(kept_at, np.int64), np.stack(kept, axis=1)


class _Hull:
    """At each moment: the limits and the uncertainty that the full detail gives there and right beside it."""

    def __init__(self, lower: Float64, upper: Float64, uncertainty: Float64) -> None:
        self.lower = lower
        self.upper = upper
        self.uncertainty = uncertainty

    @classmethod
    def of(cls, at_ns: Int64, matrix: Int64, reach_ns: int) -> _Hull:
        """Floats relative to each moment's own offset, ns; infinite where there is none."""
        offset = matrix[OFFSET]
        lower = np.where(matrix[LOWER] <= -UNBOUNDED, -np.inf, (matrix[LOWER] - offset).astype(np.float64))
        upper = np.where(matrix[UPPER] >= UNBOUNDED, np.inf, (matrix[UPPER] - offset).astype(np.float64))
        variance = np.where(matrix[UNCERTAINTY] >= UNBOUNDED, np.inf, (matrix[UNCERTAINTY] / 1e3) ** 2)
        apart = np.diff(at_ns).astype(np.float64)
        near = apart <= reach_ns
        step = np.diff(offset).astype(np.float64)
        ahead = step - matrix[DRIFT][:-1] / 1e15 * apart  # offset of the next moment beyond the line through this one
        behind = step - matrix[DRIFT][1:] / 1e15 * apart
        low, high, most = lower.copy(), upper.copy(), variance.copy()
        # This moment's limits, carried to the next one and seen from there; then the next one's, carried back to here.
        low[1:] = np.where(near, np.minimum(low[1:], lower[:-1] - ahead), low[1:])
        high[1:] = np.where(near, np.maximum(high[1:], upper[:-1] - ahead), high[1:])
        low[:-1] = np.where(near, np.minimum(low[:-1], lower[1:] + behind), low[:-1])
        high[:-1] = np.where(near, np.maximum(high[:-1], upper[1:] + behind), high[:-1])
        pair = np.maximum(variance[1:], variance[:-1]) + np.maximum(np.abs(ahead), np.abs(behind)) ** 2 / 12.0
        most[1:] = np.where(near, np.maximum(most[1:], pair), most[1:])
        most[:-1] = np.where(near, np.maximum(most[:-1], pair), most[:-1])
        return cls(low, high, np.sqrt(most))


def _runs(at_ns: Int64, matrix: Int64, kind: Kind, reach_ns: int) -> list[tuple[int, int]]:
    """Stretches [start, stop) without a gap or a change of state; a moment that tells no offset stands alone."""
    breaks: Bool = np.diff(at_ns) > reach_ns
    breaks |= np.diff(matrix[kind.flags]) != 0
    if kind is HOSTS:
        breaks |= np.diff(matrix[COMPONENT]) != 0
    for row in (LOWER, UPPER):
        breaks |= np.diff((np.abs(matrix[row]) >= UNBOUNDED).astype(np.int8)) != 0
    told = known(matrix, kind)
    breaks |= told[1:] != told[:-1]
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(at_ns)]
    return list(itertools.pairwise(edges))


def _furthest(
    at_ns: Int64, matrix: Int64, hull: _Hull, start: int, stop: int, error_ns: float, share: float
) -> tuple[int, float]:
    """The longest stretch from `start` that one line through its first offset can stand for: (end, slope)."""
    uncertainty = hull.uncertainty[start:stop]
    if stop - start == 1 or not np.isfinite(uncertainty).all():
        return stop, 0.0
    since = (at_ns[start + 1 : stop] - at_ns[start]).astype(np.float64)
    rise = (matrix[OFFSET][start + 1 : stop] - matrix[OFFSET][start]).astype(np.float64)
    tolerance = np.maximum(error_ns, share * np.minimum.accumulate(uncertainty))[1:]
    steepest = np.minimum.accumulate((rise + tolerance) / since)
    flattest = np.maximum.accumulate((rise - tolerance) / since)
    bad = flattest > steepest
    for values in (uncertainty, -hull.lower[start:stop], hull.upper[start:stop]):
        if np.isfinite(values).all():
            size = np.abs(values) + error_ns
            bad |= (np.maximum.accumulate(size) > GROWTH * np.minimum.accumulate(size))[1:]
    broken = np.flatnonzero(bad)
    count = int(broken[0]) if len(broken) else len(bad)
    return start + 1 + count, float(flattest[count - 1] + steepest[count - 1]) / 2 if count else 0.0


def _segment(
    at_ns: Int64, matrix: Int64, hull: _Hull, start: int, end: int, slope: float, kind: Kind
) -> list[tuple[int, Int64]]:
    """One or two moments that stand for [start, end): the line from the first offset with this slope."""
    rows = slice(start, end)
    first, last = matrix[:, start].copy(), matrix[:, end - 1].copy()
    since = (at_ns[rows] - at_ns[start]).astype(np.float64)
    rise = (matrix[OFFSET][rows] - first[OFFSET]).astype(np.float64)
    last[OFFSET] = first[OFFSET] + round(slope * since[-1])
    line = since * (float(last[OFFSET] - first[OFFSET]) / max(since[-1], 1.0))
    deviation = rise - line
    below = float(np.floor((deviation + hull.lower[rows]).min()))
    above = float(np.ceil((deviation + hull.upper[rows]).max()))
    uncertainty = float(np.hypot(hull.uncertainty[rows].max(), np.abs(deviation).max()))
    for moment in (first, last):
        moment[LOWER] = moment[OFFSET] + int(below) if np.isfinite(below) else -UNBOUNDED
        moment[UPPER] = moment[OFFSET] + int(above) if np.isfinite(above) else UNBOUNDED
        moment[UNCERTAINTY] = int(np.ceil(uncertainty * 1e3)) if np.isfinite(uncertainty) else UNBOUNDED
    _summarise_rest(first, last, at_ns[rows], matrix[:, rows], kind)
    if end - start == 1:
        return [(int(at_ns[start]), first)]
    first[kind.flags] |= JOINED
    return [(int(at_ns[start]), first), (int(at_ns[end - 1]), last)]


def _summarise_rest(first: Int64, last: Int64, at_ns: Int64, matrix: Int64, kind: Kind) -> None:
    """What stands beside the offset: the least good of all, at both ends."""
    worst = matrix[COMMON:].max(axis=1)
    for moment, instant in ((first, at_ns[0]), (last, at_ns[-1])):
        if kind is HOSTS:
            spread = int(np.abs(matrix[DRIFT] - moment[DRIFT]).max())
            own = int(worst[DRIFT_UNCERTAINTY - COMMON])
            moment[DRIFT_UNCERTAINTY] = own if own >= UNBOUNDED else max(own, spread)
            heard = matrix[NEWEST] > 0
            age = int((at_ns - matrix[NEWEST])[heard].max()) if heard.any() else 0
            moment[NEWEST] = int(instant) - age if heard.all() else 0
        else:
            moment[EFFECT] = worst[EFFECT - COMMON]
            moment[ROUND_TRIP] = matrix[ROUND_TRIP].min()
            moment[PROBES] = matrix[PROBES].min()
