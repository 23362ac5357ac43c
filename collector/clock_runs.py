"""Readings of a clock in rising order, a few intervals of its lines at a time. Pure.

A stretch of a log mostly rises and lies within a few intervals. Then each interval's readings are one slice, its line
is a handful of plain numbers, and nothing has to be gathered row by row.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.clock_knowledge import HostTimes
from noonmark.collector.clock_lines import ClockLines
from noonmark.collector.estimate import UNBOUNDED_NS, Int64

LEAST_A_RUN = 32
"""With fewer readings in an interval, on average, slices do not pay."""


def runs_of(knots: Int64, readings: Int64) -> list[tuple[int, int, int]] | None:
    """(interval, begin, end) of each interval's readings; None if they fall somewhere or lie in too many intervals."""
    count = len(readings)
    if count < LEAST_A_RUN:
        return None
    first, last = np.searchsorted(knots, readings[[0, -1]], side="right").tolist()
    if last < first or (last - first + 1) * LEAST_A_RUN > count or (readings[1:] < readings[:-1]).any():
        return None
    cuts = [0, *np.searchsorted(readings, knots[first:last], side="left").tolist(), count]
    return [(first + place, cuts[place], cuts[place + 1]) for place in range(last - first + 1)]


def times_by_runs(
    lines: ClockLines, host: int, readings: Int64, runs: list[tuple[int, int, int]], *, uncertainty: bool
) -> HostTimes:
    """What `ClockTable.host_times` answers; without `uncertainty` that is left out (infinite)."""
    reference = np.empty_like(readings)
    sigma = np.empty(len(readings)) if uncertainty else np.broadcast_to(np.inf, len(readings))
    earliest, latest = np.empty_like(readings), np.empty_like(readings)
    known = np.empty(len(readings), np.bool_)
    for interval, begin, end in runs:
        rows = slice(begin, end)
        own = readings[rows]
        known[rows] = is_known = bool(lines.known[host, interval])
        np.subtract(own, int(lines.offset_base_ns[host, interval]) if is_known else 0, out=reference[rows])
        lag = float(lines.lag[host, interval]) if is_known else 0.0
        if lag:
            since = own - int(lines.clock_base_ns[host, interval])
            reference[rows] -= np.rint(since * lag).astype(np.int64)
        _limits(lines, host, interval, own, reference[rows], earliest[rows], latest[rows])
        if uncertainty:
            slope = float(lines.uncertainty_slope[host, interval])
            base = float(lines.uncertainty_base_ns[host, interval])
            away = reference[rows] - int(lines.time_base_ns[interval]) if slope else 0
            sigma[rows] = base + slope * away
    return HostTimes(reference, sigma, earliest, latest, known)


def _limits(
    lines: ClockLines, host: int, interval: int, readings: Int64, reference: Int64, earliest: Int64, latest: Int64
) -> None:
    """Fill in when the clock showed the readings at the earliest and at the latest."""
    time_base = int(lines.time_base_ns[interval])
    lower, upper = int(lines.lower_base_ns[host, interval]), int(lines.upper_base_ns[host, interval])
    if upper >= UNBOUNDED_NS:
        earliest.fill(-UNBOUNDED_NS)
    else:
        slope = float(lines.upper_slope[host, interval])
        np.subtract(readings, upper, out=earliest)
        if slope:
            earliest -= np.ceil((reference - time_base) * slope).astype(np.int64)
    if lower <= -UNBOUNDED_NS:
        latest.fill(UNBOUNDED_NS)
    else:
        slope = float(lines.lower_slope[host, interval])
        np.subtract(readings, lower, out=latest)
        if slope:
            latest -= np.floor((reference - time_base) * slope).astype(np.int64)
