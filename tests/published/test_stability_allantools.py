"""Stability statistics, their intervals and noise types against allantools (LGPL, test only), on simulated noise."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from noonmark.collector.stability import Statistic, deviations, octaves
from noonmark.collector.stability_confidence import degrees_of_freedom, interval
from noonmark.collector.stability_noise import NoiseType, lag_one_exponent, noise_types
from noonmark.collector.stability_wander import mtie, tie_rms
from noonmark.lab.noise import PowerLaw, frequency_noise, phase_from_frequency, phase_noise

SAMPLES = 4096
LEVELS = {
    NoiseType.WHITE_PM: PowerLaw(white_phase_ns=100.0),
    NoiseType.FLICKER_PM: PowerLaw(flicker_phase_ns=100.0),
    NoiseType.WHITE_FM: PowerLaw(white_frequency=1e-8),
    NoiseType.FLICKER_FM: PowerLaw(flicker_frequency=1e-8),
    NoiseType.RANDOM_WALK_FM: PowerLaw(random_walk_frequency=1e-8),
}


def phase_s(kind: NoiseType, seed: int = 5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    level = LEVELS[kind]
    if kind > 0:
        return phase_noise(rng, level, 1, SAMPLES)[0] / 1e9
    return phase_from_frequency(frequency_noise(rng, level, 1, SAMPLES - 1, 1.0), 1.0)[0] / 1e9


@pytest.mark.parametrize("kind", list(NoiseType))
@pytest.mark.parametrize(
    ("statistic", "other"),
    [
        (Statistic.ALLAN, allantools.adev),
        (Statistic.OVERLAPPING, allantools.oadev),
        (Statistic.MODIFIED, allantools.mdev),
        (Statistic.TIME, allantools.tdev),
    ],
)
@pytest.mark.parametrize("step_s", [1.0, 5.0])
def test_deviations(kind: NoiseType, statistic: Statistic, other: object, step_s: float) -> None:
    phase = phase_s(kind)
    factors = octaves(len(phase))[:-1]
    ours = deviations(phase, step_s, statistic, factors=factors)
    taus, theirs, _, _ = other(phase, rate=1 / step_s, data_type="phase", taus=np.array(factors) * step_s)
    assert ours.tau_s[: len(taus)] == pytest.approx(taus)
    assert ours.deviation[: len(taus)] == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("kind", list(NoiseType))
def test_mtie_and_tie_rms(kind: NoiseType) -> None:
    phase = phase_s(kind)
    factors = [1, 2, 5, 64, 1000]
    _, theirs, _, _ = allantools.mtie(phase, taus=np.array(factors, float))
    assert mtie(phase, factors) == pytest.approx(theirs, rel=1e-12)
    _, theirs, _, _ = allantools.tierms(phase, taus=np.array(factors, float))
    assert tie_rms(phase, factors) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 2, 10, 50, 200])
@pytest.mark.parametrize(("overlapped", "modified"), [(False, False), (True, False), (True, True)])
def test_equivalent_degrees_of_freedom(alpha: int, factor: int, overlapped: bool, modified: bool) -> None:
    """Greenhall and Riley's algorithm with its tables, as allantools has it, is said to err by some per cent."""
    samples = 1001
    span = 3 * factor if modified else 2 * factor
    terms = samples - span + (1 if modified else 0) if overlapped else 1 + (samples - 1 - span) // factor
    ours = degrees_of_freedom(alpha, factor, terms, overlapped=overlapped, modified=modified)
    theirs = allantools.edf_greenhall(alpha, 2, factor, samples, overlapping=overlapped, modified=modified)
    assert ours == pytest.approx(theirs, rel=0.03)


@pytest.mark.parametrize("freedom", [1.0, 2.9, 30.0, 700.0])
@pytest.mark.parametrize("confidence", [0.5, 0.683, 0.95])
def test_interval(freedom: float, confidence: float) -> None:
    theirs = allantools.confidence_interval(7e-9, freedom, confidence)
    assert interval(7e-9, freedom, confidence) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("kind", list(NoiseType))
@pytest.mark.parametrize("factor", [1, 4, 16])
def test_lag_one_exponent(kind: NoiseType, factor: int) -> None:
    phase = phase_s(kind)
    _, theirs, _, _ = allantools.autocorr_noise_id(phase, factor, data_type="phase")
    ours = lag_one_exponent(phase[::factor])
    assert ours == pytest.approx(theirs, abs=0.02)


@pytest.mark.parametrize("kind", list(NoiseType))
def test_the_noise_that_was_put_in_is_named_at_the_first_octaves(kind: NoiseType) -> None:
    """Of fifteen runs the one in the middle, since one run near a border may be named for its neighbour."""
    factors = np.array([1, 2, 4, 8])
    runs = [noise_types(phase_s(kind, seed), 1.0, factors) for seed in range(15)]
    assert np.median(runs, axis=0).tolist() == [int(kind)] * 4
