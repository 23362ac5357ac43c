"""Two hosts' own parts make up their pair's variance: the reference's noise is not counted twice."""

from __future__ import annotations

import numpy as np
import pytest
from other_fleets import Net, fleet

from noonmark.collector.estimate import Reference
from noonmark.collector.network import Network, Solution, solve
from noonmark.collector.pairs import compare
from noonmark.collector.pipeline import step
from noonmark.collector.shared_noise import LEAST_SHARE, own_parts


def solved(nodes: int, edges: list[tuple[int, int, float]], anchor: int = 0) -> tuple[Network, Solution]:
    """A network of edges (first, second, variance), all in one component."""
    first, second = (np.array([edge[end] for edge in edges], np.int64) for end in (0, 1))
    none = np.full(len(edges), -1, np.int64), np.zeros(len(edges))
    network = Network(nodes, first, second, 0, *none, np.zeros(nodes, np.int64), np.array([anchor]))
    weight = np.array([1.0 / edge[2] for edge in edges])
    return network, solve(network, np.zeros(len(edges)), weight, np.zeros(0))


def pair_variances(network: Network, solution: Solution) -> np.ndarray:
    every = np.arange(network.nodes)
    return np.array([solution.variance(every, np.full(network.nodes, one)) for one in every])


def ratios(network: Network, solution: Solution) -> np.ndarray:
    """What parts make of each pair's variance, to what is due."""
    own = own_parts(network, solution, np.arange(network.nodes))
    assert own is not None
    above = np.triu_indices(network.nodes, 1)
    return (own[:, None] + own[None, :])[above] / pair_variances(network, solution)[above]


@pytest.mark.parametrize("reference_noise", [0.5, 4.0, 100.0])
def test_noise_of_the_reference_alone_is_its_own_part_and_pairs_are_exact(reference_noise: float) -> None:
    # All hosts hang on a point that the reference hangs on: the star's centre is no host.
    noise = [reference_noise, 1.0, 2.0, 3.0, 7.0]
    network, solution = solved(6, [(host, 5, variance) for host, variance in enumerate(noise)])
    own = own_parts(network, solution, np.arange(5))
    assert own == pytest.approx(noise)


def test_hosts_that_share_nothing_keep_their_whole_variance() -> None:
    network, solution = solved(5, [(0, host, float(host)) for host in range(1, 5)])
    own = own_parts(network, solution, np.arange(5))
    assert own == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0])


def test_in_a_mesh_pairs_get_what_is_due_on_the_whole_and_none_much_less() -> None:
    random = np.random.default_rng(1)
    edges = [(a, b, float(random.uniform(0.5, 2.0))) for a in range(20) for b in range(a) if random.random() < 0.4]
    found = ratios(*solved(20, edges))
    assert found.mean() == pytest.approx(1.0, abs=0.03)
    assert found.min() >= LEAST_SHARE - 1e-9


def test_pairs_across_a_bottleneck_are_not_given_less_than_nine_tenths() -> None:
    sides = [(a, b, 1.0) for side in (range(6), range(6, 12)) for a in side for b in side if a < b]
    for bridge in (1.0, 100.0):
        found = ratios(*solved(12, [*sides, (5, 6, bridge)]))
        assert np.sqrt(found.min()) >= 0.9 - 1e-9


def test_of_one_or_two_hosts_on_the_reference_all_is_their_own() -> None:
    network, solution = solved(2, [(0, 1, 3.0)])
    assert own_parts(network, solution, np.arange(2)) == pytest.approx([0.0, 3.0])
    # The reference's node may be no host's: two hosts that hang on it together.
    network, solution = solved(3, [(0, 1, 2.0), (1, 2, 1.0)])
    own = own_parts(network, solution, np.array([1, 2]))
    assert own is not None
    assert own.sum() >= 1.0  # the difference of the two
    assert (own <= np.array([2.0, 3.0])).all()


def test_draws_tell_no_covariance(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("noonmark.collector.network.DENSE_UNKNOWNS", 1)
    network, solution = solved(3, [(0, 1, 1.0), (1, 2, 1.0), (0, 2, 1.0)])
    assert own_parts(network, solution, np.arange(3)) is None


def test_pairs_of_fleets_by_another_hand_are_as_sure_as_they_are_right() -> None:
    ratio = []
    for seed in range(12):
        drawn = fleet(seed, net=Net(probes=5))
        estimate = step(drawn.columns, references=[Reference(drawn.columns.hosts[0])])
        true, hosts = drawn.true_ns(estimate.at_ns), estimate.hosts
        for a, b in [(one, one + more) for one in range(11) for more in (1, 2, 3)]:
            pair = compare(estimate, hosts[a], hosts[b])
            ratio.append((pair.offset_ns - (true[a] - true[b])) / pair.uncertainty_ns)
    # 0.84 if the reference's noise counts for both of a pair.
    assert 0.9 < np.sqrt(np.mean(np.square(ratio))) < 1.1
    assert np.mean(np.abs(ratio) <= 2.0) >= 0.92
