"""How sure a deviation is: equivalent degrees of freedom, and the interval that follows. Pure, vectorised.

The mean of M squared terms z_i, each Gaussian, has 1/edf = (1/M) (1 + 2 sum_j (1 - j/M) rho_j^2), rho_j being the
terms' correlation at lag j. It follows from the power law's generalised autocovariance (C. A. Greenhall and W. J.
Riley, "Uncertainty of stability variances based on finite differences", PTTI 2003; NIST SP 1065 section 5.4.1). The sum
is taken itself here; their tables, which approximate it, are not needed. Interval: SP 1065 section 5.3.2.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import chi2

from noonmark.collector.estimate import Float64

ONE_SIGMA = math.erf(math.sqrt(0.5))
"""The trade's usual probability of an interval, 68.3 %: that of a Gaussian within one standard deviation."""
SMOOTH_LAGS = 2_000
"""Lags beyond so many are taken at wider steps where the correlation is a smooth function of the lag."""
EXACT_FILTER = 100
"""Up to this averaging factor frequencies above the sampling's are filtered exactly, from there on not at all: past it
the difference vanishes and the exact form loses digits."""
_DIFFERENCED = {0: 6.0, 1: -4.0, 2: 1.0}
"""Autocorrelation of the second difference's weights 1, -2, 1."""


def _power_law(t: Float64, alpha: int) -> Float64:
    """Generalised autocovariance of phase with S_x(f) proportional to f^(alpha - 2), up to a factor."""
    size = np.abs(t)
    power = 3 - alpha
    if power % 2:  # odd powers need no logarithm
        sign = {1: -1.0, 3: 1.0, 5: -1.0, 7: 1.0}[power]
        return np.asarray(sign * size**power)
    sign = {2: 1.0, 4: -1.0, 6: 1.0}[power]
    logarithm = np.log(np.where(size > 0, size, 1.0))
    return np.asarray(sign * size**power * logarithm)


def _filtered(t: Float64, cutoff: float, alpha: int) -> Float64:
    """The same after averaging over 1/cutoff of the averaging time: the highest frequency there is."""
    if math.isinf(cutoff):
        return _power_law(t, alpha + 2)
    step = 1 / cutoff
    return cutoff**2 * (2 * _power_law(t, alpha) - _power_law(t - step, alpha) - _power_law(t + step, alpha))


def _correlation(t: Float64, cutoff: float, alpha: int) -> Float64:
    """Of two terms (second differences) whose starts are t averaging times apart; 1 at t = 0."""

    def covariance(at: Float64) -> Float64:
        total = _DIFFERENCED[0] * _filtered(at, cutoff, alpha)
        for lag in (1, 2):
            total += _DIFFERENCED[lag] * (_filtered(at - lag, cutoff, alpha) + _filtered(at + lag, cutoff, alpha))
        return total

    return np.asarray(covariance(t) / covariance(np.zeros(1))[0])


def degrees_of_freedom(alpha: int, factor: int, terms: int, *, overlapped: bool, modified: bool) -> float:
    """Equivalent degrees of freedom of the mean of `terms` squared second differences at an averaging factor.

    `overlapped`: the terms start at every sample, else at every `factor`-th. `modified`: they are averaged over the
    averaging time. alpha from -2 to 2. At least 1 for one term.
    """
    starts = factor if overlapped else 1
    """Terms in an averaging time."""
    if terms <= 1:
        return 1.0
    if alpha == 2 and not modified:
        # Independent points: terms that share none are independent, others share at one or two averaging times.
        lags = [lag for lag in (1, 2) if lag * starts < terms]
        inverse = 1 + 2 * sum((1 - lag * starts / terms) * (_DIFFERENCED[lag] / 6.0) ** 2 for lag in lags)
        return terms / inverse
    cutoff = 1.0 if modified else float(factor) if alpha > 0 or factor <= EXACT_FILTER else math.inf
    reach = min(terms, 3 * starts)
    step = max(1, reach // SMOOTH_LAGS) if cutoff == 1.0 or math.isinf(cutoff) else 1
    lags_at = np.arange(step, reach, step, dtype=np.float64)
    squared = _correlation(lags_at / starts, cutoff, alpha) ** 2
    inverse = 1 + 2 * step * float(np.sum((1 - lags_at / terms) * squared)) + (step - 1)
    return max(1.0, terms / inverse)


def interval(deviation: float, freedom: float, confidence: float = ONE_SIGMA) -> tuple[float, float]:
    """From a sample deviation to the limits that hold the true one with that probability, equal tails."""
    if not freedom > 0 or math.isnan(freedom):
        return math.nan, math.nan
    tail = (1 - confidence) / 2
    low, high = chi2.ppf(1 - tail, freedom), chi2.ppf(tail, freedom)
    return deviation * math.sqrt(freedom / low), deviation * math.sqrt(freedom / high) if high > 0 else math.inf
