"""A path's middle, slot by slot."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.corridors import Walls
from noonmark.collector.slots import filled, slot_middles, steady_slope


def quiet_walls(y_ns: np.ndarray, rng: np.random.Generator | None = None, wait_ns: float = 0.0) -> Walls:
    """Walls 10 us on both sides of y (P, K), one point each way at each slot's middle."""
    when = np.broadcast_to(np.arange(y_ns.shape[1]) + 0.5, y_ns.shape).copy()
    waits = rng.standard_exponential((2, *y_ns.shape)) * wait_ns if rng is not None else np.zeros((2, *y_ns.shape))
    return Walls(when, y_ns + 10_000 + waits[0], when, y_ns - 10_000 - waits[1])


def test_middles_are_half_way_between_the_walls_less_the_slope() -> None:
    rng = np.random.default_rng(1)
    walls = quiet_walls(rng.normal(0, 500, (4, 12)), rng, 2_000.0)
    slope = np.array([0.0, 50.0, -20.0, 3.0])
    slots = slot_middles(walls, slope)
    straight = (walls.upper_ns + walls.lower_ns) / 2 - slope[:, None] * walls.upper_s
    told = np.isfinite(slots.middle)
    assert told.mean() > 0.8
    assert slots.middle[told] == pytest.approx(straight[told])
    assert slots.round_trip == pytest.approx(walls.upper_ns - walls.lower_ns)
    assert np.diff(slots.seconds) == pytest.approx(np.diff(slots.seconds)[0])


def test_crowded_slot_says_nothing() -> None:
    rng = np.random.default_rng(2)
    walls = quiet_walls(np.zeros((1, 12)), rng, 100.0)
    walls.upper_ns[0, 5] += 50_000.0
    slots = slot_middles(walls, np.zeros(1))
    assert np.isnan(slots.middle[0, 5])
    assert np.isfinite(slots.middle[0]).sum() >= 8
    assert slots.excess[0, 5] > 20_000.0


def test_empty_slots_are_joined_with_their_neighbours() -> None:
    walls = quiet_walls(np.zeros((3, 12)))
    for row in (walls.upper_ns, walls.lower_ns):
        row[:, ::2] = np.sign(row[0, 1]) * np.inf
    slots = slot_middles(walls, np.zeros(3))
    assert slots.middle.shape == (3, 6)
    assert (slots.middle == 0.0).all()


def test_unknown_slots_take_the_nearest_value_before_else_after() -> None:
    unknown = np.nan
    middle = np.array([[unknown, 1.0, unknown, unknown, 4.0, unknown], [unknown] * 6, [5.0] + [unknown] * 5])
    assert filled(middle).tolist() == [[1.0, 1.0, 1.0, 1.0, 4.0, 4.0], [0.0] * 6, [5.0] * 6]


def test_steady_slope_is_not_moved_by_a_jump_between_two_slots() -> None:
    rng = np.random.default_rng(3)
    seconds = np.arange(24) + 0.5
    jumped = 70.0 * seconds + np.where(seconds > 11, 5e6, 0.0)
    walls = quiet_walls(np.stack([jumped, -30.0 * seconds]), rng, 100.0)
    # A straight line through the jump leans by 208 ppm.
    found = steady_slope(walls, np.array([2e5, 0.0]))
    assert found == pytest.approx([70.0, -30.0], abs=600.0)
