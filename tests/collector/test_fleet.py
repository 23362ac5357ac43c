"""Robust least squares over the mesh, and what it learns of asymmetry."""

from __future__ import annotations

import numpy as np
import pytest
from networks import plain_network, random_network

from noonmark.collector.fleet import PRIOR_RATIO, Learn, fit_drift, fit_offset, robust_fit
from noonmark.collector.network import Network, solve
from noonmark.collector.sites import site_pairs

NODES = 40


def mesh(seed: int, edges: int = 200, nodes: int = NODES) -> Network:
    return random_network(np.random.default_rng(seed), nodes=nodes, edges=edges, groups=0, islands=1)


def said(network: Network, potential: np.ndarray, error: np.ndarray) -> np.ndarray:
    return potential[network.second] - potential[network.first] + error


def known_variances(variance: np.ndarray) -> Learn:
    return lambda residual, whole, factor, leverage: (variance, np.empty(0))


def test_clean_normal_residuals_are_nearly_plain_least_squares() -> None:
    rng = np.random.default_rng(1)
    network = mesh(1)
    potential, variance = rng.normal(0, 1e6, NODES), rng.uniform(1, 9, 200) * 1e4
    z = said(network, potential, rng.normal(size=200) * np.sqrt(variance))
    fit = robust_fit(network, z, (variance, np.empty(0)), known_variances(variance))
    plain = solve(network, z, 1 / variance, np.empty(0)).unknowns
    own = np.sqrt(fit.solution.variance(np.arange(NODES), np.zeros(NODES, np.int64) + network.anchor[0]))
    assert (np.abs(fit.potential - plain) <= 0.5 * own + 1e-6).all()
    assert fit.factor.min() > 0.3
    assert fit.leverage == pytest.approx((NODES - 1) / 200)


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 28, 39])
def test_outliers_are_forgotten_altogether(seed: int) -> None:
    rng = np.random.default_rng(seed)
    edges = 400
    network = mesh(seed, edges)
    potential, variance = rng.normal(0, 1e6, NODES), np.full(edges, 1e4)
    error = rng.normal(size=edges) * 100
    # Of a node with few edges nobody could tell which of them is wrong.
    degree = np.bincount(network.first, minlength=NODES) + np.bincount(network.second, minlength=NODES)
    fit_for_it = np.flatnonzero((degree[network.first] >= 12) & (degree[network.second] >= 12))
    bad = rng.choice(fit_for_it, 10, replace=False)
    shift = rng.choice([-1, 1], 10) * rng.uniform(1e4, 1e7, 10)
    z = said(network, potential, error)
    z[bad] += shift
    fit = robust_fit(network, z, (variance, np.empty(0)), known_variances(variance))
    good = np.ones(edges, bool)
    good[bad] = False
    left = Network(
        NODES,
        network.first[good],
        network.second[good],
        0,
        network.group[good],
        network.sign[good],
        network.component,
        network.anchor,
    )
    honest = robust_fit(left, z[good], (variance[good], np.empty(0)), known_variances(variance[good]))
    assert (fit.factor[bad] < 1e-3).all()
    assert fit.potential == pytest.approx(honest.potential, abs=30.0)
    assert fit.residual[bad] == pytest.approx(shift, abs=400.0)
    assert (fit.deviation[bad] > 9.0).all()


def test_drift_variances_scale_is_learned_from_the_residuals() -> None:
    rng = np.random.default_rng(2)
    network = mesh(2, edges=800)
    claimed = rng.uniform(0.5, 2, 800) ** 2
    z = said(network, rng.normal(0, 1e4, NODES), rng.normal(size=800) * 1.5 * np.sqrt(claimed))
    fit = fit_drift(network, z, claimed)
    assert np.sqrt(np.median(fit.variance / claimed)) == pytest.approx(1.5, rel=0.1)


def test_drift_of_a_tree_keeps_the_claimed_variances() -> None:
    network = plain_network(4, [(0, 1), (1, 2), (2, 3)])
    fit = fit_drift(network, np.array([10.0, -4.0, 3.0]), np.array([4.0, 9.0, 1.0]))
    assert fit.potential == pytest.approx([0.0, 10.0, 6.0, 9.0])
    assert fit.variance == pytest.approx([4.0, 9.0, 1.0], rel=0.01)


