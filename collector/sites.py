"""Which hosts are near each other, told from round trips alone. Pure.

Paths between two sites share routers, and so share an asymmetry that no loop between the same two sites can show.
Whoever averages over such paths as if they were independent is too sure of himself; so sites must be known.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from noonmark.collector.estimate import Float64, Int64

GAP = 2.5
"""Round trips within and between sites must differ by at least this factor, with nothing in the gap."""
MOST_SITES = 64


def find_sites(hosts: int, first: Int64, second: Int64, round_trip_ns: Float64) -> Int64:
    """Number each host's site (H,), 0 to S - 1; all 0 where the round trips show no two kinds of path.

    The widest gap in the sorted logarithms of the round trips, if wide enough, parts near from far; hosts joined by
    near paths make a site.
    """
    single = np.zeros(hosts, dtype=np.int64)
    if len(first) < 6:
        return single
    order = np.sort(np.log(np.maximum(round_trip_ns, 1.0)))
    tail = max(1, len(order) // 50)
    gaps = np.diff(order[tail : len(order) - tail])
    if len(gaps) == 0 or gaps.max() < np.log(GAP):
        return single
    widest = int(gaps.argmax()) + tail
    near = np.log(np.maximum(round_trip_ns, 1.0)) <= order[widest]
    graph = coo_array((np.ones(near.sum()), (first[near], second[near])), shape=(hosts, hosts))
    count, label = connected_components(graph, directed=False)
    if not 1 < count <= min(MOST_SITES, hosts // 2):
        return single
    return np.asarray(label, dtype=np.int64)


def site_pairs(site: Int64, first: Int64, second: Int64) -> tuple[int, Int64, Float64]:
    """Number of pairs of sites joined, each edge's pair (E,) (-1 within a site), and its direction (E,) (+1, -1, 0)."""
    sites = int(site.max(initial=0)) + 1
    a, b = site[first], site[second]
    key = np.minimum(a, b) * sites + np.maximum(a, b)
    across = a != b
    keys, number = np.unique(key[across], return_inverse=True)
    group = np.full(len(first), -1, dtype=np.int64)
    group[across] = number
    return len(keys), group, np.sign(b - a).astype(np.float64)
