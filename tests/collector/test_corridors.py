"""Corridors of all paths at once, against one linear programme a path (scipy's HiGHS)."""

from __future__ import annotations

import numpy as np
import pytest
from walls import programme_extremes, programme_widest, random_walls

from noonmark.collector.corridors import STEEPEST, Corridor, Walls, height_ranges, slope_ranges, widest


@pytest.mark.parametrize(("seed", "torn"), [(0, False), (1, False), (2, True)])
def test_widest_corridor_is_the_linear_programmes(seed: int, torn: bool) -> None:
    walls = random_walls(np.random.default_rng(seed), 40, 24, torn=torn)
    corridor = widest(walls)
    for path in range(40):
        slope, width = programme_widest(walls, path, STEEPEST)
        assert corridor.width_ns[path] == pytest.approx(width, abs=0.01)
        # Several slopes may be widest; ours must have the width that it claims.
        free = walls.rows(np.array([path]))
        own = corridor.slope[path]
        top = (free.upper_ns - own * free.upper_s).min()
        bottom = (free.lower_ns - own * free.lower_s).max()
        assert top - bottom == pytest.approx(width, abs=0.01), slope
    assert (corridor.width_ns < 0).any() == torn


@pytest.mark.parametrize("seed", range(3))
def test_ranges_of_slope_and_height_are_the_linear_programmes(seed: int) -> None:
    walls = random_walls(np.random.default_rng(seed), 30, 12)
    corridor = widest(walls)
    low, high = slope_ranges(walls, corridor)
    lower, upper = height_ranges(walls, low, high)
    assert (low <= high).all()
    for path in range(30):
        least, greatest = programme_extremes(walls, path, "slope", STEEPEST)
        assert low[path] == pytest.approx(least, abs=0.01)
        assert high[path] == pytest.approx(greatest, abs=0.01)
        below, above = programme_extremes(walls, path, "height", STEEPEST)
        assert lower[path] == pytest.approx(below, abs=0.05)
        assert upper[path] == pytest.approx(above, abs=0.05)
        # Newton's last step may stop short of the edge, never beyond it on the tight side.
        assert lower[path] <= below + 0.05
        assert upper[path] >= above - 0.05


def test_true_line_lies_within_every_corridor() -> None:
    rng = np.random.default_rng(9)
    when = np.sort(rng.uniform(-60, 0, (200, 16)), axis=1)
    slope, height = rng.uniform(-5e5, 5e5, 200), rng.uniform(-1e9, 1e9, 200)
    line = height[:, None] + slope[:, None] * when
    walls = Walls(when, line + rng.exponential(1e4, line.shape), when, line - rng.exponential(1e4, line.shape))
    corridor = widest(walls)
    low, high = slope_ranges(walls, corridor)
    lower, upper = height_ranges(walls, low, high)
    assert (corridor.width_ns > 0).all()
    assert ((low <= slope + 0.01) & (slope <= high + 0.01)).all()
    assert ((lower <= height + 0.05) & (height <= upper + 0.05)).all()


def test_single_probe_allows_any_slope_and_its_own_heights() -> None:
    walls = Walls(*(np.array([[value]]) for value in (-1.0, 5_000.0, -1.0, -3_000.0)))
    corridor = widest(walls)
    low, high = slope_ranges(walls, corridor, 1_000.0)
    assert corridor.width_ns[0] == pytest.approx(8_000.0)
    assert (low[0], high[0]) == (-1_000.0, 1_000.0)
    lower, upper = height_ranges(walls, low, high)
    assert (lower[0], upper[0]) == pytest.approx((-4_000.0, 6_000.0))


def test_where_no_line_fits_the_range_is_one_slope_and_heights_cross() -> None:
    walls = Walls(
        np.array([[-3.0, -2.0, -1.0]]),
        np.array([[0.0, -100.0, 0.0]]),
        np.array([[-3.0, -2.0, -1.0]]),
        np.array([[-10.0, -50.0, -10.0]]),
    )
    corridor = widest(walls)
    low, high = slope_ranges(walls, corridor)
    lower, upper = height_ranges(walls, low, high)
    assert corridor.width_ns[0] < 0
    assert low[0] == high[0] == corridor.slope[0]
    assert lower[0] > upper[0]


def test_shifting_time_moves_heights_along_the_line_and_leaves_slopes_alone() -> None:
    walls = random_walls(np.random.default_rng(4), 20, 12)
    there = walls.shifted(-30.0)
    corridor, moved = widest(walls), widest(there)
    assert moved.width_ns == pytest.approx(corridor.width_ns, abs=0.01)
    for one, other in zip(slope_ranges(walls, corridor), slope_ranges(there, moved), strict=True):
        assert one == pytest.approx(other, abs=0.01)


def test_rows_and_relaxed_walls_are_what_they_say() -> None:
    walls = random_walls(np.random.default_rng(5), 6, 8)
    some = walls.rows(np.array([4, 1]))
    assert (some.upper_ns == walls.upper_ns[[4, 1]]).all()
    assert (some.lower_s == walls.lower_s[[4, 1]]).all()
    slack = np.full((6, 1), 100.0)
    apart = walls.relaxed(slack, 2 * slack)
    assert widest(apart).width_ns == pytest.approx(widest(walls).width_ns + 300.0, abs=0.01)


def test_no_paths_at_all_give_empty_answers() -> None:
    empty = np.empty((0, 4))
    walls = Walls(empty, empty, empty, empty)
    corridor = widest(walls)
    assert isinstance(corridor, Corridor)
    assert len(corridor.slope) == 0
    low, high = slope_ranges(walls, corridor)
    assert len(height_ranges(walls, low, high)[0]) == 0
