"""Which power law a clock's noise follows at an averaging time. Pure, vectorised.

S_y(f) is proportional to f^alpha. From the lag-1 autocorrelation r of the phase taken at every m-th point (NIST SP 1065
section 5.5.6; Riley and Greenhall, PTTI 2004): with delta = r / (1 + r), differenced until delta < 1/4, alpha =
2 - 2 (delta + differences), rounded. Below `LEAST_POINTS` points that says little; there the slope of the modified
Allan deviation from the octave below names it (SP 1065 section 5.5: slopes -3/2, -1, -1/2, 0, +1/2).
"""

from __future__ import annotations

import enum
import math

import numpy as np

from noonmark.collector.estimate import Float64, Int64

LEAST_POINTS = 30
"""SP 1065 section 5.5.6: at least 30 points are needed."""


class NoiseType(enum.IntEnum):
    """By the exponent alpha."""

    WHITE_PM = 2
    FLICKER_PM = 1
    WHITE_FM = 0
    FLICKER_FM = -1
    RANDOM_WALK_FM = -2

    @property
    def label(self) -> str:
        """As people see it; PM: phase modulation, FM: frequency modulation."""
        words, _, kind = self.name.lower().rpartition("_")
        return f"{words.replace('_', ' ')} {kind.upper()}"


def lag_one_exponent(points: Float64) -> float | None:
    """The exponent alpha, not rounded, of phase points; None for points that do not vary or are too few.

    The differences taken are at most two, so alpha goes down to -4. A quadratic trend (a constant frequency drift) is
    taken out first.
    """
    values = _without_trend(points)
    if np.isfinite(values).sum() < LEAST_POINTS:
        return None
    for differences in range(3):
        ratio = _lag_one(values)
        if ratio is None:
            return None
        delta = ratio / (1 + ratio)
        if delta < 0.25 or differences == 2:
            return 2 - 2 * (delta + differences)
        values = np.diff(values)
    raise AssertionError("the loop ends at two differences")


def _without_trend(points: Float64) -> Float64:
    known = np.isfinite(points)
    if known.sum() < 4:
        return points
    at = np.linspace(-1.0, 1.0, len(points))
    return points - np.polyval(np.polyfit(at[known], points[known], 2), at)


def _lag_one(values: Float64) -> float | None:
    known = np.isfinite(values)
    if known.sum() < 4:
        return None
    centred = values - values[known].mean()
    power = float(np.mean(centred[known] ** 2))
    products = centred[1:] * centred[:-1]
    products = products[np.isfinite(products)]
    if power <= 0 or not len(products):
        return None
    share = len(products) / float(known.sum())  # as the sum over all products by the sum over all squares
    return float(np.mean(products)) / power * share


def slope_exponent(below: float, here: float) -> int | None:
    """alpha from two modified Allan deviations an octave apart; None where there is no slope."""
    if not (below > 0 and here > 0 and math.isfinite(below) and math.isfinite(here)):
        return None
    return round(-2 * math.log2(here / below) - 1)


def noise_types(phase: Float64, tau0_s: float, factors: Int64) -> Int64:
    """alpha at each averaging factor, between -2 and 2; white FM where nothing can be told."""
    found = np.zeros(len(factors), np.int64)
    before = int(NoiseType.WHITE_FM)
    for place, factor in enumerate(factors.tolist()):
        exact = lag_one_exponent(phase[::factor])
        alpha = round(exact) if exact is not None else slope_exponent(*_octave(phase, tau0_s, factor))
        if alpha is not None:
            before = min(max(alpha, NoiseType.RANDOM_WALK_FM), NoiseType.WHITE_PM)
        found[place] = before
    return found


def _octave(phase: Float64, tau0_s: float, factor: int) -> tuple[float, float]:
    """Modified Allan deviations at half the factor and at the factor; NaN where there is none."""
    return _modified(phase, tau0_s, factor // 2), _modified(phase, tau0_s, factor)


def _modified(phase: Float64, tau0_s: float, factor: int) -> float:
    if factor < 1 or len(phase) < 3 * factor:
        return math.nan
    sums = np.concatenate([[0.0], np.cumsum(phase)])  # a gap makes this NaN from there on: then no slope is told
    means = (sums[factor:] - sums[:-factor]) / factor
    terms = means[2 * factor :] - 2 * means[factor:-factor] + means[: -2 * factor]
    terms = terms[np.isfinite(terms)]
    return float(np.sqrt(np.mean(terms**2) / 2)) / (factor * tau0_s) if len(terms) else math.nan


def noise_name(alpha: int) -> str:
    """The noise's name."""
    return NoiseType(alpha).label
