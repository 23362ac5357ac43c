"""Shortest paths through difference constraints, against networkx, scipy and linear programmes."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.sparse.csgraph import floyd_warshall

from noonmark.collector.limits import certain_limits, constraints, reversed_constraints, shortest

HOSTS = 20


def random_limits(
    seed: int, *, edges: int = 45, open_share: float = 0.15
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Paths around a true answer, limits of which some are missing: first, second, lower, upper, truth."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(-1e6, 1e6, HOSTS)
    first, second = rng.integers(0, HOSTS, (2, edges))
    kept = first != second
    first, second = first[kept], second[kept]
    y = truth[second] - truth[first]
    lower, upper = y - rng.exponential(5e3, len(y)), y + rng.exponential(5e3, len(y))
    lower[rng.random(len(y)) < open_share] = -np.inf
    upper[rng.random(len(y)) < open_share] = np.inf
    return first, second, lower, upper, truth


def arcs_of(first: np.ndarray, second: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> nx.MultiDiGraph:
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(HOSTS))
    for a, b, low, high in zip(first, second, lower, upper, strict=True):
        if np.isfinite(high):
            graph.add_edge(int(a), int(b), weight=float(high))
        if np.isfinite(low):
            graph.add_edge(int(b), int(a), weight=-float(low))
    return graph


@pytest.mark.parametrize("seed", range(8))
def test_distances_are_those_of_bellman_and_ford_in_networkx(seed: int) -> None:
    first, second, lower, upper, _ = random_limits(seed)
    graph = arcs_of(first, second, lower, upper)
    arcs = constraints(HOSTS, first, second, lower, upper)
    for source in (0, 7):
        for ours, theirs in ((arcs, graph), (reversed_constraints(arcs), graph.reverse())):
            found = shortest(ours, source)
            assert found.consistent
            expected = nx.single_source_bellman_ford_path_length(theirs, source)
            for node in range(HOSTS):
                assert found.distance[node] == pytest.approx(expected.get(node, np.inf), abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_limits_of_every_source_are_floyd_and_warshalls(seed: int) -> None:
    first, second, lower, upper, truth = random_limits(seed, edges=30)
    dense = np.full((HOSTS, HOSTS), np.inf)
    np.minimum.at(dense, (first, second), upper)
    np.minimum.at(dense, (second, first), -lower)
    # A length of 0 counts as "no arc" there; none of ours is.
    distance = floyd_warshall(csr_array(np.where(np.isfinite(dense), dense, 0.0)))
    for source in range(HOSTS):
        found = certain_limits(HOSTS, first, second, lower, upper, source, np.zeros(len(first)))
        assert found.upper == pytest.approx(distance[source], abs=0.05)
        assert found.lower == pytest.approx(-distance[:, source], abs=0.05)
        assert not found.dropped.any()
        relative = truth - truth[source]
        assert ((found.lower <= relative + 1e-6) & (relative <= found.upper + 1e-6)).all()


@pytest.mark.parametrize("seed", range(3))
def test_nothing_tighter_can_be_proved_than_by_the_linear_programme(seed: int) -> None:
    first, second, lower, upper, _ = random_limits(seed, open_share=0.0)
    source = 3
    found = certain_limits(HOSTS, first, second, lower, upper, source, np.zeros(len(first)))
    rows = np.zeros((len(first), HOSTS))
    rows[np.arange(len(first)), second] += 1.0
    rows[np.arange(len(first)), first] -= 1.0
    bounds: list[tuple[float | None, float | None]] = [(None, None)] * HOSTS
    bounds[source] = (0.0, 0.0)
    for node in range(HOSTS):
        if not np.isfinite(found.upper[node]):
            continue
        goal = np.zeros(HOSTS)
        goal[node] = -1.0
        best = linprog(goal, np.concatenate([rows, -rows]), np.concatenate([upper, -lower]), bounds=bounds)
        assert found.upper[node] == pytest.approx(-best.fun, abs=0.05)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 40))
def test_negative_cycle_is_found_exactly_where_networkx_finds_one(seed: int, edges: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = rng.integers(0, 8, (2, edges))
    kept = first != second
    first, second = first[kept], second[kept]
    middle = rng.integers(-30, 30, len(first)).astype(float)
    width = rng.integers(0, 60, len(first))
    lower, upper = middle - width, middle + width
    arcs = constraints(8, first, second, lower, upper)
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(8))
    for a, b, low, high in zip(first, second, lower, upper, strict=True):
        graph.add_edge(int(a), int(b), weight=high)
        graph.add_edge(int(b), int(a), weight=-low)
    # Both limits of a path make the graph symmetric in reach: a source sees its whole component.
    reach = nx.node_connected_component(graph.to_undirected(), 0)
    found = shortest(arcs, 0)
    assert found.consistent != nx.negative_edge_cycle(graph.subgraph(reach).copy())
    if not found.consistent:
        length = _least_length_round(found.cycle, first, second, lower, upper)
        assert length < 0


def _least_length_round(
    cycle: np.ndarray, first: np.ndarray, second: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> float:
    """Length of the directed cycle over these paths in order, walked in the direction in which it closes shortest."""
    lengths = []
    for start in (first[cycle[0]], second[cycle[0]]):
        for order in (cycle, cycle[::-1]):
            node, total = start, 0.0
            for path in order:
                if node == first[path]:
                    node, total = second[path], total + upper[path]
                elif node == second[path]:
                    node, total = first[path], total - lower[path]
                else:
                    total = np.inf
            lengths.append(total if node == start else np.inf)
    return float(min(lengths))


def test_a_chain_longer_than_many_rounds_is_walked_to_its_end() -> None:
    hosts = 500
    first = np.arange(hosts - 1)
    found = certain_limits(
        hosts, first, first + 1, np.full(hosts - 1, -2.0), np.full(hosts - 1, 3.0), 0, np.zeros(hosts - 1)
    )
    assert found.upper == pytest.approx(3.0 * np.arange(hosts))
    assert found.lower == pytest.approx(-2.0 * np.arange(hosts))


def test_contradiction_drops_the_most_suspect_path_of_its_cycle_and_no_other() -> None:
    # a-b 0..1, b-c 0..1, a-c 5..6: one of them is false; the third one is the most suspect.
    first, second = np.array([0, 1, 0, 2]), np.array([1, 2, 2, 3])
    lower, upper = np.array([0.0, 0.0, 5.0, 7.0]), np.array([1.0, 1.0, 6.0, 8.0])
    found = certain_limits(4, first, second, lower, upper, 0, np.array([0.1, 0.2, 9.0, 50.0]))
    assert found.dropped.tolist() == [False, False, True, False]
    assert [sorted(cycle.tolist()) for cycle in found.cycles] == [[0, 1, 2]]
    assert found.upper.tolist() == pytest.approx([0.0, 1.0, 2.0, 10.0])
    assert found.lower.tolist() == pytest.approx([0.0, 0.0, 0.0, 7.0])


def test_path_that_contradicts_itself_is_dropped() -> None:
    found = certain_limits(
        2, np.array([0, 0]), np.array([1, 1]), np.array([3.0, 0.0]), np.array([1.0, 5.0]), 0, np.array([1.0, 0.0])
    )
    assert found.dropped.tolist() == [True, False]
    assert (found.lower[1], found.upper[1]) == (0.0, 5.0)


def test_hosts_without_a_path_have_no_limits() -> None:
    found = certain_limits(3, np.array([0]), np.array([1]), np.array([-1.0]), np.array([2.0]), 0, np.zeros(1))
    assert np.isinf(found.upper[2])
    assert np.isinf(found.lower[2])
    nothing = np.empty(0, np.int64)
    alone = certain_limits(2, nothing, nothing, np.empty(0), np.empty(0), 1, np.empty(0))
    assert alone.upper.tolist() == [np.inf, 0.0]
    assert alone.lower.tolist() == [-np.inf, 0.0]


def test_one_sided_path_limits_one_side_only() -> None:
    found = certain_limits(2, np.array([0]), np.array([1]), np.array([-np.inf]), np.array([2.0]), 0, np.zeros(1))
    assert (found.lower[1], found.upper[1]) == (-np.inf, 2.0)


@pytest.mark.parametrize("seed", range(3))
def test_limits_of_relabelled_hosts_are_the_same_limits(seed: int) -> None:
    first, second, lower, upper, _ = random_limits(seed)
    place = np.random.default_rng(seed).permutation(HOSTS)
    suspicion = np.zeros(len(first))
    one = certain_limits(HOSTS, first, second, lower, upper, 4, suspicion)
    two = certain_limits(HOSTS, place[first], place[second], lower, upper, int(place[4]), suspicion)
    assert two.upper[place] == pytest.approx(one.upper, abs=0.01)
    assert two.lower[place] == pytest.approx(one.lower, abs=0.01)
