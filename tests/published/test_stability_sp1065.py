"""Stability statistics against NIST SP 1065 (W. J. Riley, "Handbook of Frequency Stability Analysis", 2008).

Its two test suites (section 12): the 1000-point set of the recursion n(i+1) = 16807 n(i) mod 2147483647, and the nine
frequencies of the 10-point phase set. Values are those of its tables, as quoted with allantools' own tests; the
confidence intervals and the MTIE and TIErms of the set without its mean are those quoted there too.
"""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.stability import Statistic, deviations
from noonmark.collector.stability_wander import mtie, tie_rms

NINE = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], np.float64)


def thousand() -> np.ndarray:
    number, values = 1234567890, []
    for _ in range(1000):
        values.append(number / 2147483647)
        number = 16807 * number % 2147483647
    return np.array(values)


def phase_of(frequency: np.ndarray) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(frequency)])


def test_the_set_is_the_handbooks_own() -> None:
    frequency = thousand()
    assert [round(value * 2147483647) for value in frequency[1:4]] == [395529916, 1209410747, 633705974]
    assert frequency.mean() == pytest.approx(4.897745e-1, rel=1e-6)
    assert frequency.std(ddof=1) == pytest.approx(2.884664e-1, rel=1e-6)


@pytest.mark.parametrize(
    ("statistic", "at_1", "at_10", "at_100"),
    [
        (Statistic.ALLAN, 2.922319e-1, 9.965736e-2, 3.897804e-2),
        (Statistic.OVERLAPPING, 2.922319e-1, 9.159953e-2, 3.241343e-2),
        (Statistic.MODIFIED, 2.922319e-1, 6.172376e-2, 2.170921e-2),
        (Statistic.TIME, 1.687202e-1, 3.563623e-1, 1.253382),
    ],
)
def test_thousand_points(statistic: Statistic, at_1: float, at_10: float, at_100: float) -> None:
    found = deviations(phase_of(thousand()), 1.0, statistic, factors=[1, 10, 100])
    assert found.deviation == pytest.approx([at_1, at_10, at_100], rel=1e-6)
    assert found.tau_s.tolist() == [1.0, 10.0, 100.0]


@pytest.mark.parametrize(
    ("statistic", "at_1", "at_2"),
    [
        (Statistic.ALLAN, 91.22945, 115.8082),
        (Statistic.OVERLAPPING, 91.22945, 85.95287),
        (Statistic.MODIFIED, 91.22945, 74.78849),
        (Statistic.TIME, 52.67135, 86.35831),
    ],
)
def test_nine_frequencies(statistic: Statistic, at_1: float, at_2: float) -> None:
    assert deviations(phase_of(NINE), 1.0, statistic, factors=[1, 2]).deviation == pytest.approx([at_1, at_2], rel=1e-6)


def test_confidence_intervals_of_one_standard_deviation() -> None:
    overlapping = deviations(phase_of(thousand()), 1.0, Statistic.OVERLAPPING, factors=[2])
    assert overlapping.deviation[0] == pytest.approx(0.20102, abs=5e-6)
    assert (overlapping.lower[0], overlapping.upper[0]) == pytest.approx((0.19520, 0.20738), abs=5e-5)
    plain = deviations(phase_of(thousand()), 1.0, Statistic.ALLAN, factors=[1])
    assert (plain.lower[0], plain.upper[0]) == pytest.approx((0.28515, 0.29987), abs=5e-5)


def test_mtie_and_tie_rms_of_the_set_without_its_mean() -> None:
    phase = phase_of(thousand() - thousand().mean())
    found = mtie(phase, [1, 3, 7, 10, 15, 31, 100])
    assert found == pytest.approx([5.0597e-1, 1.2984, 2.2922, 2.698815, 2.9949, 4.4550, 6.750909], abs=5.1e-5)
    assert tie_rms(phase, [1])[0] == pytest.approx(0.28832, abs=5e-6)


def test_the_set_is_white_frequency_noise() -> None:
    """Independent frequencies are white FM, alpha = 0, at every averaging time."""
    assert deviations(phase_of(thousand()), 1.0, Statistic.OVERLAPPING).noise[:6].tolist() == [0] * 6


@pytest.mark.parametrize("drift", [1e-9, -3e-7])
def test_a_frequency_drift_gives_drift_times_tau_over_root_two(drift: float) -> None:
    """SP 1065 section 5.2.2: sigma_y = D tau / sqrt 2."""
    at = np.arange(200.0)
    found = deviations(drift * at**2 / 2, 1.0, Statistic.OVERLAPPING, factors=[1, 4, 16])
    assert found.deviation == pytest.approx(abs(drift) * found.tau_s / np.sqrt(2), rel=1e-6)
