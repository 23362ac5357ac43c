"""Every path's line in, every host's line out: robust weighted least squares with learned path asymmetry. Pure.

A path's error has two parts (terms of JCGM 100, the GUM). The statistical part is what queueing left in its least
delays; the path itself shows it. The systematic part is its asymmetry: half the difference of its two one-way delays,
which no number of two-way probes of the same path can show, and which is certain only to stay within half the least
round trip. Its usual size, as a ratio to that bound, is learned from how badly the mesh closes its loops.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.network import Network, Solution, solve

PRIOR_RATIO = 0.2
"""Asymmetry's usual ratio to its bound where loops teach nothing. Common practice, no source: one-way delays of a
path seldom differ by more than a half; a rectangular distribution over the whole bound would give 0.58."""
PRIOR_FREEDOM = 2.0
"""The prior counts as much as this many independent loops."""
RATIO_RANGE = (1e-3, 0.58)
POWERS = (1.0, 0.75, 0.5, 0.25)
"""Of the half round trip, with which asymmetry may grow."""
UNLIKE = 3.0
"""By how much more likely in logarithm another power than 1 must be, for each whole one."""
SAMPLE = 20_000
"""So many edges teach as much as all."""
CLIP = 3.0
CLIPPED_NORMAL = 0.99448
"""Mean square of a standard normal variable counted as at most CLIP."""
DOUBTED = 0.05
"""Edges believed less than this teach nothing."""
ROUNDS = 6
ROUND_TOLERANCE = 1e-4
FINAL_TOLERANCE = 1e-8
CAUCHY = 2.385
HUBER = 1.5
BISQUARE = 6.0
LEAST_FACTOR = 1e-9


@dataclass(frozen=True, slots=True)
class Fit:
    """A network solved robustly: E edges, V nodes, G groups."""

    network: Network
    solution: Solution
    residual: Float64
    """(E,) what each edge says, less what the whole says of it (its group's shared effect not counted against it)."""
    variance: Float64
    """(E,) of each edge, statistical and systematic."""
    effect_variance: Float64
    """(G,) of what the paths of a group share."""
    factor: Float64
    """(E,) how far each edge is believed: 1 fully, near 0 for an outlier."""
    leverage: float
    """Mean share of an edge's own error that the fit follows, so that it does not show in its residual."""

    @property
    def potential(self) -> Float64:
        """(V,) relative to the anchors."""
        return self.solution.unknowns[: self.network.nodes]

    @property
    def deviation(self) -> Float64:
        """(E,) residuals in units of their own standard uncertainty."""
        return np.abs(self.residual) / np.sqrt(self.variance * max(1.0 - self.leverage, 1e-3))


Learn = Callable[[Float64, Float64, Float64, float], tuple[Float64, Float64]]
"""(residual, residual with the shared effect, factor, leverage) -> (variance (E,), effect variance (G,))."""


def robust_fit(
    network: Network,
    z: Float64,
    first_guess: tuple[Float64, Float64],
    learn: Learn,
    *,
    start: Float64 | None = None,
    uncertain: bool = True,
) -> Fit:
    """Solve, learn the variances from the residuals, doubt outliers, and again.

    Doubt begins mildly, for plain least squares may have drawn honest edges far off, and ends with Tukey's weights,
    which forget an outlier altogether. `learn` must not lean on edges that `factor` doubts.
    """
    variance, effect_variance = first_guess
    edges = len(z)
    factor = np.ones(edges)
    freedom = edges - network.unknowns + len(network.anchor)
    leverage = float(np.clip(1.0 - freedom / max(edges, 1), 0.0, 0.999))
    for round_ in range(ROUNDS):
        last = round_ == ROUNDS - 1
        solution = solve(
            network,
            z,
            factor / variance,
            1.0 / effect_variance,
            start=start,
            uncertain=last and uncertain,
            # Whoever does not ask for the uncertainty goes on from here.
            tolerance=FINAL_TOLERANCE if last and uncertain else ROUND_TOLERANCE,
        )
        start = solution.unknowns
        residual = z - network.fitted(start)
        if last:
            break
        whole = z - (start[network.second] - start[network.first])
        variance, effect_variance = learn(residual, whole, factor, leverage)
        deviation = np.abs(residual) / np.sqrt(variance * max(1.0 - leverage, 1e-3))
        factor = np.maximum(_belief(deviation, round_), LEAST_FACTOR)
    return Fit(network, solution, residual, variance, effect_variance, factor, leverage)


def _belief(deviation: Float64, round_: int) -> Float64:
    """How far each edge is believed, by its deviation in standard uncertainties, sterner round by round.

    Weights that forget outliers, used at once, would forget the honest edges of a node that a few outliers have drawn
    away. So the first two rounds take the fleet's usual deviation for normal, and Huber's round, the only one with a
    single answer, brings such nodes home.
    """
    if round_ < 2:
        usual = max(1.0, 1.5 * float(np.median(deviation))) if len(deviation) else 1.0
        return np.asarray(1.0 / (1.0 + (deviation / (CAUCHY * usual)) ** 2))
    if round_ == 2:
        return np.asarray(np.minimum(1.0, HUBER / np.maximum(deviation, 1e-9)))
    if round_ == 3:
        return np.asarray(1.0 / (1.0 + (deviation / CAUCHY) ** 2))
    return np.asarray(np.maximum(1.0 - np.minimum(deviation / BISQUARE, 1.0) ** 2, 0.0) ** 2)


def fit_drift(
    network: Network,
    slope: Float64,
    variance: Float64,
    start: Float64 | None = None,
    *,
    declared: int = 0,
    uncertain: bool = True,
) -> Fit:
    """Drifts from the paths' slopes; the variances' common scale is learned from the residuals.

    The last `declared` edges are no paths but what references declare of their rates: that is not for the paths'
    residuals to scale. `uncertain` as in `solve`.
    """
    paths = slice(0, len(slope) - declared)

    def learn(residual: Float64, _whole: Float64, factor: Float64, leverage: float) -> tuple[Float64, Float64]:
        freedom = len(residual) * (1.0 - leverage)
        ratio = (residual / np.sqrt(variance * max(1.0 - leverage, 1e-3)))[paths]
        some = slice(None, None, max(1, len(ratio) // SAMPLE))
        believed = ratio[some][factor[paths][some] > DOUBTED]
        scaled = variance.copy()
        scaled[paths] *= _scale(believed) ** (2 * freedom / (freedom + PRIOR_FREEDOM))
        return scaled, np.empty(0)

    return robust_fit(network, slope, (variance, np.empty(0)), learn, start=start, uncertain=uncertain)


def fit_offset(
    network: Network,
    middle: Float64,
    statistical: Float64,
    half_trip: Float64,
    *,
    site: Int64,
    start: Float64 | None = None,
) -> Fit:
    """Offsets from the paths' middles (E,) ns.

    `statistical` (E,) is each middle's own variance; `half_trip` (E,) bounds its asymmetry (0 for edges that have
    none, such as a reference's declared error); `site` (V,) says which nodes are near each other.
    """
    across = network.group >= 0

    def learn(residual: Float64, whole: Float64, factor: Float64, leverage: float) -> tuple[Float64, Float64]:
        variance = statistical.copy()
        for kind in (across, ~across & (half_trip > 0)):
            variance[kind] += (
                _usual_asymmetry(residual[kind], statistical[kind], half_trip[kind], factor[kind], leverage) ** 2
            )
        return variance, _effect_variance(network, whole, factor / variance, half_trip, site)

    first_guess = (
        statistical + (PRIOR_RATIO * half_trip) ** 2,
        (PRIOR_RATIO * _typical(network, half_trip)) ** 2,
    )
    return robust_fit(network, middle, first_guess, learn, start=start)


def _clipped_size(square: Float64) -> float:
    """Root mean square of ratios that should be standard normal, from their squares, each ratio counted as at most
    CLIP: tails count, liars do not carry the day. 1 where there is nothing to judge by."""
    if len(square) == 0:
        return 1.0
    return float(np.sqrt(np.minimum(square, CLIP**2).mean() / CLIPPED_NORMAL))


def _scale(ratio: Float64) -> float:
    """By how much ratios that should be standard normal are larger; clipped anew at each guess."""
    square = ratio**2
    scale = 1.0
    for _ in range(20):
        factor = max(_clipped_size(square / scale**2), 0.1)
        scale *= factor
        if abs(factor - 1.0) < 1e-10:
            break
    return min(max(scale, 0.1), 1e3)


def _usual_asymmetry(
    residual: Float64, statistical: Float64, half_trip: Float64, factor: Float64, leverage: float
) -> Float64:
    """Standard uncertainty (E,) of each edge's asymmetry that makes the residuals as large as a normal law expects.

    It grows with some power of the half round trip: long lines are seldom as unequal, in proportion, as short ones. The
    power is the likeliest of a few; edges all alike tell nothing of it, and keep it at 1.
    """
    if len(residual) * (1.0 - leverage) < 0.5:
        return PRIOR_RATIO * half_trip
    freedom = len(residual) * (1.0 - leverage)
    rows = np.arange(0, len(residual), max(1, len(residual) // SAMPLE))
    rows = rows[factor[rows] > DOUBTED]
    if len(rows) == 0:
        return PRIOR_RATIO * half_trip
    usual = float(np.exp(np.mean(np.log(half_trip[rows]))))
    best, likeliest = PRIOR_RATIO * half_trip, -np.inf
    for power in POWERS:
        shape = half_trip**power * usual ** (1.0 - power)
        ratio = _learned_ratio(residual[rows], statistical[rows], shape[rows], freedom, leverage)
        variance = (statistical[rows] + (ratio * shape[rows]) ** 2) * max(1.0 - leverage, 1e-3)
        misfit = np.minimum(residual[rows] ** 2 / variance, CLIP**2)
        likelihood = -0.5 * float((misfit + np.log(variance)).sum()) - (1.0 - power) * UNLIKE
        if likelihood > likeliest:
            best, likeliest = np.minimum(ratio * shape, RATIO_RANGE[1] * half_trip), likelihood
    return np.asarray(best)


def _learned_ratio(residual: Float64, statistical: Float64, shape: Float64, freedom: float, leverage: float) -> float:
    """The ratio of asymmetry to `shape` that makes believed residuals as large as a normal law expects.

    Shrunk, in logarithm, towards the prior as if that were PRIOR_FREEDOM loops.
    """
    square = residual**2 / max(1.0 - leverage, 1e-3)

    def excess(trial: float) -> float:
        return _clipped_size(square / (statistical + (np.exp(trial) * shape) ** 2)) - 1.0

    low, high = (float(np.log(bound)) for bound in RATIO_RANGE)
    if excess(low) <= 0.0:
        fitting = low
    elif excess(high) > 0.0:
        fitting = high
    else:
        fitting = float(brentq(excess, low, high, xtol=1e-9))
    learned = (PRIOR_FREEDOM * np.log(PRIOR_RATIO) + freedom * fitting) / (PRIOR_FREEDOM + freedom)
    return float(np.exp(learned))


def _typical(network: Network, half_trip: Float64) -> Float64:
    """Mean half round trip of each group's edges (G,)."""
    grouped = network.group >= 0
    count = np.bincount(network.group[grouped], minlength=network.groups)
    total = np.bincount(network.group[grouped], half_trip[grouped], network.groups)
    return np.asarray(total / np.maximum(count, 1))


def _effect_variance(network: Network, whole: Float64, weight: Float64, half_trip: Float64, site: Int64) -> Float64:
    """Variance of the asymmetry shared by all paths between two sites (G,), from loops over three and more sites."""
    typical = _typical(network, half_trip)
    if network.groups == 0:
        return typical
    grouped = network.group >= 0
    group = network.group[grouped]
    weights = np.bincount(group, weight[grouped], network.groups)
    shared = np.bincount(group, (weight * network.sign * whole)[grouped], network.groups) / np.maximum(weights, 1e-300)
    a, b = site[network.first[grouped]], site[network.second[grouped]]
    low, high = np.zeros(network.groups, dtype=np.int64), np.zeros(network.groups, dtype=np.int64)
    low[group], high[group] = np.minimum(a, b), np.maximum(a, b)
    sites = int(site.max()) + 1
    design = np.zeros((network.groups, sites))
    rows = np.arange(network.groups)
    design[rows, high], design[rows, low] = 1.0, -1.0
    scaled = design / typical[:, None]
    left, *_ = np.linalg.lstsq(scaled, shared / typical, rcond=None)
    rank = int(np.linalg.matrix_rank(scaled))
    freedom = network.groups - rank
    ratio = PRIOR_RATIO
    if freedom > 0:
        misfit = shared / typical - scaled @ left
        learned = np.clip(np.sqrt((misfit**2).sum() / freedom), *RATIO_RANGE)
        ratio = float(
            np.exp((PRIOR_FREEDOM * np.log(PRIOR_RATIO) + freedom * np.log(learned)) / (PRIOR_FREEDOM + freedom))
        )
    return (ratio * typical) ** 2
