"""What a path's walls say of its slope, once the fleet says about where to look. Pure.

With delays that are exponential near their least (mean a, n points, the least itself unknown and integrated out), the
likelihood of a slope s is exp(n (h(s) + s m) / a), where h(s) is the greatest height that a line of this slope may have
below all points, and m the points' mean time: concave in s, but with corners. A path alone has its greatest likelihood
where its corridor is widest, which wastes what the other walls say: all of a host's paths share its drift. So each wall
gives a slope of its logarithmic likelihood and a curvature, near the fleet's present drifts, with the corners softened
by the points' own spacing a / n; a few rounds of weighted least squares with these are Newton's steps towards the
drifts that are likeliest for the whole fleet.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Float64
from noonmark.collector.rowwise import by_rows

EXPECTED = 0.5
"""Share of the squared slope that is added to the curvature: both estimate the information, together more steadily."""
FURTHEST = 40.0
"""Points so many spacings above the lowest tell nothing."""


def leaning(
    walls: Walls, slope: Float64, upper_spread_ns: Float64, lower_spread_ns: Float64
) -> tuple[Float64, Float64]:
    """Which slope (P,) each path speaks for near the given one, ppb, and with what variance, ppb^2; infinite where it
    has nothing to say.

    The spreads (P,) are the mean spacing of the lowest points of each wall, ns; what is infinite is not known.
    """

    def work(rows: slice) -> tuple[Float64, ...]:
        some, own = walls.rows(rows), slope[rows, None]
        above = wall_leaning(some.upper_ns - own * some.upper_s, some.upper_s, upper_spread_ns[rows])
        below = wall_leaning(own * some.lower_s - some.lower_ns, some.lower_s, lower_spread_ns[rows])
        push = below[0] - above[0]
        return push, above[1] + below[1] + EXPECTED * push**2

    push, information = by_rows(work, len(slope))
    told = information > 0
    step = np.divide(push, information, out=np.zeros_like(push), where=told)
    return slope + step, np.divide(1.0, information, out=np.full_like(push, np.inf), where=told)


def wall_leaning(height: Float64, seconds: Float64, spread_ns: Float64) -> tuple[Float64, Float64]:
    """Slope and curvature of one wall's logarithmic likelihood in its own tilt; heights (P, K) point away from it."""
    used = np.isfinite(height)
    count = np.maximum(used.sum(axis=1), 1)
    mean = np.einsum("pk,pk->p", used, seconds) / count
    with np.errstate(invalid="ignore"):
        above = (height - height.min(axis=1, keepdims=True)) / spread_ns[:, None]
    weight = np.where(used, np.exp(-np.minimum(above, FURTHEST)), 0.0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    centre = np.einsum("pk,pk->p", weight, seconds)
    spread_s2 = np.einsum("pk,pk,pk->p", weight, seconds, seconds) - centre**2
    return (centre - mean) / spread_ns, np.maximum(spread_s2, 0.0) / spread_ns**2
