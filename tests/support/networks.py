"""Random networks of differences, with islands and shared effects; pure."""

from __future__ import annotations

import numpy as np

from noonmark.collector.network import Network


def random_network(rng: np.random.Generator, *, nodes: int, edges: int, groups: int, islands: int) -> Network:
    """`islands` connected parts of random edges each holding a random tree; edges may be parallel."""
    island = np.arange(nodes) % islands
    first, second = [], []
    for part in range(islands):
        members = rng.permutation(np.flatnonzero(island == part))
        for place in range(1, len(members)):
            first.append(members[rng.integers(0, place)])
            second.append(members[place])
    while len(first) < edges:
        a, b = rng.integers(0, nodes, 2)
        if a != b and island[a] == island[b]:
            first.append(a)
            second.append(b)
    group = rng.integers(-1, groups, edges) if groups else np.full(edges, -1)
    sign = np.where(group >= 0, rng.choice([-1.0, 1.0], edges), 0.0)
    anchor = np.array([rng.choice(np.flatnonzero(island == part)) for part in range(islands)], np.int64)
    return Network(
        nodes,
        np.array(first, np.int64),
        np.array(second, np.int64),
        groups,
        group.astype(np.int64),
        sign,
        island.astype(np.int64),
        anchor,
    )


def plain_network(nodes: int, pairs: list[tuple[int, int]], anchor: int = 0) -> Network:
    """A connected graph without shared effects."""
    rows = np.array(pairs, np.int64).reshape(-1, 2)
    return Network(
        nodes,
        rows[:, 0],
        rows[:, 1],
        0,
        np.full(len(rows), -1),
        np.zeros(len(rows)),
        np.zeros(nodes, np.int64),
        np.array([anchor], np.int64),
    )
