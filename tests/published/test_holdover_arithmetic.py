"""Holdover's arithmetic against values that the trade and handbooks give; x(t) = y*t + D*t^2/2 (NIST SP 1065)."""

from __future__ import annotations

import pytest

from noonmark.proto.oscillators import YEAR_S, Oscillator, holdover_uncertainty

DAY_S = 86_400.0


def test_five_parts_in_a_thousand_million_are_432_us_after_a_day() -> None:
    """Common practice, no source."""
    assert holdover_uncertainty(Oscillator("", frequency_uncertainty=5e-9), DAY_S) == pytest.approx(432e3)


@pytest.mark.parametrize(
    ("frequency", "seconds_a_day"),
    [(1e-6, 86.4e-3), (15e-6, 1.296), (0.1e-6, 8.64e-3)],  # arithmetic; 15 ppm is RFC 5905's PHI
)
def test_a_frequency_error_grows_linearly(frequency: float, seconds_a_day: float) -> None:
    gained = holdover_uncertainty(Oscillator("", frequency_uncertainty=frequency), DAY_S)
    assert gained == pytest.approx(seconds_a_day * 1e9)


def test_ageing_of_one_part_in_a_thousand_million_a_day_is_43_us_after_a_day() -> None:
    """D*t^2/2, as a standard uncertainty of a rectangular distribution (JCGM 100, 4.3.7)."""
    ageing = 1e-9 * YEAR_S / DAY_S
    assert holdover_uncertainty(Oscillator("", ageing_per_year=ageing), DAY_S) == pytest.approx(43.2e3 / 3**0.5)


def test_white_frequency_noise_grows_with_the_root_of_time() -> None:
    """sigma_x(tau) = sigma_y(1 s) * sqrt(tau) (NIST SP 1065, white FM)."""
    assert holdover_uncertainty(Oscillator("", noise_at_1s=1e-9), 100.0) == pytest.approx(10.0)
