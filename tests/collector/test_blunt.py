"""What the lowest delays tell of how bluntly they begin."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.blunt import _expected, bluntness
from noonmark.collector.corridors import Walls

SLOTS = 24
SECONDS = (np.arange(SLOTS) + 0.5) * 2.5 - 60.0


def walls_of(shape: float, paths: int, seed: int, slots: int = SLOTS) -> tuple[Walls, np.ndarray]:
    """Paths whose delays, slot by slot, wait by a Weibull law of this shape, each path at a scale of its own."""
    rng = np.random.default_rng(seed)
    slope = rng.uniform(-5e4, 5e4, paths)
    scale = np.exp(rng.uniform(np.log(1e3), np.log(1e6), (2, paths, 1)))
    wait = scale * rng.weibull(shape, (2, paths, slots))
    when = np.broadcast_to(SECONDS[:slots], (paths, slots))
    line = slope[:, None] * when
    return Walls(when, line + 1e5 + wait[0], when, line - 1e5 - wait[1]), slope


def lowest_by_its_gaps(shape: float) -> float:
    """Standard deviation of the lowest of SLOTS in units of their mean gap, by drawing."""
    heights = np.sort(np.random.default_rng(1).weibull(shape, (40_000, SLOTS)), axis=1)[:, : SLOTS // 3 + 1]
    gap = (heights[:, 1:].mean(axis=1) - heights[:, 0]).mean() * 2.0 / (SLOTS // 3 + 1)
    return float(heights[:, 0].std() / gap)


@pytest.mark.parametrize("shape", [1.25, 1.5, 2.0, 3.0])
def test_widens_by_what_the_shape_makes_of_the_lowest_delay(shape: float) -> None:
    told = np.mean([bluntness(*walls_of(shape, 400, seed)) for seed in range(5)])
    assert told == pytest.approx(lowest_by_its_gaps(shape) / lowest_by_its_gaps(1.0), rel=0.08)


@pytest.mark.parametrize("shape", [0.5, 0.8, 1.0])
def test_sharp_beginnings_are_left_alone(shape: float) -> None:
    assert bluntness(*walls_of(shape, 400, 2)) == pytest.approx(1.0, abs=0.08)


def test_few_walls_tell_little() -> None:
    told = [bluntness(*walls_of(1.0, 2, seed)) for seed in range(40)]
    assert float(np.median(told)) == 1.0


def test_too_few_points_and_none_tell_nothing() -> None:
    assert bluntness(*walls_of(3.0, 50, 3, slots=5)) == 1.0
    empty = np.full((4, SLOTS), np.inf)
    assert bluntness(Walls(np.zeros_like(empty), empty, np.zeros_like(empty), -empty), np.zeros(4)) == 1.0


def test_coarse_stamps_that_all_look_alike_tell_nothing() -> None:
    walls, slope = walls_of(2.0, 20, 4)
    flat = Walls(walls.upper_s, slope[:, None] * walls.upper_s + 1e6, walls.lower_s, slope[:, None] * walls.lower_s)
    assert bluntness(flat, slope) <= 2.3


def test_expected_is_that_of_drawn_order_statistics() -> None:
    ratio, deviation = _expected(SLOTS, SLOTS // 3)
    assert ratio[0] == pytest.approx(0.53, abs=0.01)
    assert (np.diff(ratio) > 0).all()
    assert deviation[10] == pytest.approx(lowest_by_its_gaps(2.0), rel=0.05)
