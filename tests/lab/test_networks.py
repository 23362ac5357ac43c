"""Simulated networks: delays are never negative, and each part of them is what its model says."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.lab.networks import Bursts, NetworkModel, Queue, QueueLaw, Road, make_network

STILL = Queue(mean_ns=0.0, idle=0.0)


def network_of(model: NetworkModel, hosts: int = 50, paths: int = 4000, seconds: float = 60.0, seed: int = 5):
    rng = np.random.default_rng(seed)
    source = rng.integers(0, hosts, paths).astype(np.int32)
    destination = ((source + rng.integers(1, hosts, paths)) % hosts).astype(np.int32)
    zone = rng.integers(0, model.zones, hosts)
    return make_network(rng, model, zone, source, destination, seconds), rng


def delays(network, rng, path: np.ndarray, backward: int = 0, elapsed_ns: int = 0) -> np.ndarray:
    return network.delay_ns(rng, path, np.full(len(path), backward), np.full(len(path), elapsed_ns))


@pytest.mark.parametrize(
    ("law", "shape"),
    [(QueueLaw.EXPONENTIAL, 1.0), (QueueLaw.GAMMA, 0.7), (QueueLaw.PARETO, 3.0), (QueueLaw.WEIBULL, 0.5)],
)
def test_each_law_of_waiting_has_its_mean(law: QueueLaw, shape: float) -> None:
    waits = Queue(law, shape=shape, idle=0.0).draw(np.random.default_rng(1), 400_000)
    assert waits.min() >= 0
    assert waits.mean() == pytest.approx(1.0, rel=0.03)


def test_pareto_waits_have_a_heavy_tail() -> None:
    rng = np.random.default_rng(1)
    heavy = Queue(QueueLaw.PARETO, shape=1.3, idle=0.0).draw(rng, 200_000)
    light = Queue(QueueLaw.EXPONENTIAL, idle=0.0).draw(rng, 200_000)
    assert np.quantile(heavy, 0.9999) > 10 * np.quantile(light, 0.9999)


def test_no_packet_is_faster_than_the_fixed_delay() -> None:
    model = NetworkModel(zones=3, router_asymmetry_ns=20_000.0, bursts=(Bursts(share=1.0),), reordering=0.1)
    network, rng = network_of(model)
    path = np.arange(4000)
    for backward in (0, 1):
        spent = delays(network, rng, path, backward, 30_000_000_000)
        assert (spent >= network.fixed_ns(30_000_000_000)[:, backward]).all()
        assert (spent > 0).all()


def test_routers_lengthen_all_their_paths_alike() -> None:
    model = NetworkModel(zones=2, path_asymmetry_ns=0.0, router_asymmetry_ns=50_000.0, routers_a_zone_pair=2)
    network, _ = network_of(model)
    fixed = network.fixed_ns(0)
    # Forward = from the lower zone to the higher one.
    up = network.zone[network.source] < network.zone[network.destination]
    down = network.zone[network.source] > network.zone[network.destination]
    for router in np.unique(network.router[up]):
        one_way = np.where(up, fixed[:, 0] - fixed[:, 1], fixed[:, 1] - fixed[:, 0])[
            (network.router == router) & (up | down)
        ]
        assert len(one_way) > 100
        assert np.ptp(one_way) == pytest.approx(0, abs=1e-6)
        assert one_way[0] != 0
    assert (fixed[~up & ~down, 0] == fixed[~up & ~down, 1]).all()


def test_own_asymmetry_of_paths_has_its_mean_and_no_preferred_side() -> None:
    network, _ = network_of(NetworkModel(path_asymmetry_ns=1000.0))
    difference = np.subtract(*network.fixed_ns(0).T)
    assert np.abs(difference).mean() == pytest.approx(1000, rel=0.06)
    assert np.mean(difference > 0) == pytest.approx(0.5, abs=0.04)


def test_congestion_holds_for_its_share_of_time_and_ways() -> None:
    bursts = Bursts(share=0.5, busy=0.3, duration_s=2.0, level_ns=1e6)
    network, _ = network_of(NetworkModel(queue=STILL, bursts=(bursts,)), seconds=300.0)
    (congestion,) = network.congestion
    path = np.repeat(np.arange(2000), 30)
    when = np.tile(np.arange(30) * 10_000_000_000, 2000)
    forward, back = (congestion.level_ns(path, np.full(len(path), side), when).reshape(2000, 30) for side in (0, 1))
    assert np.mean(forward > 0) == pytest.approx(0.5 * 0.5 * 0.3, rel=0.15)
    assert not ((forward.max(axis=1) > 0) & (back.max(axis=1) > 0)).any()
    assert forward[forward > 0].mean() == pytest.approx(1e6, rel=0.15)


def test_congestion_of_a_host_delays_all_that_it_receives() -> None:
    bursts = Bursts(Road.HOST, share=0.2, busy=0.9, duration_s=20.0)
    network, _ = network_of(NetworkModel(bursts=(bursts,)))
    (congestion,) = network.congestion
    path = np.arange(4000)
    into_destination = congestion.level_ns(path, np.zeros(4000, np.int64), np.full(4000, 10**10))
    into_source = congestion.level_ns(path, np.ones(4000, np.int64), np.full(4000, 10**10))
    for host in range(50):
        levels = [*into_destination[network.destination == host], *into_source[network.source == host]]
        assert np.ptp(levels) == 0


def test_change_of_route_lengthens_or_shortens_for_good() -> None:
    network, _ = network_of(NetworkModel(route_change_share=0.25))
    changed = network.changes_ns < 60_000_000_000
    assert np.mean(changed) == pytest.approx(0.25, abs=0.03)
    before, after = network.fixed_ns(0), network.fixed_ns(60_000_000_000)
    assert (before[~changed] == after[~changed]).all()
    assert (before[changed] != after[changed]).any(axis=1).all()
    longer = (after - before)[changed].sum(axis=1) > 0
    assert 0.4 < longer.mean() < 0.6


def test_loss_befalls_either_packet() -> None:
    network, rng = network_of(NetworkModel(loss=0.4))
    assert network.survives(rng, 100_000).mean() == pytest.approx(0.36, abs=0.01)
