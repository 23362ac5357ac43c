"""What walls say of a slope near a given one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp
from walls import random_walls

from noonmark.collector.corridors import Walls, widest
from noonmark.collector.slopes import leaning

MEAN_NS = 5_000.0
POINTS = 24


def exponential_walls(rng: np.random.Generator, paths: int, slope_ppb: float) -> Walls:
    when = np.sort(rng.uniform(-60, 0, (2, paths, POINTS)), axis=2)
    wait = rng.exponential(MEAN_NS, (2, paths, POINTS)) + 20_000.0
    return Walls(when[0], slope_ppb * when[0] + wait[0], when[1], slope_ppb * when[1] - wait[1])


def log_likelihood(walls: Walls, path: int, slope: float, spread: tuple[float, float]) -> float:
    """Of the slope, with corners softened by the spacing of points; written out for one path."""
    total = 0.0
    for when, height, sign, own in (
        (walls.upper_s[path], walls.upper_ns[path], 1.0, spread[0]),
        (walls.lower_s[path], walls.lower_ns[path], -1.0, spread[1]),
    ):
        used = np.isfinite(height)
        above = sign * (height[used] - slope * when[used])
        least = -own * logsumexp(-above / own)
        total += (least + sign * slope * when[used].mean()) / own
    return total


def test_push_is_the_slope_of_the_likelihood() -> None:
    rng = np.random.default_rng(1)
    walls = random_walls(rng, 30, POINTS)
    slope, upper, lower = rng.normal(0, 500, 30), rng.uniform(100, 900, 30), rng.uniform(100, 900, 30)
    z, variance = leaning(walls, slope, upper, lower)
    push = (z - slope) / variance
    for path in range(30):
        spread = float(upper[path]), float(lower[path])
        rise = [log_likelihood(walls, path, slope[path] + d, spread) for d in (-0.01, 0.01)]
        assert push[path] == pytest.approx((rise[1] - rise[0]) / 0.02, rel=1e-4, abs=1e-7)


def test_paths_that_share_a_slope_tell_it_better_together_than_by_their_widest_corridors() -> None:
    rng = np.random.default_rng(2)
    together, apart = [], []
    for _ in range(150):
        walls = exponential_walls(rng, 8, 100.0)
        own = widest(walls).slope
        spread = np.full(8, MEAN_NS / POINTS)
        slope = float(np.mean(own))
        apart.append(slope - 100.0)
        for _ in range(4):
            z, variance = leaning(walls, np.full(8, slope), spread, spread)
            slope = float(np.average(z, weights=1.0 / variance))
        together.append(slope - 100.0)
    assert np.sqrt(np.mean(np.square(together))) < 0.8 * np.sqrt(np.mean(np.square(apart)))
    assert abs(np.mean(together)) < 3 * np.std(together) / np.sqrt(150)


def test_wall_whose_spacing_is_unknown_says_nothing() -> None:
    walls = exponential_walls(np.random.default_rng(3), 2, 0.0)
    z, variance = leaning(walls, np.zeros(2), np.array([np.inf, 200.0]), np.array([np.inf, np.inf]))
    assert np.isinf(variance[0])
    assert z[0] == 0.0
    assert np.isfinite(variance[1])
