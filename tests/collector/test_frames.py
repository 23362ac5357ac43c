"""Rough clocks: no nanosecond is lost over years, and the tree of shortest round trips is summed rightly."""

from __future__ import annotations

from fractions import Fraction

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.frames import Frames, rough_offsets

YEAR_NS = 365 * 86_400 * 10**9
EPOCH_NS = 1_795_589_703_123_456_789


@given(
    offset=st.integers(-20 * YEAR_NS, 20 * YEAR_NS),
    drift=st.floats(-5e-4, 5e-4),
    elapsed=st.integers(-3_600 * 10**9, 3_600 * 10**9),
)
def test_relative_of_clocks_years_apart_agrees_with_exact_arithmetic(offset: int, drift: float, elapsed: int) -> None:
    frames = Frames(EPOCH_NS, np.array([offset]), np.array([drift]))
    stamp = EPOCH_NS + elapsed + offset
    exact = Fraction(stamp - EPOCH_NS - offset) / (1 + Fraction(drift))
    assert frames.relative(np.zeros(1, np.int32), np.array([stamp]))[0] == pytest.approx(float(exact), rel=1e-15)
    assert abs(float(exact - Fraction(float(frames.relative(np.zeros(1, np.int32), np.array([stamp]))[0])))) < 0.01


def test_relative_without_drift_keeps_every_nanosecond_of_a_day() -> None:
    frames = Frames(EPOCH_NS, np.array([12 * YEAR_NS + 7, -5]), np.zeros(2))
    elapsed = np.array([1, 999_999_999, 86_400 * 10**9 + 1, -86_399_999_999_999])
    for host, offset in enumerate(frames.offset_ns):
        found = frames.relative(np.full(4, host, np.int32), EPOCH_NS + offset + elapsed)
        assert (found == elapsed).all()


def test_at_moves_each_offset_by_its_drift() -> None:
    frames = Frames(EPOCH_NS, np.array([10 * YEAR_NS, -3]), np.array([2e-6, -1e-6]))
    assert frames.at(EPOCH_NS + 5 * 10**9).tolist() == [10 * YEAR_NS + 10_000, -5_003]
    assert frames.at(EPOCH_NS).tolist() == frames.offset_ns.tolist()


def test_moved_frames_read_the_corrected_clock() -> None:
    frames = Frames(EPOCH_NS, np.array([1_000]), np.array([30e-6]))
    moved = frames.moved(np.array([250.0]), np.array([2e-6]))
    # On the frame's own scale the residual clock gains 2 ppm: its rate is the product of both.
    assert moved.drift[0] == pytest.approx((1 + 30e-6) * (1 + 2e-6) - 1, rel=1e-12)
    assert moved.offset_ns.tolist() == [1_250]
    assert moved.epoch_ns == EPOCH_NS


def pairs_of(graph: nx.Graph) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = np.array([(a, b, d["weight"]) for a, b, d in graph.edges(data=True)], np.int64).reshape(-1, 3)
    return rows[:, 0].astype(np.int32), rows[:, 1].astype(np.int32), rows[:, 2]


def random_graph(seed: int, hosts: int, probability: float) -> nx.Graph:
    graph = nx.gnp_random_graph(hosts, probability, seed=seed)
    rng = np.random.default_rng(seed)
    # All weights differ, so that there is one minimum spanning tree.
    for weight, (a, b) in zip(rng.permutation(graph.number_of_edges()) + 1, graph.edges, strict=True):
        graph.edges[a, b]["weight"] = int(weight) * 100
    return graph


@pytest.mark.parametrize("seed", range(6))
def test_rough_offsets_follow_the_minimum_spanning_tree(seed: int) -> None:
    graph = random_graph(seed, 30, 0.12)
    first, second, weight = pairs_of(graph)
    noisy = np.random.default_rng(seed).integers(-(10**15), 10**15, len(first))
    said = {(a, b): int(d) for a, b, d in zip(first.tolist(), second.tolist(), noisy, strict=True)}
    offset, component = rough_offsets(30, first, second, noisy, weight, np.array([7], np.int64))
    tree = nx.minimum_spanning_tree(graph)
    for part in nx.connected_components(graph):
        root = 7 if 7 in part else min(part)
        assert len(set(component[list(part)])) == 1
        assert offset[root] == 0
        for a, b in nx.bfs_edges(tree, root):
            assert offset[b] - offset[a] == (said[a, b] if (a, b) in said else -said[b, a])
    assert len(set(component.tolist())) == nx.number_connected_components(graph)


def test_rough_offsets_of_a_long_chain_are_its_sums() -> None:
    hosts = 2_000
    first = np.arange(hosts - 1, dtype=np.int32)
    step = np.random.default_rng(3).integers(-(10**14), 10**14, hosts - 1)
    offset, _ = rough_offsets(hosts, first, first + 1, step, np.full(hosts - 1, 5), np.array([0], np.int64))
    assert (offset == np.concatenate([[0], np.cumsum(step)])).all()


def test_rough_offsets_without_any_pair_are_zero_and_apart() -> None:
    none = np.empty(0, np.int64)
    offset, component = rough_offsets(3, none.astype(np.int32), none.astype(np.int32), none, none, none)
    assert offset.tolist() == [0, 0, 0]
    assert sorted(component.tolist()) == [0, 1, 2]


def test_rough_offsets_hang_a_component_with_several_roots_on_the_first_of_them() -> None:
    first, second = np.array([0, 1], np.int32), np.array([1, 2], np.int32)
    offset, _ = rough_offsets(3, first, second, np.array([10, 20]), np.array([5, 5]), np.array([2, 0], np.int64))
    assert offset.tolist() == [-30, -20, 0]
