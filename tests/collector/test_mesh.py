"""Shortest ways and resistance through a mesh, beside the general methods and networkx."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.collector.estimate import UNBOUNDED_NS, Reference
from noonmark.collector.limits import certain_limits, constraints, levelled
from noonmark.collector.mesh import Mesh, graph_of, mesh

HOSTS = 12


def some_mesh(seed: int, *, level_error_ns: float, lie_ns: int = 0) -> Mesh:
    """A connected mesh of true limits about random clocks, rough levels, and one path that lies by so much."""
    random = np.random.default_rng(seed)
    chain = np.arange(HOSTS - 1)
    first = np.concatenate([chain, random.integers(0, HOSTS - 1, 14)])
    second = np.concatenate([chain + 1, random.integers(first[HOSTS - 1 :] + 1, HOSTS)])
    clock = random.integers(-(10**9), 10**9, HOSTS)
    count = len(first)
    true = clock[second] - clock[first]
    lower, upper = true - random.integers(10, 90_000, count), true + random.integers(10, 90_000, count)
    lower[3] += lie_ns
    upper[3] += lie_ns
    lower[5], upper[6] = -UNBOUNDED_NS, UNBOUNDED_NS  # no limit on one side is none at all
    level = clock + np.rint(random.normal(0, level_error_ns, HOSTS)).astype(np.int64)
    return mesh(
        graph_of(HOSTS, first, second, [0]),
        level,
        lower,
        upper,
        random.uniform(100.0, 1e6, count),
        np.zeros(count, np.bool_),
        np.zeros(0),
        np.full(count, 10_000),
        random.uniform(0, 1, count),
        [Reference("a")],
    )


def slow_limits(found: Mesh, a: int, b: int) -> tuple[float, float]:
    graph = found.graph
    slow = certain_limits(graph.nodes, graph.first, graph.second, found.lower, found.upper, b, found.suspicion)
    difference = float(found.level_ns[a] - found.level_ns[b])
    return difference + slow.lower[a], difference + slow.upper[a]


@settings(max_examples=40)
@given(
    st.integers(0, 10**6),
    st.sampled_from([0.0, 30_000.0, 1e8]),
    st.sampled_from([0, 60_000, 10**7]),
    st.integers(1, 11),
)
def test_the_quick_way_to_limits_finds_what_rounds_over_all_find(
    seed: int, level_error_ns: float, lie_ns: int, b: int
) -> None:
    found = some_mesh(seed, level_error_ns=level_error_ns, lie_ns=lie_ns)
    a = (b + 5) % 11 + 1
    if a == b:
        return

    told, slow = found.limits(a, b), slow_limits(found, a, b)

    if not np.isfinite(slow).all():
        assert told == (-UNBOUNDED_NS, UNBOUNDED_NS)
        return
    assert told == pytest.approx(slow, abs=1.5)  # rounded outward; rounds stop at their tolerance
    assert told[0] <= slow[0] + 0.1
    assert told[1] >= slow[1] - 0.1


def test_contradictory_limits_have_no_levels() -> None:
    found = some_mesh(1, level_error_ns=0.0, lie_ns=10**9)
    graph = found.graph

    assert levelled(constraints(graph.nodes, graph.first, graph.second, found.lower, found.upper)) is None


def test_where_no_path_leads_there_is_no_limit() -> None:
    graph = graph_of(4, np.array([0, 2]), np.array([1, 3]), [0])
    limits = np.array([-5, -7]), np.array([5, 7])
    ones, none = np.ones(2), np.zeros(0)
    found = mesh(
        graph,
        np.zeros(4, np.int64),
        *limits,
        ones,
        np.zeros(2, np.bool_),
        none,
        np.ones(2, int),
        ones,
        [Reference("a")],
    )

    assert found.limits(1, 3) == (-UNBOUNDED_NS, UNBOUNDED_NS)
    assert found.limits(2, 3) == (-7, 7)
    assert found.limits(1, 4) == (-5, 5)  # the reference is node 4


def test_variances_are_resistances_of_networkx() -> None:
    """networkx.resistance_distance, weights as conductances; parallel edges add up."""
    found = some_mesh(7, level_error_ns=100.0)
    graph = nx.Graph()
    for a, b, variance in zip(found.graph.first, found.graph.second, found.variance_ns2, strict=True):
        weight = graph.edges[a, b]["weight"] if graph.has_edge(a, b) else 0.0
        graph.add_edge(int(a), int(b), weight=weight + 1.0 / variance)

    for a, b in ((1, 2), (3, 9), (11, 4)):
        expected = nx.resistance_distance(graph, a, b, weight="weight", invert_weight=False)
        assert found.variances(np.array([a]), np.array([b]))[0] == pytest.approx(expected, rel=1e-6)


def test_along_a_chain_the_iteration_goes_on_to_the_end() -> None:
    count = 600
    every = np.arange(count)
    zeros, ones = np.zeros(count, np.int64), np.full(count, 2.0)
    graph = graph_of(count + 1, every, every + 1, [0])
    level = np.zeros(count + 1, np.int64)
    found = mesh(graph, level, zeros, zeros, ones, zeros.astype(bool), np.zeros(0), zeros + 9, ones, [Reference("a")])

    assert found.variances(np.array([1]), np.array([count]))[0] == pytest.approx(2.0 * (count - 1), rel=1e-4)
