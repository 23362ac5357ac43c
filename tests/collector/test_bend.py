"""Parabolas within the window."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from noonmark.collector.bend import Window, believed_bends, path_bends, straightened, window_of
from noonmark.collector.corridors import Walls


def walls_of(y_ns: np.ndarray, when: np.ndarray, wait: np.ndarray | None = None) -> Walls:
    wait = np.zeros((2, *y_ns.shape)) if wait is None else wait
    return Walls(when, y_ns + 10_000 + wait[0], when, y_ns - 10_000 - wait[1])


@pytest.mark.parametrize("window", [Window(-30.0, 60.0), Window(-5.0, 7.0), Window(100.0, 60.0)])
def test_parabola_leaves_the_windows_mean_and_slope_alone(window: Window) -> None:
    ends = window.centre_s - window.span_s / 2, window.centre_s + window.span_s / 2

    def at(t: float) -> float:
        return float(window.parabola(np.array([t]))[0])

    assert quad(at, *ends)[0] == pytest.approx(0.0, abs=1e-6)
    assert quad(lambda t: (t - window.centre_s) * at(t), *ends)[0] == pytest.approx(0.0, abs=1e-6)
    # Its second derivative is 1.
    assert at(2.0) - 2 * at(1.0) + at(0.0) == pytest.approx(1.0)
    assert window.parabola_at_zero == at(0.0)


def test_window_is_what_the_used_points_fill() -> None:
    when = np.tile(np.linspace(-50.0, -10.0, 9), (3, 1))
    walls = walls_of(np.zeros((3, 9)), when)
    walls.upper_ns[:, 8] = np.inf
    window = window_of(walls)
    assert window.span_s == pytest.approx(35.0)
    assert window.centre_s == pytest.approx(-32.5)


def test_bend_of_a_parabolic_path_is_found_and_taken_out() -> None:
    rng = np.random.default_rng(1)
    when = np.sort(rng.uniform(-60, 0, (40, 24)), axis=1)
    true = rng.uniform(-5, 5, 40)
    window = Window(-30.0, 60.0)
    y = true[:, None] * window.parabola(when)
    walls = walls_of(y, when, rng.exponential(200.0, (2, 40, 24)))
    told = path_bends(walls, np.zeros(40), np.full(40, 10.0))
    assert told.known.all()
    # A parabola moves within a third, too; half way between its extremes lies a little beyond its mean there.
    assert np.polyfit(true, told.bend, 1)[0] == pytest.approx(1.06, abs=0.1)
    assert told.bend == pytest.approx(true, abs=3.0)
    flat = straightened(walls, true, window)
    assert flat.upper_ns.min(axis=1) == pytest.approx(np.full(40, 10_000.0), abs=200.0)


def test_bend_is_unknown_where_a_third_has_no_probe() -> None:
    when = np.tile(np.arange(-24.0, 0.0), (2, 1))
    walls = walls_of(np.zeros((2, 24)), when)
    walls.upper_ns[0, :8] = np.inf
    walls.lower_ns[0, :8] = -np.inf
    told = path_bends(walls, np.zeros(2), np.full(2, 10.0))
    assert told.known.tolist() == [False, True]
    assert told.bend[0] == 0.0


def test_line_that_is_busy_one_way_bends_one_wall_only_and_so_no_clock() -> None:
    rng = np.random.default_rng(7)
    when = np.sort(rng.uniform(-60, 0, (9, 24)), axis=1)
    wait = rng.exponential(200.0, (2, 9, 24))
    wait[0, :, 16:] += 300_000.0
    told = path_bends(walls_of(np.zeros((9, 24)), when, wait), np.zeros(9), np.full(9, 10.0))
    assert (np.abs(told.bend) > 100.0).all()
    assert (np.abs(told.agreed) < 10.0).all()
    believed = believed_bends(
        np.append(np.zeros(20), told.bend[0]), np.ones(21), np.append(np.zeros(20), told.agreed[0])
    )
    assert not believed.clear.any()
    assert not believed.bend.any()
    # The same bend, shown by both walls, is the clock's.
    assert believed_bends(np.append(np.zeros(20), 40.0), np.ones(21), np.append(np.zeros(20), 35.0)).clear[20]


def test_straight_fleet_keeps_none_of_its_noise() -> None:
    rng = np.random.default_rng(2)
    noise = np.full(200, 4.0)
    bend = rng.normal(0, 2.0, 200)
    believed = believed_bends(bend, noise, bend)
    assert (believed.bend == 0.0).all()
    assert believed.shown is not None
    assert (believed.shown == 0.0).all()
    # What may hide in the noise is a small part of it.
    assert (believed.uncertainty <= 0.5 * np.sqrt(noise)).all()
    assert not believed.clear.any()


def test_fleet_that_bends_is_believed_in_proportion_to_its_spread() -> None:
    rng = np.random.default_rng(3)
    true = rng.normal(0, 10.0, 400)
    measured = true + rng.normal(0, 2.0, 400)
    believed = believed_bends(measured, np.full(400, 4.0), measured)
    assert np.sqrt(np.mean((believed.bend - true) ** 2)) < 2.1
    within = np.abs(believed.bend - true) <= 2 * np.maximum(believed.uncertainty, 1e-9)
    assert within.mean() > 0.9


def test_one_clear_bend_is_kept_in_an_otherwise_straight_fleet() -> None:
    bend = np.random.default_rng(4).normal(0, 1.0, 50)
    bend[17] = 40.0
    believed = believed_bends(bend, np.ones(50), bend)
    assert np.flatnonzero(believed.clear).tolist() == [17]
    assert believed.bend[17] == pytest.approx(40.0, rel=0.01)
    assert np.delete(believed.bend, 17) == pytest.approx(np.zeros(49))


def test_what_all_share_with_the_reference_tells_nothing_of_the_fleets_bends() -> None:
    bend = 1.5 + np.random.default_rng(5).normal(0, 1.0, 100)
    assert not believed_bends(bend, np.ones(100), bend).bend.any()


def test_what_a_longer_window_showed_is_not_forgotten() -> None:
    bend = np.random.default_rng(6).normal(0, 1.0, 50)
    believed = believed_bends(bend, np.ones(50), bend, known=2.0)
    assert believed.usual >= 2.0
    assert believed.bend == pytest.approx(bend * 4.0 / 5.0)


def test_without_any_knowledge_nothing_is_bent() -> None:
    believed = believed_bends(np.array([5.0, 0.0]), np.array([np.inf, 0.0]), np.zeros(2))
    assert believed.bend.tolist() == [0.0, 0.0]
    assert believed.uncertainty.tolist() == [0.0, 0.0]


def test_what_all_hosts_bend_alike_is_common_to_them_and_of_two_nothing_is() -> None:
    bend = np.array([0.0, 5.0, 5.2, 4.9, 30.0])
    variance = np.array([0.0, 0.01, 0.01, 0.01, 0.01])
    assert believed_bends(bend, variance, bend).common == pytest.approx(5.1)
    assert believed_bends(bend[:3], variance[:3], bend[:3]).common == 0.0
