"""A jump that few of a clock's paths have seen yet: who may have made it, how large it was, and limits that hold."""

from __future__ import annotations

import numpy as np
import pytest
from stepped_clock import stepped

from noonmark.collector.change import Ends
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.pipeline import step
from noonmark.collector.torn import acquitted, tears_of
from noonmark.lab.simulate import simulate

HOSTS, WINDOW_S = 24, 60


def walls_of(*levels: list[float]) -> Walls:
    """Paths probed once a second, each with a round trip of 100 ns."""
    y = np.array(levels, dtype=np.float64)
    when = np.broadcast_to(np.arange(y.shape[1], dtype=np.float64), y.shape)
    return Walls(when, y + 50.0, when, y - 50.0)


@pytest.mark.parametrize("jump", [500.0, -500.0])
def test_a_tear_tells_when_and_how_far(jump: float) -> None:
    tears = tears_of(walls_of([0.0] * 6 + [jump] * 2))
    assert (tears.after_s[0], tears.before_s[0]) == (5.0, 6.0)
    assert tears.least_ns[0] == pytest.approx(400.0)
    assert tears.most_ns[0] == pytest.approx(600.0)
    assert tears.sign[0] == np.sign(jump)


def test_both_sides_in_one_slot() -> None:
    """The slot keeps the lowest upper limit, from before the jump, and the highest lower one, from after it."""
    walls, last = walls_of([0.0] * 7), np.arange(7) == 6
    later_s, higher = walls.lower_s + np.where(last, 0.4, 0.0), np.where(last, 450.0, walls.lower_ns)
    walls = Walls(walls.upper_s, walls.upper_ns, later_s, higher)
    tears = tears_of(walls)
    assert (tears.after_s[0], tears.before_s[0]) == (6.0, 6.4)
    assert tears.least_ns[0] == pytest.approx(400.0)
    assert tears.least_ns[0] < 500.0 < tears.most_ns[0]


ENDS = Ends(np.array([0, 0, 1]), np.array([1, 2, 3]), 4)


@pytest.mark.parametrize(
    ("other", "free"),
    [
        ([0.0] * 8, True),  # seen before and after: it has not jumped
        ([0.0] * 6 + [np.nan] * 2, False),  # not seen since
        ([0.0] * 6 + [500.0] * 2, False),  # it moved, too, though no line shows it
    ],
)
def test_another_path_acquits_a_host(other: list[float], free: bool) -> None:
    walls = walls_of([0.0] * 6 + [-500.0] * 2, other, [0.0] * 6 + [np.nan] * 2)
    unused = np.isnan(walls.upper_ns)
    walls = Walls(
        np.where(unused, 0.0, walls.upper_s),
        np.where(unused, np.inf, walls.upper_ns),
        np.where(unused, 0.0, walls.lower_s),
        np.where(unused, -np.inf, walls.lower_ns),
    )
    torn, whole = np.array([0]), np.array([False, True, True])
    first, second = acquitted(tears_of(walls.rows(torn)), torn, walls.rows, whole, ENDS)
    # y = x_1 - x_0 fell: host 1 jumped back, or host 0 ahead. On its path to host 2 (y = x_2 - x_0) that would show.
    assert bool(first[0]) is (free or other[-1] == 500.0)
    assert not second[0]


def jumped(size_ns: int, ago_s: float, *, seed: int, interval_s: float) -> tuple[FleetEstimate, np.ndarray, bool]:
    probes, truth = simulate("kernel-lan", hosts=HOSTS, seed=seed, interval_s=interval_s)
    at_ns = truth.start_ns + WINDOW_S * 10**9
    after = stepped(probes, truth, truth.hosts[4], at_ns - round(ago_s * 1e9), size_ns)
    seen = any((getattr(after, stamp) != getattr(probes, stamp)).any() for stamp in ("t1_ns", "t2_ns"))
    true_ns = truth.offsets_ns(at_ns) + np.where(np.arange(HOSTS) == 4, size_ns, 0)
    return step(after, references=truth.references, at_ns=at_ns), true_ns, seen


@pytest.mark.parametrize("size_ns", [300_000, -12_000_000, 200_000_000])
@pytest.mark.parametrize(("ago_s", "interval_s"), [(1.3, 5.0), (2.2, 5.0), (0.3, 1.0), (0.7, 1.0)])
def test_limits_hold_as_soon_as_one_probe_has_seen_a_jump(size_ns: int, ago_s: float, interval_s: float) -> None:
    for seed in range(3):
        estimate, true_ns, seen = jumped(size_ns, ago_s, seed=seed, interval_s=interval_s)
        assert seen
        assert (estimate.lower_ns <= true_ns).all()
        assert (estimate.upper_ns >= true_ns).all()
        first, second = estimate.paths.first, estimate.paths.second
        y = true_ns[second] - true_ns[first]
        own = (first == 4) | (second == 4)
        held = (estimate.paths.lower_ns <= y) & (estimate.paths.upper_ns >= y)
        assert held[own].all()
        # Who has been seen on other paths since is not suspected, nor widened.
        others = (estimate.upper_ns - estimate.lower_ns)[np.arange(HOSTS) != 4]
        assert np.median(others) < 200_000
        assert (others > abs(size_ns)).sum() <= 2
