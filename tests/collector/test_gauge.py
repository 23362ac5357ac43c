from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.estimate import FleetEstimate, Float64
from noonmark.collector.gauge import limits_to_mean, mean_of_fleet
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate


def truth_to_mean(estimate: FleetEstimate, true: Float64) -> Float64:
    """True offsets against the mean of each component's clocks that stay together."""
    return true - mean_of_fleet(true, estimate.component.astype(np.int64)).of(true)


@pytest.mark.parametrize("kind", ["kernel-lan", "large-offsets", "disconnected"])
@pytest.mark.parametrize("seed", [1, 2])
def test_fleet_without_reference_is_measured_against_its_mean(kind: str, seed: int) -> None:
    probes, truth = simulate(kind, hosts=30, seed=seed)

    estimate = step(probes, references=[])

    true = truth_to_mean(estimate, truth.offsets_ns(estimate.at_ns).astype(np.float64))
    error = np.abs(estimate.offset_ns - true)
    assert np.median(error) < 300
    assert (error <= 2 * estimate.uncertainty_ns).mean() > 0.8
    assert (estimate.lower_ns <= true + 1).all()
    assert (estimate.upper_ns >= true - 1).all()
    assert {str(state) for state in estimate.state} == {"measured"}


def test_a_stray_clock_has_no_say() -> None:
    offset = np.array([0.0, 100.0, -100.0, 50.0, 4e12])

    mean = mean_of_fleet(offset, np.zeros(5, dtype=np.int64))

    assert mean.weight[4] == 0.0
    assert mean.of(offset)[4] == pytest.approx(12.5)


def test_limits_to_mean_of_two_are_half_their_difference() -> None:
    mean = mean_of_fleet(np.array([0.0, 10.0]), np.zeros(2, dtype=np.int64))

    lower, upper = limits_to_mean(mean, np.array([0]), np.array([1]), np.array([4.0]), np.array([16.0]))

    np.testing.assert_allclose(lower, [-8.0, 2.0])
    np.testing.assert_allclose(upper, [-2.0, 8.0])
