"""Random walls of paths, and linear programmes over them as slow, obvious twins; pure."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog

from noonmark.collector.corridors import Walls


def random_walls(
    rng: np.random.Generator, paths: int, slots: int, *, wait_ns: float = 5_000.0, torn: bool = False
) -> Walls:
    """Walls around lines of random slope (±2 ppm) and height, some slots empty; `torn`: no line fits many of them."""
    when = np.sort(rng.uniform(-60, 0, (paths, 2, slots)), axis=2)
    slope = rng.uniform(-2_000, 2_000, paths)[:, None]
    height = rng.uniform(-1e6, 1e6, paths)[:, None]
    jump = np.where(np.arange(slots) > slots // 2, 1.0, 0.0) * (4 * wait_ns if torn else 0.0)
    upper = height + slope * when[:, 0] + 10_000 * (not torn) + rng.standard_exponential((paths, slots)) * wait_ns
    lower = height + slope * when[:, 1] - 10_000 * (not torn) - rng.standard_exponential((paths, slots)) * wait_ns
    empty = rng.random((2, paths, slots)) < 0.2
    empty[:, :, :3] = False
    upper, lower = upper + jump, lower + jump
    return Walls(
        np.where(empty[0], 0.0, when[:, 0]),
        np.where(empty[0], np.inf, upper),
        np.where(empty[1], 0.0, when[:, 1]),
        np.where(empty[1], -np.inf, lower),
    )


def points_of(walls: Walls, path: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The used upper and lower points of one path: times and heights."""
    above, below = np.isfinite(walls.upper_ns[path]), np.isfinite(walls.lower_ns[path])
    return (
        walls.upper_s[path][above],
        walls.upper_ns[path][above],
        walls.lower_s[path][below],
        walls.lower_ns[path][below],
    )


def programme_widest(walls: Walls, path: int, steepest: float) -> tuple[float, float]:
    """Slope and width of the widest corridor: variables slope, its upper and its lower height at time 0."""
    upper_s, upper, lower_s, lower = points_of(walls, path)
    scale = 1_000.0
    bounded = np.concatenate(
        [
            np.stack([upper_s * scale, np.ones_like(upper), np.zeros_like(upper)], axis=1),
            np.stack([-lower_s * scale, np.zeros_like(lower), -np.ones_like(lower)], axis=1),
        ]
    )
    found = linprog(
        [0.0, -1.0, 1.0],
        bounded,
        np.concatenate([upper, -lower]),
        bounds=[(-steepest / scale, steepest / scale), (None, None), (None, None)],
    )
    assert found.status == 0, found.message
    return float(found.x[0]) * scale, -float(found.fun)


def programme_extremes(walls: Walls, path: int, what: str, steepest: float) -> tuple[float, float]:
    """Least and greatest "slope" or "height" (at time 0) of lines between the walls."""
    upper_s, upper, lower_s, lower = points_of(walls, path)
    scale = 1_000.0
    bounded = np.concatenate(
        [
            np.stack([upper_s * scale, np.ones_like(upper)], axis=1),
            -np.stack([lower_s * scale, np.ones_like(lower)], axis=1),
        ]
    )
    goal = np.array([scale, 0.0]) if what == "slope" else np.array([0.0, 1.0])
    ends = []
    for sign in (1.0, -1.0):
        found = linprog(
            sign * goal,
            bounded,
            np.concatenate([upper, -lower]),
            bounds=[(-steepest / scale, steepest / scale), (None, None)],
        )
        assert found.status == 0, found.message
        ends.append(sign * float(found.fun))
    return ends[0], ends[1]
