"""Who exchanges probes with whom: a sparse random near-regular graph, connected in each island. Pure.

Made of random cycles through all hosts: k/2 cycles give every host k peers, the graph is connected, and no distance
grows faster than the logarithm of the number of hosts. All cycles but one stay within a zone, so that every host has
peers near by and about two elsewhere. References get more peers, because all of the fleet leans on them.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Int32, Int64


def _cycle(order: Int64) -> Int64:
    """Edges of the cycle through `order`, (n, 2); one edge for two hosts, none for one."""
    if len(order) < 2:
        return np.zeros((0, 2), np.int64)
    edges = np.stack([order, np.roll(order, -1)], axis=1)
    return edges[:1] if len(order) == 2 else edges


def _cycles_within(rng: np.random.Generator, group: Int64) -> Int64:
    """One random cycle through each group of equal `group` numbers."""
    order = np.lexsort((rng.random(len(group)), group))
    ordered = group[order]
    starts = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    ends = np.concatenate((starts[1:], [len(group)])) - 1
    following = np.roll(order, -1)
    following[ends] = order[starts]
    return np.stack([order, following], axis=1)


def make_peers(
    rng: np.random.Generator, zone: Int64, island: Int64, references: Int64, peers: int, reference_peers: int
) -> tuple[Int32, Int32]:
    """Draw the graph: (source, destination) of each path, P rows; each unordered pair at most once.

    `zone` and `island` have a number for each host; no path leaves an island. An island of no more than peers + 1 hosts
    is a complete graph. Which end is the source is left to chance.
    """
    hosts = len(zone)
    edges = []
    small = np.bincount(island)[island] <= peers + 1
    for number in np.unique(island[small]):
        members = np.flatnonzero(island == number)
        first, second = np.triu_indices(len(members), 1)
        edges.append(np.stack([members[first], members[second]], axis=1))
    large = np.flatnonzero(~small)
    if len(large):
        near = zone[large] + island[large] * (int(zone.max()) + 1)
        for _ in range(max(1, peers // 2 - 1)):
            edges.append(large[_cycles_within(rng, near)])
        if peers >= 4:
            edges.append(large[_cycles_within(rng, island[large])])
    for reference in references:
        others = np.flatnonzero(island == island[reference])
        others = others[others != reference]
        chosen = rng.choice(others, min(reference_peers, len(others)), replace=False)
        edges.append(np.stack([np.full(len(chosen), reference), chosen], axis=1))
    pairs = np.concatenate(edges)
    low, high = pairs.min(axis=1), pairs.max(axis=1)
    code = np.unique((low * hosts + high)[low != high])
    turned = rng.random(len(code)) < 0.5
    low, high = code // hosts, code % hosts
    source, destination = np.where(turned, high, low), np.where(turned, low, high)
    return source.astype(np.int32), destination.astype(np.int32)