@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.3])
def test_usual_asymmetry_is_learned_from_the_meshs_loops(ratio: float) -> None:
    rng = np.random.default_rng(3)
    network = mesh(3, edges=600)
    half_trip = rng.uniform(1e4, 1e5, 600)
    z = said(network, rng.normal(0, 1e6, NODES), rng.normal(size=600) * ratio * half_trip)
    fit = fit_offset(network, z, np.full(600, 100.0), half_trip, site=np.zeros(NODES, np.int64))
    assert np.median(np.sqrt(fit.variance) / half_trip) == pytest.approx(ratio, rel=0.12)


def test_where_no_loop_teaches_the_prior_stands() -> None:
    network = plain_network(3, [(0, 1), (1, 2)])
    fit = fit_offset(
        network, np.array([5.0, 7.0]), np.array([1.0, 1.0]), np.array([1e4, 2e4]), site=np.zeros(3, np.int64)
    )
    assert np.sqrt(fit.variance) == pytest.approx(PRIOR_RATIO * np.array([1e4, 2e4]), rel=1e-3)


@pytest.mark.parametrize("ratio", [0.05, 0.2])
def test_coverage_of_potentials_is_as_promised(ratio: float) -> None:
    """|error| <= 2u for 95 % of the nodes, over meshes whose asymmetry had to be learned."""
    hits, total = 0, 0
    for seed in range(15):
        rng = np.random.default_rng([seed, 77])
        network = mesh(seed, edges=160)
        half_trip = rng.uniform(2e4, 5e4, 160)
        potential = rng.normal(0, 1e6, NODES)
        z = said(network, potential, rng.normal(size=160) * np.hypot(ratio * half_trip, 300.0))
        fit = fit_offset(network, z, np.full(160, 9e4), half_trip, site=np.zeros(NODES, np.int64))
        anchor = int(network.anchor[0])
        error = fit.potential - (potential - potential[anchor])
        own = np.sqrt(fit.solution.variance(np.arange(NODES), np.full(NODES, anchor)))
        others = np.arange(NODES) != anchor
        hits += int((np.abs(error) <= 2 * own)[others].sum())
        total += int(others.sum())
    assert 0.90 <= hits / total <= 0.995


def test_asymmetry_shared_between_sites_makes_hosts_of_other_sites_less_sure() -> None:
    """Forty paths between two sites share one error: their mean is no surer than that one."""
    rng = np.random.default_rng(4)
    site = np.repeat([0, 1, 2, 3], 10)
    pairs = [(a, b) for a in range(40) for b in range(a + 1, 40) if site[a] == site[b] or rng.random() < 0.3]
    first, second = np.array(pairs).T
    groups, group, sign = site_pairs(site, first, second)
    network = Network(40, first, second, groups, group, sign, np.zeros(40, np.int64), np.array([0], np.int64))
    far = site[first] != site[second]
    half_trip = np.where(far, 5e5, 1e4)
    effect = rng.normal(0, 5e4, groups)
    error = rng.normal(size=len(first)) * np.where(far, 2e3, 300.0) + np.where(far, sign * effect[group], 0.0)
    fit = fit_offset(network, error.copy(), np.full(len(first), 1e4), half_trip, site=site)
    own = np.sqrt(fit.solution.variance(np.arange(40), np.zeros(40, np.int64)))
    # Naive averaging would claim 2,000 / sqrt(30) ns; six shared effects of 50 us over three unknown sites remain.
    assert own[site > 0].min() > 1e4
    assert own[1:10].max() < 500.0
    assert (np.abs(fit.potential) <= 3 * own + 1e-9).all()


@pytest.mark.parametrize("power", [0.25, 0.5, 1.0])
def test_how_asymmetry_grows_with_the_round_trip_is_learned_from_the_loops(power: float) -> None:
    """Long lines are seldom as unequal, in proportion, as short ones; or they are: the residuals tell."""
    rng = np.random.default_rng(5)
    edges = 300
    network = mesh(5, edges)
    half_trip = np.exp(rng.uniform(np.log(1e5), np.log(1e7), edges))
    size = 2e4 * (half_trip / 1e6) ** power
    z = said(network, rng.normal(0, 1e6, NODES), rng.normal(size=edges) * size)
    fit = fit_offset(network, z, np.full(edges, 1e2), half_trip, site=np.zeros(NODES, np.int64))
    learned = np.polyfit(np.log(half_trip), np.log(np.sqrt(fit.variance)), 1)[0]
    assert learned == pytest.approx(power, abs=0.26)
    assert np.median(np.sqrt(fit.variance) / size) == pytest.approx(1.0, abs=0.2)
