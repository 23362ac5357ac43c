"""From points at uneven instants, with gaps, to even steps of phase; and from that a clock's stability. Pure.

Each point is carried to the nearest even instant along its own drift, which over half a step at most is exact enough:
what a 30 ppm clock gains in the jitter between two ticks would otherwise look like noise. Even instants without a point
within half a step are unknown (NaN), never made up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.stability import Deviations, Statistic, deviations, octaves
from noonmark.collector.stability_confidence import ONE_SIGMA
from noonmark.collector.stability_noise import noise_types
from noonmark.collector.stability_wander import TimeError, mtie, time_error
from noonmark.collector.views import PairView


@dataclass(frozen=True, slots=True)
class Points:
    """Known time errors, N rows in order of time."""

    at_ns: Int64
    offset_ns: Int64
    drift: Float64
    largest_ns: int | None
    """Greatest certain limit, in size, of all of them; None: one has no limit."""

    def __len__(self) -> int:
        return len(self.at_ns)


@dataclass(frozen=True, slots=True)
class Phase:
    """Time error at even instants first_ns + i * step_ns; NaN: unknown."""

    first_ns: int
    step_ns: int
    offset_ns: Float64

    @property
    def missing(self) -> int:
        """How many are unknown."""
        return int(np.isnan(self.offset_ns).sum())


@dataclass(frozen=True, slots=True)
class Stability:
    """A clock over a stretch of time; rows of all deviations and of `mtie_ns` have the same averaging times."""

    phase: Phase
    error_ns: TimeError
    largest_certain_ns: int | None
    overlapping: Deviations
    modified: Deviations
    time: Deviations
    mtie_ns: Float64


def gather(points: Iterable[PairView]) -> Points:
    """Known points as columns."""
    rows = []
    largest: int | None = 0
    for point in points:
        if not point.known:
            continue
        rows.append((point.at_ns, point.offset_ns, point.drift))
        if largest is not None:
            bounded = point.lower_ns is not None and point.upper_ns is not None
            largest = max(largest, abs(point.lower_ns or 0), abs(point.upper_ns or 0)) if bounded else None
    at_ns = np.array([row[0] for row in rows], np.int64)
    order = np.argsort(at_ns, kind="stable")
    return Points(
        at_ns[order],
        np.array([row[1] for row in rows], np.int64)[order],
        np.array([row[2] for row in rows], np.float64)[order],
        largest if rows else None,
    )


def even(points: Points, step_ns: int | None = None) -> Phase:
    """Even steps; of `step_ns`, or of the points' own median distance. Raises ValueError with fewer than two points."""
    if len(points) < 2:
        raise ValueError("at least two estimates are needed")
    if step_ns is None:
        step_ns = max(1, int(np.median(np.diff(points.at_ns))))
    first_ns = int(points.at_ns[0])
    place = np.rint((points.at_ns - first_ns) / step_ns).astype(np.int64)
    away_ns = first_ns + place * step_ns - points.at_ns
    # Of two points nearest to one instant the nearer counts: written last.
    order = np.lexsort((-np.abs(away_ns), place))
    offset_ns = np.full(int(place[-1]) + 1, np.nan)
    offset_ns[place[order]] = (points.offset_ns + points.drift * away_ns)[order]
    return Phase(first_ns, step_ns, offset_ns)


def stability(points: Points, step_ns: int | None = None, *, confidence: float = ONE_SIGMA) -> Stability:
    """Everything of one clock. Raises ValueError with fewer than four points: no deviation has a term then."""
    if len(points) < 4:
        raise ValueError("at least four estimates are needed")
    phase = even(points, step_ns)
    seconds = (phase.offset_ns - np.nanmean(phase.offset_ns)) / 1e9
    tau0_s = phase.step_ns / 1e9
    factors = octaves(len(seconds))
    noise = noise_types(seconds, tau0_s, np.array(factors, np.int64))
    found = {
        statistic: deviations(seconds, tau0_s, statistic, factors=factors, noise=noise, confidence=confidence)
        for statistic in (Statistic.OVERLAPPING, Statistic.MODIFIED, Statistic.TIME)
    }
    return Stability(
        phase,
        time_error(points.offset_ns.astype(np.float64)),
        points.largest_ns,
        found[Statistic.OVERLAPPING],
        found[Statistic.MODIFIED],
        found[Statistic.TIME],
        mtie(phase.offset_ns, factors),
    )
