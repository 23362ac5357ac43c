"""The graph of who exchanges probes with whom, against networkx (BSD, test only) for connectedness."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from noonmark.lab.topology import make_peers


def graph_of(hosts: int, zones: int = 1, islands: int = 1, references: int = 1, peers: int = 8, seed: int = 3):
    rng = np.random.default_rng(seed)
    zone, island = rng.integers(0, zones, hosts), rng.integers(0, islands, hosts)
    island[:references] = 0
    source, destination = make_peers(rng, zone, island, np.arange(references), peers, 24)
    graph = nx.Graph()
    graph.add_nodes_from(range(hosts))
    graph.add_edges_from(zip(source.tolist(), destination.tolist(), strict=True))
    return graph, zone, island, source, destination


@pytest.mark.parametrize(("hosts", "zones"), [(2, 1), (9, 1), (10, 1), (300, 1), (300, 5), (500, 40)])
def test_graph_is_connected_and_has_no_doubles(hosts: int, zones: int) -> None:
    graph, _, _, source, destination = graph_of(hosts, zones)
    assert nx.is_connected(graph)
    assert (source != destination).all()
    assert graph.number_of_edges() == len(source)


def test_every_host_has_about_the_wanted_number_of_peers() -> None:
    graph, *_ = graph_of(2000)
    degrees = np.array([degree for host, degree in graph.degree() if host >= 1])
    assert degrees.min() >= 6
    assert np.mean(degrees) == pytest.approx(8, abs=0.1)
    assert degrees.max() <= 9
    assert graph.degree(0) >= 24


def test_small_fleet_is_a_complete_graph() -> None:
    graph, *_ = graph_of(9)
    assert graph.number_of_edges() == 36


def test_most_paths_stay_within_a_zone_and_some_leave_it() -> None:
    _, zone, _, source, destination = graph_of(1000, zones=4)
    within = np.mean(zone[source] == zone[destination])
    assert 0.7 < within < 0.9


def test_no_path_leaves_an_island() -> None:
    graph, _, island, source, destination = graph_of(400, islands=2)
    assert (island[source] == island[destination]).all()
    assert nx.number_connected_components(graph) == 2


def test_either_end_may_be_the_source() -> None:
    *_, source, destination = graph_of(400)
    assert 0.4 < np.mean(source < destination) < 0.6
