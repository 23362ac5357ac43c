"""How bluntly delays begin: what that adds to the uncertainty of slopes. Pure.

Slopes are sought as if delays were exponential above their least (slopes.py): a density that is greatest there. Where
it rises from nothing instead, as on radio links or through several queues in a row, the lowest points lie further from
the least delay, and vary more, than the gaps among them tell. The shape k of a Weibull law (1: exponential, 2: a
density that rises in proportion) shows in how those gaps shrink: the fleet's walls tell it together.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln

from noonmark.collector.columnwise import ascending
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Float64

SHAPES = np.linspace(1.0, 4.0, 31)
"""Sharper beginnings than an exponential's (below 1) make slopes better than told; that is left as it is."""
FEWEST_POINTS = 6
SAMPLE = 4096
"""So many paths tell the shape."""


def bluntness(walls: Walls, slope: Float64) -> float:
    """By how much the least delays vary more, beside their gaps, than exponential ones would; at least 1.

    Only as far as it is clear by one standard uncertainty: few walls tell little of a shape.
    """
    rows = slice(None, None, max(1, len(slope) // SAMPLE))
    some, slope = walls.rows(rows), slope[rows, None]
    upper = some.upper_ns - slope * some.upper_s
    lower = slope * some.lower_s - some.lower_ns
    heights = np.concatenate([upper, lower])
    count = np.isfinite(heights).sum(axis=1)
    points = int(np.bincount(count).argmax()) if len(count) else 0
    if points < FEWEST_POINTS:
        return 1.0
    lowest = np.stack(list(ascending(heights[count == points], points // 3 + 1)))
    reach = lowest[-1] - lowest[0]
    told = reach > 0
    if told.sum() < 2:
        return 1.0
    ratio = (lowest[1:, told].mean(axis=0) - lowest[0, told]) / reach[told]
    clear = float(ratio.mean() - ratio.std(ddof=1) / np.sqrt(len(ratio)))
    expected, spread = _expected(points, points // 3)
    return float(np.interp(clear, expected, spread / spread[0]))


def _expected(points: int, gaps: int) -> tuple[Float64, Float64]:
    """For each of SHAPES: how far up the lowest points' reach their mean lies, and the lowest one's standard deviation
    in units of the mean gap.

    An exponential's order statistics are sums of independent gaps (Rényi 1953); a Weibull variable is a power of it,
    and the moments of a gamma variable's power are known.
    """
    order = np.arange(1, gaps + 2)
    power = 1.0 / SHAPES[:, None]
    mean = np.cumsum(1.0 / (points - order + 1.0))
    height = np.exp(power * np.log(mean / order) + gammaln(order + power) - gammaln(order))
    above = height[:, 1:].mean(axis=1) - height[:, 0]
    square = np.exp(gammaln(1.0 + 2.0 * power[:, 0])) - np.exp(2.0 * gammaln(1.0 + power[:, 0]))
    deviation = np.sqrt(square) * points ** -power[:, 0]
    return above / (height[:, -1] - height[:, 0]), deviation / (above * 2.0 / (gaps + 1.0))
