"""Who probes whom: connected, near-regular, across zones, and stable. networkx is the judge of the graph."""

from __future__ import annotations

import networkx as nx
import pytest

from noonmark.collector.plan import Asks, Member, PlanSettings, choose_endpoint, draw_up, plan_for
from noonmark.proto.control import Endpoint

V4 = Endpoint("127.0.0.1", 18620)
V6 = Endpoint("::1", 18620)


def fleet(count: int, zones: int = 3) -> list[Member]:
    return [Member(f"host-{index}", f"zone-{index % zones}") for index in range(count)]


def graph(asks: Asks) -> nx.Graph:
    result = nx.Graph()
    result.add_nodes_from(asks)
    result.add_edges_from((asker, asked) for asker, others in asks.items() for asked in others)
    return result


def edges(asks: Asks) -> set[tuple[str, str]]:
    return {(asker, asked) for asker, others in asks.items() for asked in others}


@pytest.mark.parametrize("count", [2, 3, 9, 10, 11, 15, 40, 1000])
@pytest.mark.parametrize("zones", [1, 2, 3, 1000])
def test_the_graph_is_connected_and_each_host_asks_enough(count: int, zones: int) -> None:
    asks = draw_up(fleet(count, zones))
    assert set(asks) == {f"host-{index}" for index in range(count)}
    assert nx.is_connected(graph(asks))
    for host, others in asks.items():
        assert host not in others
        assert len(set(others)) == len(others)
        assert min(8, count - 1) <= len(others) <= 12


@pytest.mark.parametrize("zones", [1, 3, 20])
def test_degrees_are_nearly_equal_in_a_large_fleet(zones: int) -> None:
    degrees = [degree for _, degree in graph(draw_up(fleet(3000, zones))).degree()]
    assert min(degrees) >= 7
    assert sum(degrees) / len(degrees) == pytest.approx(8.0, abs=0.5)
    assert max(degrees) <= 14


def test_the_graph_expands_like_a_random_regular_one() -> None:
    """Friedman: the second eigenvalue of a random d-regular graph is near 2 sqrt(d - 1), far below d."""
    matrix = nx.adjacency_matrix(graph(draw_up(fleet(2000, 1)))).astype(float)
    from scipy.sparse.linalg import eigsh

    second = sorted(eigsh(matrix, k=2, return_eigenvectors=False))[0]
    assert second < 1.15 * 2 * 7**0.5


def test_the_graph_holds_when_any_three_hosts_fall_silent() -> None:
    assert nx.node_connectivity(graph(draw_up(fleet(60)))) > 3


@pytest.mark.parametrize(("count", "zones"), [(15, 3), (300, 3), (1000, 50), (30, 30)])
def test_each_host_asks_two_in_other_zones(count: int, zones: int) -> None:
    members = fleet(count, zones)
    zone = {member.host: member.zone for member in members}
    for host, others in draw_up(members).items():
        assert sum(zone[other] != zone[host] for other in others) >= 2


def test_a_small_zone_is_reached_by_every_host_but_not_overrun() -> None:
    members = [Member(f"host-{index}", "small" if index % 20 == 0 else "large") for index in range(2000)]
    zone = {member.host: member.zone for member in members}
    asks = draw_up(members)
    assert all(sum(zone[other] != zone[host] for other in others) >= 2 for host, others in asks.items())
    lonely = [Member(f"host-{index}", "one" if index == 0 else "large") for index in range(2000)]
    askers = sum("host-0" in others for others in draw_up(lonely).values())
    assert 8 <= askers <= 128 + 8


def test_a_host_alone_in_its_zone_is_asked_by_those_who_can() -> None:
    members = [Member("alone", "islet"), *fleet(12, 1)]
    asks = draw_up(members)
    assert all("alone" in others for host, others in asks.items() if host != "alone")


@pytest.mark.parametrize("zones", [1, 3, 40])
def test_one_arrival_or_departure_changes_few_edges(zones: int) -> None:
    members = fleet(1000, zones)
    before = edges(draw_up(members, ["host-7"]))
    for leaver in range(0, 1000, 90):
        without = edges(draw_up([member for index, member in enumerate(members) if index != leaver], ["host-7"]))
        assert len(before ^ without) <= 8 * 8


def test_one_arrival_changes_no_more_in_a_larger_fleet() -> None:
    def changed(count: int) -> float:
        members = fleet(count + 1)
        whole = edges(draw_up(members))
        return len(whole ^ edges(draw_up(members[:-1])))

    assert changed(8000) <= 64


def test_order_of_arrival_does_not_matter_and_the_seed_does() -> None:
    members = fleet(100)
    asks = draw_up(members, ["host-3"])
    assert draw_up(reversed(members), ["host-3"]) == asks
    assert draw_up(members, ["host-3"], PlanSettings(seed=1)) != asks


def test_references_are_asked_by_many() -> None:
    references = ["host-0", "host-1", "absent"]
    asks = draw_up(fleet(500), references)
    for reference in references[:2]:
        assert sum(reference in others for others in asks.values()) >= 32


@pytest.mark.parametrize("peers", [2, 3, 4, 5, 16])
def test_the_number_of_peers_can_be_chosen(peers: int) -> None:
    asks = draw_up(fleet(200), settings=PlanSettings(peers=peers))
    assert nx.is_connected(graph(asks))
    assert all(peers <= len(others) <= peers + 4 for others in asks.values())


def test_nobody_alone_has_nobody_to_ask() -> None:
    assert draw_up([]) == {}
    assert draw_up(fleet(1)) == {"host-0": ()}


def test_two_members_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="same name"):
        draw_up([Member("quay"), Member("quay")])


def test_a_plan_names_an_address_that_the_asker_can_use() -> None:
    members = {
        "both": Member("both", endpoints=(V6, V4)),
        "four": Member("four", endpoints=(V4,)),
        "mute": Member("mute"),
    }
    assert choose_endpoint(members["four"], members["both"]) == V4
    assert choose_endpoint(members["both"], members["both"]) == V6
    assert choose_endpoint(members["mute"], members["four"]) == V4
    plan = plan_for("both", {"both": ("four", "mute")}, members, version=3)
    assert (plan.version, [(peer.host, peer.endpoint, peer.interval_ns) for peer in plan.peers]) == (
        3,
        [("four", V4, 10**9)],
    )
