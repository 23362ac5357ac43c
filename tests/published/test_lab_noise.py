"""The simulator's noise against allantools (LGPL, test only) and the slopes of NIST SP 1065, table of section 8.

Log slopes of the deviations against tau: white phase ADEV -1, MDEV -3/2, TDEV -1/2; flicker phase -1, -1, 0; white
frequency -1/2, -1/2, +1/2; flicker frequency 0, 0, +1; random walk +1/2, +1/2, +3/2. Levels: what `PowerLaw` promises.
Seeds are fixed; tolerances are some five standard errors of such a run.
"""

from __future__ import annotations

from collections.abc import Callable

import allantools
import numpy as np
import pytest

from noonmark.lab.noise import PowerLaw, frequency_noise, phase_from_frequency, phase_noise

ROWS, CELLS = 24, 8192
TAUS = np.array([2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0])
CASES = {
    "white-phase": (PowerLaw(white_phase_ns=100.0), (-1.0, -1.5, -0.5)),
    "flicker-phase": (PowerLaw(flicker_phase_ns=100.0), (-1.0, -1.0, 0.0)),
    "white-frequency": (PowerLaw(white_frequency=1e-8), (-0.5, -0.5, 0.5)),
    "flicker-frequency": (PowerLaw(flicker_frequency=1e-8), (0.0, 0.0, 1.0)),
    "random-walk-frequency": (PowerLaw(random_walk_frequency=1e-8), (0.5, 0.5, 1.5)),
}


def phases_s(level: PowerLaw, step_s: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(1065)
    drifted = phase_from_frequency(frequency_noise(rng, level, ROWS, CELLS, step_s), step_s)
    return (drifted + phase_noise(rng, level, ROWS, CELLS + 1)) * 1e-9


def deviation(measure: Callable, phase_s: np.ndarray, taus: np.ndarray, step_s: float = 1.0) -> np.ndarray:
    """Root of the mean variance over all rows."""
    rows = [measure(row, rate=1 / step_s, data_type="phase", taus=taus)[1] for row in phase_s]
    return np.sqrt(np.mean(np.square(rows), axis=0))


@pytest.mark.parametrize("name", CASES)
def test_deviations_of_each_noise_type_have_the_published_slope(name: str) -> None:
    level, slopes = CASES[name]
    phase = phases_s(level)
    for measure, slope in zip((allantools.oadev, allantools.mdev, allantools.tdev), slopes, strict=True):
        fitted = np.polyfit(np.log(TAUS), np.log(deviation(measure, phase, TAUS)), 1)[0]
        # ADEV of flicker phase noise has a slowly growing logarithm in it: -1 only in the limit.
        tolerance = 0.12 if name == "flicker-phase" else 0.06
        assert fitted == pytest.approx(slope, abs=tolerance), measure.__name__


@pytest.mark.parametrize("step_s", [1.0, 4.0])
def test_white_frequency_noise_shows_its_level_whatever_the_grid(step_s: float) -> None:
    phase = phases_s(PowerLaw(white_frequency=1e-8), step_s)
    seen = deviation(allantools.oadev, phase, np.array([16.0]), step_s)
    assert seen[0] == pytest.approx(1e-8 / 4, rel=0.03)


@pytest.mark.parametrize("step_s", [1.0, 4.0])
def test_flicker_frequency_noise_shows_its_floor_whatever_the_grid(step_s: float) -> None:
    phase = phases_s(PowerLaw(flicker_frequency=3e-9), step_s)
    seen = deviation(allantools.oadev, phase, np.array([32.0, 128.0]), step_s)
    assert seen == pytest.approx(3e-9, rel=0.06)


@pytest.mark.parametrize("step_s", [1.0, 4.0])
def test_random_walk_shows_its_level_whatever_the_grid(step_s: float) -> None:
    phase = phases_s(PowerLaw(random_walk_frequency=1e-9), step_s)
    seen = deviation(allantools.oadev, phase, np.array([100.0]), step_s)
    assert seen[0] == pytest.approx(1e-8, rel=0.06)


def test_white_phase_noise_shows_its_level() -> None:
    phase = phases_s(PowerLaw(white_phase_ns=50.0))
    # SP 1065: white phase noise of standard deviation s has an Allan deviation of sqrt(3) s / tau.
    assert deviation(allantools.oadev, phase, np.array([8.0]))[0] == pytest.approx(np.sqrt(3) * 50e-9 / 8, rel=0.03)


def test_flicker_phase_noise_shows_its_time_deviation() -> None:
    phase = phases_s(PowerLaw(flicker_phase_ns=50.0))
    assert deviation(allantools.tdev, phase, np.array([16.0, 64.0])) == pytest.approx(50e-9, rel=0.06)


def test_the_meter_itself_shows_the_handbook_values() -> None:
    """NIST SP 1065 section 12.4: the 1000-point set of its generator, at averaging factors 1, 10 and 100."""
    integers = [1_234_567_890]
    while len(integers) < 1000:
        integers.append(16_807 * integers[-1] % 2_147_483_647)
    frequency = np.array(integers) / 2_147_483_647
    taus = [1.0, 10.0, 100.0]
    expected = {
        allantools.oadev: [2.922319e-1, 9.159953e-2, 3.241343e-2],
        allantools.mdev: [2.922319e-1, 6.172376e-2, 2.170921e-2],
        allantools.tdev: [1.687202e-1, 3.563623e-1, 1.253382e0],
    }
    for measure, values in expected.items():
        assert measure(frequency, rate=1.0, data_type="freq", taus=taus)[1] == pytest.approx(values, rel=1e-6)
