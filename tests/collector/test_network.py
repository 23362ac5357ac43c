"""Weighted least squares over graphs, against a dense design matrix and numpy's lstsq and pinv."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from networks import plain_network, random_network

from noonmark.collector import network as subject
from noonmark.collector.conjugate_gradients import conjugate_gradients
from noonmark.collector.network import Network, solve


def design(network: Network) -> np.ndarray:
    """One row an edge, one column a node and a group: written out."""
    rows = np.zeros((len(network.first), network.unknowns))
    for edge, (a, b, group, sign) in enumerate(
        zip(network.first, network.second, network.group, network.sign, strict=True)
    ):
        rows[edge, a] -= 1.0
        rows[edge, b] += 1.0
        if group >= 0:
            rows[edge, network.nodes + group] = sign
    return rows


def twin(network: Network, z: np.ndarray, weight: np.ndarray, effect_weight: np.ndarray) -> np.ndarray:
    """Least squares with each effect as one more observation of 0; then each anchor is set to 0."""
    prior = np.eye(network.unknowns)[network.nodes :]
    stacked = np.concatenate([design(network) * np.sqrt(weight)[:, None], prior * np.sqrt(effect_weight)[:, None]])
    right = np.concatenate([z * np.sqrt(weight), np.zeros(network.groups)])
    found = np.linalg.lstsq(stacked, right, rcond=None)[0]
    found[: network.nodes] -= found[network.anchor][network.component]
    return found


def covariance_twin(network: Network, weight: np.ndarray, effect_weight: np.ndarray) -> np.ndarray:
    rows = design(network)
    normal = rows.T @ (rows * weight[:, None])
    normal[network.nodes :, network.nodes :] += np.diag(effect_weight)
    pseudo = np.linalg.pinv(normal, hermitian=True)
    levelled = np.eye(network.unknowns)
    levelled[np.arange(network.nodes), network.anchor[network.component]] -= 1.0
    return levelled @ pseudo @ levelled.T


CASES = [(seed, groups) for seed in range(4) for groups in (0, 3)]


@pytest.mark.parametrize("dense", [True, False])
@pytest.mark.parametrize(("seed", "groups"), CASES)
def test_solution_is_that_of_dense_least_squares(
    seed: int, groups: int, dense: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 700 if dense else 0)
    rng = np.random.default_rng(seed)
    network = random_network(rng, nodes=40, edges=90, groups=groups, islands=1 + seed % 3)
    z, weight = rng.normal(0, 1e4, 90), 10.0 ** rng.uniform(-6, -2, 90)
    effect_weight = 10.0 ** rng.uniform(-6, -3, groups)
    found = solve(network, z, weight, effect_weight)
    assert found.unknowns == pytest.approx(twin(network, z, weight, effect_weight), abs=0.05)
    assert (found.unknowns[network.anchor] == 0.0).all()


@pytest.mark.parametrize(("seed", "groups"), CASES)
def test_variances_are_those_of_the_pseudo_inverse(seed: int, groups: int) -> None:
    rng = np.random.default_rng(seed)
    network = random_network(rng, nodes=30, edges=70, groups=groups, islands=1 + seed % 2)
    weight, effect_weight = 10.0 ** rng.uniform(-6, -2, 70), 10.0 ** rng.uniform(-6, -3, groups)
    found = solve(network, np.zeros(70), weight, effect_weight)
    expected = covariance_twin(network, weight, effect_weight)
    assert found.covariance is not None
    nodes = slice(0, network.nodes)
    assert found.covariance[nodes, nodes] == pytest.approx(expected[nodes, nodes], rel=1e-6, abs=1e-3)
    alike = network.component[:, None] == network.component[None, :]
    rows, against = np.nonzero(alike)
    difference = expected[rows, rows] + expected[against, against] - 2 * expected[rows, against]
    assert found.variance(rows, against) == pytest.approx(np.maximum(difference, 0.0), rel=1e-6, abs=1e-3)


def test_sampled_variances_of_a_large_network_are_right_within_their_promise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 0)
    rng = np.random.default_rng(5)
    network = random_network(rng, nodes=200, edges=800, groups=4, islands=1)
    weight, effect_weight = 10.0 ** rng.uniform(-5, -3, 800), np.full(4, 1e-5)
    found = solve(network, np.zeros(800), weight, effect_weight)
    assert found.covariance is None
    rows = np.arange(200)
    against = network.anchor[network.component]
    expected = np.diag(covariance_twin(network, weight, effect_weight))[:200]
    some = rows[rows != against]
    ratio = found.variance(some, against[some]) / expected[some]
    # 48 draws: relative standard error sqrt(2/48) = 0.2 of each, and of a common factor.
    assert np.abs(np.log(ratio)).max() < 1.1
    assert np.sqrt(np.mean(np.log(ratio) ** 2)) < 0.4


def test_without_uncertainty_a_large_network_draws_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 0)
    rng = np.random.default_rng(6)
    network = random_network(rng, nodes=20, edges=40, groups=0, islands=1)
    found = solve(network, rng.normal(size=40), np.ones(40), np.empty(0), uncertain=False)
    assert found.samples is None
    assert found.covariance is None


def test_warm_start_needs_fewer_iterations_and_gives_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 0)
    rng = np.random.default_rng(7)
    network = random_network(rng, nodes=300, edges=900, groups=0, islands=1)
    z, weight = rng.normal(0, 1e5, 900), np.ones(900)
    cold = solve(network, z, weight, np.empty(0), uncertain=False)
    moved = z + rng.normal(0, 1e-3, 900)
    warm = solve(network, moved, weight, np.empty(0), start=cold.unknowns, uncertain=False)
    assert warm.iterations < cold.iterations
    assert warm.unknowns == pytest.approx(solve(network, moved, weight, np.empty(0)).unknowns, abs=1e-2)


def test_adding_potentials_to_the_edges_moves_each_node_by_its_own() -> None:
    rng = np.random.default_rng(8)
    network = random_network(rng, nodes=25, edges=60, groups=2, islands=1)
    z, weight, effect_weight = rng.normal(0, 100, 60), rng.uniform(0.1, 2, 60), np.ones(2)
    potential = rng.normal(0, 1e6, 25)
    base = solve(network, z, weight, effect_weight).unknowns
    moved = solve(network, z + potential[network.second] - potential[network.first], weight, effect_weight).unknowns
    gained = moved[:25] - base[:25]
    expected = potential - potential[network.anchor][network.component]
    assert gained == pytest.approx(expected, abs=1e-5)


def test_relabelling_nodes_permutes_the_answer() -> None:
    rng = np.random.default_rng(9)
    network = random_network(rng, nodes=25, edges=60, groups=2, islands=1)
    z, weight, effect_weight = rng.normal(0, 100, 60), rng.uniform(0.1, 2, 60), np.ones(2)
    place = rng.permutation(25)
    back = np.argsort(place)
    other = Network(
        25,
        place[network.first],
        place[network.second],
        2,
        network.group,
        network.sign,
        network.component[back],
        place[network.anchor],
    )
    one, two = solve(network, z, weight, effect_weight), solve(other, z, weight, effect_weight)
    assert two.unknowns[:25][place] == pytest.approx(one.unknowns[:25], abs=1e-9)
    assert two.variance(place, place[network.anchor][network.component]) == pytest.approx(
        one.variance(np.arange(25), network.anchor[network.component])
    )


@pytest.mark.parametrize("dense", [True, False])
def test_isolated_nodes_stay_at_zero(dense: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 700 if dense else 0)
    none = np.full(1, -1)
    network = Network(
        4, np.array([1]), np.array([2]), 0, none, np.zeros(1), np.array([0, 1, 1, 2]), np.array([0, 1, 3])
    )
    found = solve(network, np.array([5.0]), np.array([4.0]), np.empty(0))
    assert found.unknowns.tolist() == pytest.approx([0.0, 0.0, 5.0, 0.0])
    if dense:
        assert found.variance(np.arange(4), np.array([0, 1, 1, 3])).tolist() == pytest.approx([0.0, 0.0, 0.25, 0.0])


def test_network_without_edges_is_all_zero() -> None:
    none = np.empty(0, np.int64)
    network = Network(2, none, none, 0, none, np.empty(0), np.array([0, 1]), np.array([0, 1]))
    assert solve(network, np.empty(0), np.empty(0), np.empty(0)).unknowns.tolist() == [0.0, 0.0]


def test_variances_twelve_orders_apart_spoil_nothing() -> None:
    chain = np.arange(5)
    network = Network(
        6, chain, chain + 1, 0, np.full(5, -1), np.zeros(5), np.zeros(6, np.int64), np.array([0], np.int64)
    )
    variance = np.array([1e-4, 1e8, 1.0, 1e8, 1e-4])
    found = solve(network, np.arange(5.0), 1.0 / variance, np.empty(0))
    # Float64 holds 16 digits; what it loses is a millionth of these potentials' standard uncertainty of 10,000.
    assert found.unknowns == pytest.approx(np.concatenate([[0.0], np.cumsum(np.arange(5.0))]), abs=0.01)
    assert found.variance(np.arange(6), np.zeros(6, np.int64)) == pytest.approx(
        np.concatenate([[0.0], np.cumsum(variance)]), rel=1e-3
    )


def test_fitted_is_the_designs_own_product() -> None:
    rng = np.random.default_rng(10)
    network = random_network(rng, nodes=12, edges=30, groups=3, islands=2)
    unknowns = rng.normal(size=15)
    assert network.fitted(unknowns) == pytest.approx(design(network) @ unknowns)
    z, weight = rng.normal(size=30), rng.uniform(0.5, 2, 30)
    assert network.right_side(weight * z, np.zeros(3)) == pytest.approx(design(network).T @ (weight * z))
    normal = network.normal_matrix(weight, np.full(3, 7.0)).toarray()
    expected = design(network).T @ (design(network) * weight[:, None]) + np.diag([0.0] * 12 + [7.0] * 3)
    assert normal == pytest.approx(expected)


def test_conjugate_gradients_solve_many_right_sides_alike() -> None:
    rng = np.random.default_rng(11)
    network = random_network(rng, nodes=60, edges=150, groups=0, islands=1)
    weight, nothing = rng.uniform(0.5, 2, 150), np.empty(0)
    matrix, system = network.normal_matrix(weight, nothing), network.scaled(weight, nothing)
    right = rng.normal(size=(60, 5))
    right -= right.mean(axis=0)
    together, _ = conjugate_gradients(system, right)
    for column in range(5):
        alone, _ = conjugate_gradients(system, right[:, [column]])
        difference = together[:, column] - alone[:, 0]
        assert difference - difference.mean() == pytest.approx(np.zeros(60), abs=1e-6)
        assert matrix @ together[:, column] == pytest.approx(right[:, column], abs=1e-6)


@pytest.mark.parametrize("pairs", [[(k, (k + 1) % 60) for k in range(60)], [(k, k + 1) for k in range(59)]])
def test_conjugate_gradients_where_no_ring_is_odd(pairs: list[tuple[int, int]]) -> None:
    """There the couplings have the eigenvalue -1, to which two whole steps of Jacobi's would be blind."""
    network = plain_network(60, pairs)
    system = network.scaled(np.ones(len(pairs)), np.empty(0))
    right = np.where(np.arange(60) % 2, 1.0, -1.0)
    assert np.linalg.eigvalsh(system.couplings.toarray())[0] == pytest.approx(-1.0)
    found, iterations = conjugate_gradients(system, right)
    matrix = network.normal_matrix(np.ones(len(pairs)), np.empty(0))
    assert matrix @ found == pytest.approx(right, abs=1e-6)
    assert iterations <= 60


