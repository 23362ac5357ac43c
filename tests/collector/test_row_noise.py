"""Noise of rows of slots, of which some are unknown."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.row_noise import known_medians, row_noise

SLOTS = 24


@pytest.mark.parametrize("unknown", [0.0, 0.1, 0.3, 0.5])
@pytest.mark.parametrize("slope", [0.0, 1_000.0])
def test_noise_is_told_by_known_slots_alone(unknown: float, slope: float) -> None:
    rng = np.random.default_rng(1)
    rows = rng.normal(0.0, 100.0, (3_000, SLOTS)) + slope * np.arange(SLOTS)
    rows[rng.random(rows.shape) < unknown] = np.nan
    assert np.median(row_noise(rows)) == pytest.approx(100.0, rel=0.06)


def test_a_step_in_a_row_is_no_noise() -> None:
    rng = np.random.default_rng(2)
    rows = rng.normal(0.0, 100.0, (3_000, 12)) + np.where(np.arange(12) > 7, 1e6, 0.0)
    rows[rng.random(rows.shape) < 0.1] = np.nan
    assert np.median(row_noise(rows)) == pytest.approx(140.0, rel=0.15)


def test_fewer_than_three_known_slots_show_nothing() -> None:
    rows = np.full((3, SLOTS), np.nan)
    rows[1, [2, 9]] = rows[2, [2, 9, 15]] = 0.0
    noise = row_noise(rows)
    assert np.isinf(noise[:2]).all()
    assert noise[2] < 10.0


def test_medians_are_those_of_known_values() -> None:
    rng = np.random.default_rng(3)
    rows = rng.normal(0.0, 1.0, (7, 40))
    rows[rng.random(rows.shape) < 0.4] = np.nan
    rows[:, 5] = np.nan
    told = known_medians(rows[None])[0]
    assert np.isnan(told[5])
    assert np.delete(told, 5) == pytest.approx(np.nanmedian(np.delete(rows, 5, axis=1), axis=0))
