"""Our weighted least squares against certified regressions.

Sources: NIST Statistical Reference Datasets, linear regression, sets Norris, NoInt1 and NoInt2 (certified values);
JCGM 100:2008 (GUM) example H.3, calibration of a thermometer (rounded values from memory, unrounded ones computed).

How a regression becomes a network of differences: y = B x with equal errors is y / x = B with variance 1 / x^2, so each
observation is an edge between the same two nodes, of weight x^2. A line y = A + B (x - mean of x) has two parameters
that do not interact, so it is two such edges an observation: just as the fleet's offsets and drifts are fitted in turn.
NIST's Longley set has six regressors with no such form; nothing in this solver can express it, and it is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from noonmark.collector import network as subject
from noonmark.collector.network import Network, solve

NORRIS = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
THERMOMETER_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTION_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


@dataclass(frozen=True)
class Line:
    """y = height + slope (x - centre), the variances of both, and the residuals' standard deviation."""

    centre: float
    height: float
    slope: float
    height_variance: float
    slope_variance: float
    residual: float

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty, as the fleet's offsets are told away from the middle of their probes."""
        away = x - self.centre
        return self.height + self.slope * away, float(np.sqrt(self.height_variance + self.slope_variance * away**2))


def parallel_edges(nodes: int, second: np.ndarray) -> Network:
    """Edges that all begin at node 0."""
    edges = len(second)
    return Network(
        nodes,
        np.zeros(edges, np.int64),
        second.astype(np.int64),
        0,
        np.full(edges, -1),
        np.zeros(edges),
        np.zeros(nodes, np.int64),
        np.array([0], np.int64),
    )


def fit_proportion(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """B of y = B x, its standard deviation, and the residuals' standard deviation."""
    found = solve(parallel_edges(2, np.ones(len(x))), y / x, x**2, np.empty(0))
    slope = float(found.unknowns[1])
    residual = float(np.sqrt(((y - slope * x) ** 2).sum() / (len(x) - 1)))
    variance = float(found.variance(np.array([1]), np.array([0]))[0])
    return slope, residual * np.sqrt(variance), residual


def fit_line(x: np.ndarray, y: np.ndarray) -> Line:
    """Node 1 is the height at the mean of x, node 2 the slope."""
    centre = float(x.mean())
    away = x - centre
    used = away != 0
    second = np.concatenate([np.ones(len(x)), np.full(used.sum(), 2)])
    z = np.concatenate([y, y[used] / away[used]])
    weight = np.concatenate([np.ones(len(x)), away[used] ** 2])
    found = solve(parallel_edges(3, second), z, weight, np.empty(0))
    _, height, slope = found.unknowns
    residual = float(np.sqrt(((y - height - slope * away) ** 2).sum() / (len(x) - 2)))
    height_variance, slope_variance = found.variance(np.array([1, 2]), np.array([0, 0])) * residual**2
    return Line(centre, float(height), float(slope), float(height_variance), float(slope_variance), residual)


@pytest.fixture(params=["dense", "iterated"])
def solver(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways in which networks are solved; the iterated one tells variances only within 10 or 20 %."""
    if request.param == "iterated":
        monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 0)
    return str(request.param)


def norris() -> tuple[np.ndarray, np.ndarray]:
    rows = np.array([line.split() for line in NORRIS.read_text().splitlines()[60:] if line.strip()], float)
    assert rows.shape == (36, 2)
    return rows[:, 1], rows[:, 0]


def test_norris_has_nists_certified_parameters(solver: str) -> None:
    line = fit_line(*norris())
    value, deviation = line.at(0.0)
    assert value == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-10)
    if solver == "dense":
        assert deviation == pytest.approx(0.232818234301152, rel=1e-10)
        assert np.sqrt(line.slope_variance) == pytest.approx(0.429796848199937e-3, rel=1e-10)


def test_noint1_has_nists_certified_parameters(solver: str) -> None:
    slope, deviation, residual = fit_proportion(np.arange(60.0, 71.0), np.arange(130.0, 141.0))
    assert slope == pytest.approx(2.07438016528926, rel=1e-12)
    assert residual == pytest.approx(3.56753034006338, rel=1e-12)
    if solver == "dense":
        assert deviation == pytest.approx(0.0165289256198347, rel=1e-12)


def test_noint2_has_nists_certified_parameters(solver: str) -> None:
    slope, deviation, residual = fit_proportion(np.array([4.0, 5.0, 6.0]), np.array([3.0, 4.0, 4.0]))
    assert slope == pytest.approx(0.727272727272727, rel=1e-12)
    assert residual == pytest.approx(0.369274472937998, rel=1e-12)
    if solver == "dense":
        assert deviation == pytest.approx(0.0420827318078432, rel=1e-12)


def test_gum_h3_offset_drift_and_their_extrapolation() -> None:
    line = fit_line(np.array(THERMOMETER_C), np.array(CORRECTION_C))
    offset, uncertainty = line.at(20.0)
    assert (offset, uncertainty) == pytest.approx((-0.171204, 0.002878), abs=1e-6)
    assert (line.slope, np.sqrt(line.slope_variance)) == pytest.approx((0.0021827, 0.000668), abs=1e-6)
    assert line.residual == pytest.approx(0.003498, abs=1e-6)
    # Covariance of the offset at 20 and the slope, by propagation from the uncorrelated pair at the centre.
    correlation = (20.0 - line.centre) * line.slope_variance / (uncertainty * np.sqrt(line.slope_variance))
    assert correlation == pytest.approx(-0.9304, abs=1e-4)
    # GUM H.3.4: predicted at 30 degrees -0.1494 with standard uncertainty 0.0041.
    predicted, of_prediction = line.at(30.0)
    assert round(predicted, 4) == -0.1494
    assert round(of_prediction, 4) == 0.0041


def test_gum_h3_at_the_mean_is_surest_and_uncorrelated() -> None:
    line = fit_line(np.array(THERMOMETER_C), np.array(CORRECTION_C))
    assert line.centre == pytest.approx(24.00845, abs=1e-5)
    assert line.at(line.centre) == pytest.approx((-0.162455, 0.0010546), abs=1e-6)
