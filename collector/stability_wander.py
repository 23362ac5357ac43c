"""How far a clock strays: MTIE, TIE rms, max|TE|, constant and dynamic time error. Pure, vectorised.

Definitions: ITU-T G.810 and G.8260 (TE x(t) = T(t) - Tref(t); TIE over tau; MTIE(n tau0) the largest peak-to-peak of
any n + 1 neighbours). Unknown points (NaN) are passed over, so with gaps MTIE is told of the points there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from noonmark.collector.estimate import Float64


@dataclass(frozen=True, slots=True)
class TimeError:
    """Of one stretch of time, in the unit of the input."""

    largest: float
    """max|TE|."""
    constant: float
    """cTE: the mean over the stretch."""
    peak_to_peak: float
    """Of the dynamic time error, TE - cTE."""
    standard_deviation: float


def time_error(phase: Float64) -> TimeError:
    """Of the known points. Raises ValueError if there is none."""
    known = phase[np.isfinite(phase)]
    if not len(known):
        raise ValueError("no time error is known")
    return TimeError(
        float(np.abs(known).max()),
        float(known.mean()),
        float(known.max() - known.min()),
        float(known.std(ddof=1)) if len(known) > 1 else 0.0,
    )


def mtie(phase: Float64, factors: Sequence[int]) -> Float64:
    """MTIE at observation intervals of each factor times the step, same unit as `phase`; NaN where none fits.

    Each takes time in proportion to the samples, whatever the interval.
    """
    unknown = ~np.isfinite(phase)
    for_highest = np.where(unknown, -np.inf, phase)
    for_lowest = np.where(unknown, np.inf, phase)
    found = np.full(len(factors), np.nan)
    for place, factor in enumerate(factors):
        size = factor + 1
        if size > len(phase):
            continue
        # A filter's window is centred: the runs that lie wholly inside begin half a window in.
        inside = slice(size // 2, size // 2 + len(phase) - size + 1)
        spread = maximum_filter1d(for_highest, size)[inside] - minimum_filter1d(for_lowest, size)[inside]
        spread = spread[np.isfinite(spread)]
        if len(spread):
            found[place] = spread.max()
    return found


def tie_rms(phase: Float64, factors: Sequence[int]) -> Float64:
    """Root mean square of x(t + tau) - x(t) at each interval; NaN where none fits."""
    found = np.full(len(factors), np.nan)
    for place, factor in enumerate(factors):
        intervals = phase[factor:] - phase[: max(0, len(phase) - factor)]
        intervals = intervals[np.isfinite(intervals)]
        if len(intervals):
            found[place] = np.sqrt(np.mean(intervals**2))
    return found
