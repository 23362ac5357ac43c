"""Variances of offset differences are effective resistances, least squares is theirs.

Sources: Barooah and Hespanha, "Estimation on Graphs from Relative Measurements", IEEE Control Systems Magazine, August
2007; Karp, Elson, Estrin and Shenker, "Optimal and Global Time Synchronization in Sensornets", 2003; values of named
graphs by networkx (resistance_distance) and by hand; Foster's theorem (1949); chi-square quantiles of any table (and of
scipy); solutions by scipy.sparse.linalg.lsqr and lsmr.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from builders import Host, Path, build
from networks import plain_network, random_network
from scipy.sparse import csr_array
from scipy.sparse.linalg import lsmr, lsqr
from scipy.stats import chi2

from noonmark.collector import network as subject
from noonmark.collector.network import Network, solve
from noonmark.collector.pairs import compare, pair_variance


def network_of(graph: nx.Graph) -> tuple[Network, np.ndarray]:
    graph = nx.convert_node_labels_to_integers(graph)
    variance = np.array([data.get("variance", 1.0) for _, _, data in graph.edges(data=True)])
    return plain_network(len(graph), list(graph.edges)), variance


def variance_between(graph: nx.Graph, a: int, b: int) -> float:
    network, variance = network_of(graph)
    found = solve(network, np.zeros(len(variance)), 1.0 / variance, np.empty(0))
    return float(found.variance(np.array([a]), np.array([b]))[0])


CUBE = nx.hypercube_graph(3)
CUBE_NODES = sorted(CUBE.nodes)


@pytest.mark.parametrize(
    ("graph", "a", "b", "expected"),
    [
        (nx.path_graph(8), 0, 7, 7.0),
        (nx.path_graph(8), 2, 5, 3.0),
        (nx.star_graph(9), 3, 7, 2.0),
        (nx.star_graph(9), 0, 7, 1.0),
        (nx.cycle_graph(6), 0, 1, 5 / 6),
        (nx.cycle_graph(6), 0, 2, 4 / 3),
        (nx.cycle_graph(6), 0, 3, 3 / 2),
        (nx.complete_graph(5), 1, 3, 0.4),
        (nx.complete_graph(20), 0, 19, 0.1),
        (nx.petersen_graph(), 0, 1, 0.6),
        (nx.petersen_graph(), 0, 2, 0.8),
        (CUBE, CUBE_NODES.index((0, 0, 0)), CUBE_NODES.index((0, 0, 1)), 7 / 12),
        (CUBE, CUBE_NODES.index((0, 0, 0)), CUBE_NODES.index((0, 1, 1)), 3 / 4),
        (CUBE, CUBE_NODES.index((0, 0, 0)), CUBE_NODES.index((1, 1, 1)), 5 / 6),
        (nx.grid_2d_graph(3, 3), 0, 8, 1.5),
        (nx.complete_bipartite_graph(2, 3), 0, 1, 2 / 3),
        (nx.complete_bipartite_graph(2, 3), 2, 3, 1.0),
        (nx.complete_bipartite_graph(2, 3), 0, 2, 2 / 3),
    ],
)
def test_variance_on_named_graphs_is_their_resistance(graph: nx.Graph, a: int, b: int, expected: float) -> None:
    assert variance_between(graph, a, b) == pytest.approx(expected, rel=1e-12)
    plain = nx.convert_node_labels_to_integers(graph)
    assert nx.resistance_distance(plain, a, b) == pytest.approx(expected)


def weighted_graph(seed: int) -> nx.Graph:
    graph = nx.connected_watts_strogatz_graph(25, 4, 0.4, seed=seed)
    rng = np.random.default_rng(seed)
    for _, _, data in graph.edges(data=True):
        data["variance"] = float(10 ** rng.uniform(-2, 3))
    return graph


@pytest.mark.parametrize("seed", range(3))
def test_variances_of_a_weighted_graph_are_networkxs_resistances(seed: int) -> None:
    graph = weighted_graph(seed)
    network, variance = network_of(graph)
    found = solve(network, np.zeros(len(variance)), 1.0 / variance, np.empty(0))
    # networkx takes the weight for a resistance (invert_weight is True by default).
    expected = nx.resistance_distance(graph, weight="variance")
    rows, against = np.triu_indices(25, 1)
    theirs = np.array([expected[a][b] for a, b in zip(rows.tolist(), against.tolist(), strict=True)])
    assert found.variance(rows, against) == pytest.approx(theirs, rel=1e-6)
    assert isinstance(network, Network)


@pytest.mark.parametrize("seed", range(3))
def test_pairs_of_an_estimate_are_as_sure_as_the_resistance_between_them(seed: int) -> None:
    graph = weighted_graph(seed)
    hosts = [Host(f"h{node:02d}", drift_uncertainty=0.0) for node in range(25)]
    paths = [Path(f"h{a:02d}", f"h{b:02d}", 0, data["variance"] ** 0.5) for a, b, data in graph.edges(data=True)]
    estimate = build(hosts, paths)
    for a, b in [(0, 1), (3, 17), (24, 11)]:
        expected = nx.resistance_distance(graph, a, b, weight="variance")
        assert pair_variance(estimate, a, b) == pytest.approx(expected, rel=1e-5)
        assert compare(estimate, f"h{a:02d}", f"h{b:02d}").uncertainty_ns == np.ceil(np.sqrt(expected) - 1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_foster_leverages_add_up_to_hosts_less_components(seed: int) -> None:
    rng = np.random.default_rng(seed)
    network = random_network(rng, nodes=30, edges=80, groups=0, islands=1 + seed)
    weight = 10 ** rng.uniform(-3, 3, 80)
    found = solve(network, np.zeros(80), weight, np.empty(0))
    leverage = weight * found.variance(network.first, network.second)
    assert leverage.sum() == pytest.approx(30 - (1 + seed), rel=1e-9)
    assert (leverage <= 1.0 + 1e-9).all()


def test_rayleigh_one_more_path_raises_no_variance() -> None:
    graph = weighted_graph(5)
    before = [variance_between(graph, 0, node) for node in range(1, 25)]
    graph.add_edge(2, 19, variance=0.5)
    after = [variance_between(graph, 0, node) for node in range(1, 25)]
    assert (np.array(after) <= np.array(before) * (1 + 1e-9)).all()
    assert min(np.array(after) / np.array(before)) < 0.9


def test_weighted_triangle_has_its_worked_variances() -> None:
    triangle = nx.Graph()
    triangle.add_edge(0, 1, variance=1.0)
    triangle.add_edge(1, 2, variance=4.0)
    triangle.add_edge(0, 2, variance=5.0)
    assert variance_between(triangle, 0, 2) == pytest.approx(2.5)
    assert variance_between(triangle, 0, 1) == pytest.approx(0.9)


def test_triangle_that_misses_by_three_shares_the_miss_equally() -> None:
    # By hand: a-b 3, b-c 4, a-c 10; the loop misses by 3, each residual takes 1 of it.
    network = plain_network(3, [(0, 1), (1, 2), (0, 2)])
    z = np.array([3.0, 4.0, 10.0])
    found = solve(network, z, np.ones(3), np.empty(0))
    assert found.unknowns == pytest.approx([0.0, 4.0, 9.0])
    residual = z - network.fitted(found.unknowns)
    assert residual == pytest.approx([-1.0, -1.0, 1.0])
    # One loop, one degree of freedom: 3 is below chi-square's 3.841 at 95 %.
    assert (residual**2).sum() == pytest.approx(3.0)
    assert chi2.ppf(0.95, 1) == pytest.approx(3.841, abs=5e-4)


@pytest.mark.parametrize(
    ("nodes", "edges", "upper"), [(12, 21, {0.95: 18.307, 0.99: 23.209}), (21, 50, {0.95: 43.773, 0.99: 50.892})]
)
def test_weighted_residuals_of_a_mesh_follow_chi_square(nodes: int, edges: int, upper: dict[float, float]) -> None:
    """Degrees of freedom: edges - nodes + components = 10 and 30."""
    rng = np.random.default_rng(nodes)
    network = random_network(rng, nodes=nodes, edges=edges, groups=0, islands=1)
    variance = 10 ** rng.uniform(-1, 2, edges)
    sums = []
    for _ in range(1_500):
        z = rng.normal(size=edges) * np.sqrt(variance)
        residual = z - network.fitted(solve(network, z, 1.0 / variance, np.empty(0)).unknowns)
        sums.append(float((residual**2 / variance).sum()))
    assert np.mean(sums) == pytest.approx(edges - nodes + 1, rel=0.03)
    for share, quantile in upper.items():
        below = np.mean(np.array(sums) <= quantile)
        assert below == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 1_500))


@pytest.mark.parametrize("theirs", [lsqr, lsmr])
@pytest.mark.parametrize("dense", [True, False])
def test_solutions_are_scipys(theirs: object, dense: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "DENSE_UNKNOWNS", 10_000 if dense else 0)
    rng = np.random.default_rng(12)
    network = random_network(rng, nodes=300, edges=1_200, groups=0, islands=1)
    z, weight = rng.normal(0, 1e5, 1_200), 10 ** rng.uniform(-1, 1, 1_200)
    root, rows = np.sqrt(weight), np.arange(1_200)
    design = csr_array(
        (
            np.concatenate([root, -root]),
            (np.concatenate([rows, rows]), np.concatenate([network.second, network.first])),
        ),
        shape=(1_200, 300),
    )
    options = {"atol": 1e-13, "btol": 1e-13}
    expected = theirs(design, z * root, **options, **({"iter_lim": 5_000} if theirs is lsqr else {"maxiter": 5_000}))[0]  # type: ignore[operator]
    expected -= expected[network.anchor[0]]
    found = solve(network, z, weight, np.empty(0)).unknowns
    assert np.abs(found - expected).max() < 1e-6 * np.abs(expected).max()
