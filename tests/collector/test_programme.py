from __future__ import annotations

import numpy as np

from noonmark.collector.corridors import Walls
from noonmark.collector.programme import needed_slack

FIRST, SECOND = np.array([0, 1, 0]), np.array([1, 2, 2])


def triangle(offsets: tuple[float, float, float], drifts: tuple[float, float, float], room_ns: float) -> Walls:
    """Walls of three paths between three straight clocks, `room_ns` on either side, seen at five instants."""
    seconds = np.broadcast_to(np.linspace(-40.0, 0.0, 5), (3, 5)).copy()
    clock = np.array(offsets)[:, None] + np.array(drifts)[:, None] * seconds
    difference = clock[SECOND] - clock[FIRST]
    return Walls(seconds, difference + room_ns, seconds.copy(), difference - room_ns)


def test_honest_paths_need_no_slack() -> None:
    walls = triangle((0.0, 500.0, -300.0), (0.0, 20e3, -5e3), 100.0)

    np.testing.assert_allclose(needed_slack(walls, FIRST, SECOND, 3), 0.0, atol=1e-6)


def test_a_path_that_does_not_close_needs_what_is_missing() -> None:
    walls = triangle((0.0, 500.0, -300.0), (0.0, 20e3, -5e3), 100.0)
    walls.upper_ns[2] += 1_000.0
    walls.lower_ns[2] += 1_000.0

    # Three paths of 100 ns each way can take up 300 ns of the 1,000 by themselves.
    assert np.isclose(needed_slack(walls, FIRST, SECOND, 3).sum(), 700.0)


def test_slopes_that_do_not_close_are_a_contradiction_though_no_single_instant_shows_one() -> None:
    walls = triangle((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 100.0)
    # The third path is seen twice only, each time where the others still allow it, but moving faster than they do.
    walls.upper_ns[2, 1:4], walls.lower_ns[2, 1:4] = np.inf, -np.inf
    walls.lower_ns[2, 0], walls.upper_ns[2, 0] = 190.0, 300.0
    walls.lower_ns[2, 4], walls.upper_ns[2, 4] = -300.0, -190.0
    walls.upper_ns[:2, 2], walls.lower_ns[:2, 2] = 5.0, -5.0

    at_each_instant = walls.lower_ns[2] <= walls.upper_ns[:2].sum(axis=0)
    assert at_each_instant.all()
    assert needed_slack(walls, FIRST, SECOND, 3).sum() < 1e-6  # each way 200 ns are allowed: still honest

    walls.upper_ns[:2, 1], walls.lower_ns[:2, 3] = 20.0, -20.0
    walls.upper_ns[:2, 3], walls.lower_ns[:2, 1] = 5.0, -5.0

    assert (walls.lower_ns[2] <= walls.upper_ns[:2].sum(axis=0)).all()
    assert needed_slack(walls, FIRST, SECOND, 3).sum() > 50.0