def test_two_steps_save_iterations_and_change_nothing_else() -> None:
    rng = np.random.default_rng(12)
    network = random_network(rng, nodes=400, edges=1600, groups=0, islands=1)
    system = network.scaled(10.0 ** rng.uniform(-1, 1, 1600), np.empty(0))
    right = rng.normal(size=400)
    right -= right.mean()
    once, many = conjugate_gradients(replace(system, walk=False), right)
    twice, few = conjugate_gradients(system, right)
    assert few < 0.7 * many
    assert twice - twice.mean() == pytest.approx(once - once.mean(), abs=1e-6)


def test_an_anchor_that_hardly_holds_spoils_nothing() -> None:
    """Reference time (node 0) hangs on a tight triangle by two edges of a second each."""
    first, second = np.array([0, 0, 1, 2, 1]), np.array([1, 2, 2, 3, 3])
    z = np.array([7e8, 7e8, 50.0, -20.0, 30.0])
    variance = np.array([1e18, 1e18, 1e4, 1e4, 1e4])
    network = Network(4, first, second, 0, np.full(5, -1), np.zeros(5), np.zeros(4, np.int64), np.array([0], np.int64))
    found = solve(network, z, 1.0 / variance, np.empty(0))
    assert found.unknowns[0] == 0.0
    assert found.unknowns[2] - found.unknowns[1] == pytest.approx(50.0, abs=0.1)
    assert found.unknowns[1:] == pytest.approx(np.full(3, 7e8), abs=100)
    assert np.sqrt(found.variance(np.arange(4), np.zeros(4, np.int64))) == pytest.approx(
        [0.0, *[1e9 / np.sqrt(2)] * 3], rel=1e-6
    )
    assert found.variance(np.array([1]), np.array([2])) == pytest.approx([1e4 * 2 / 3], rel=0.05)
