"""Other ways to estimate the same offsets, for comparison: simple, published, and given more than they could know.

Each is told every clock's true course, so that drifts, steps and references cost it nothing and only delays and stamps
matter. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree
from scipy.sparse.linalg import lsqr

from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.truth import Truth

STAGES = 8
"""Of the clock filter of RFC 5905 section 10."""


@dataclass(frozen=True)
class Offsets:
    """What single probes say of x_destination - x_source, less what it truly is, and their delays; ns."""

    source: np.ndarray
    destination: np.ndarray
    offset_ns: np.ndarray
    delay_ns: np.ndarray
    done_ns: np.ndarray


def offsets_of(probes: ProbeColumns, truth: Truth, at_ns: int) -> Offsets:
    """Offset and delay of each probe (RFC 5905 section 8), with each clock's true error taken out of its stamps.

    What an estimator makes of such offsets is therefore its error.
    """
    base = truth.offsets_ns(at_ns)

    def true_time(host: np.ndarray, stamp: np.ndarray) -> np.ndarray:
        elapsed = stamp - truth.start_ns - base[host]
        for _ in range(2):
            whole, rest = truth.clocks.time_error(host, elapsed)
            exact = (stamp - truth.start_ns - whole).astype(np.float64) - rest
            elapsed = np.rint(exact).astype(np.int64)
        return exact

    t1, t4 = true_time(probes.source, probes.t1_ns), true_time(probes.source, probes.t4_ns)
    t2, t3 = true_time(probes.destination, probes.t2_ns), true_time(probes.destination, probes.t3_ns)
    offset, delay = ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)
    return Offsets(probes.source, probes.destination, offset, delay, t4)


def _paths(offsets: Offsets, hosts: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """First and second host of each path, the path of each probe, and the sign that turns its offset that way."""
    low, high = np.minimum(offsets.source, offsets.destination), np.maximum(offsets.source, offsets.destination)
    keys, path = np.unique(low.astype(np.int64) * hosts + high, return_inverse=True)
    return keys // hosts, keys % hosts, path, np.where(offsets.source == low, 1.0, -1.0)


def least_delay_tree(offsets: Offsets, hosts: int, root: int) -> np.ndarray:
    """The least-delay filter over each path's last eight probes, added up along a tree of least delays."""
    first, second, path, sign = _paths(offsets, hosts)
    order = np.lexsort((-offsets.done_ns, path))
    stage = np.arange(len(order)) - np.searchsorted(path[order], path[order])
    kept = order[stage < STAGES]
    kept = kept[np.lexsort((offsets.delay_ns[kept], path[kept]))]
    best = kept[np.unique(path[kept], return_index=True)[1]]
    y, delay = (sign * offsets.offset_ns)[best], np.maximum(offsets.delay_ns[best], 1.0)
    tree = minimum_spanning_tree(coo_array((delay, (first, second)), shape=(hosts, hosts)).tocsr())
    order, parent = breadth_first_order(tree, root, directed=False)
    step = {(a, b): value for a, b, value in zip(first.tolist(), second.tolist(), y, strict=True)}
    found = np.full(hosts, np.nan)
    found[root] = 0.0
    for node in order[1:].tolist():
        up = int(parent[node])
        found[node] = found[up] + (step[up, node] if (up, node) in step else -step[node, up])
    return found


def plain_least_squares(offsets: Offsets, hosts: int, roots: list[int]) -> np.ndarray:
    """Every probe's offset an equation of the same weight; the references' clocks are 0."""
    first, second, path, sign = _paths(offsets, hosts)
    count = np.bincount(path)
    mean = np.bincount(path, sign * offsets.offset_ns) / count
    return weighted_least_squares(hosts, first, second, mean, count.astype(np.float64), roots)


def told_least_delays(offsets: Offsets, truth: Truth, at_ns: int, roots: list[int]) -> np.ndarray:
    """Least forward and least backward delay of each path, each moved by its mean excess over the number of points
    (the likeliest correction under exponential delays), weighted by what these and the routes' own asymmetry leave.

    What the same probes could give somebody who knows every clock's course: the cost of queues, without that of drifts.
    """
    hosts = len(truth.hosts)
    first, second, path, sign = _paths(offsets, hosts)
    count = np.bincount(path)

    def end(delay: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        least = np.full(len(first), np.inf)
        np.minimum.at(least, path, delay)
        spread = (np.bincount(path, delay) / count - least) / np.maximum(count - 1, 1)
        return least - spread, spread**2

    forward, forward_variance = end(offsets.delay_ns / 2 + sign * offsets.offset_ns)
    backward, backward_variance = end(offsets.delay_ns / 2 - sign * offsets.offset_ns)
    delays = truth.fixed_delays_ns(at_ns)[2]
    variance = (forward_variance + backward_variance) / 4 + ((delays[:, 0] - delays[:, 1]) ** 2).mean() / 4
    return weighted_least_squares(hosts, first, second, (forward - backward) / 2, 1.0 / variance, roots)


def floor_least_squares(truth: Truth, at_ns: int, roots: list[int]) -> np.ndarray:
    """Least squares given paths without any queueing: nothing but the routes' fixed asymmetry is left.

    Each path weighs as the inverse square of its least round trip, which is how large its asymmetry may be.
    """
    source, destination, delays = truth.fixed_delays_ns(at_ns)
    error = (delays[:, 0] - delays[:, 1]) / 2
    return weighted_least_squares(len(truth.hosts), source, destination, error, 1.0 / delays.sum(axis=1) ** 2, roots)


def weighted_least_squares(
    hosts: int, first: np.ndarray, second: np.ndarray, z: np.ndarray, weight: np.ndarray, roots: list[int]
) -> np.ndarray:
    """Potentials (hosts,) with all `roots` at 0 and z = second - first, by scipy's LSQR."""
    column = np.cumsum(~np.isin(np.arange(hosts), roots)) - 1
    rows = np.arange(len(z))
    scale = np.sqrt(weight / weight.max())
    ends = [(rows, second, 1.0), (rows, first, -1.0)]
    parts = [(row[~np.isin(node, roots)], column[node[~np.isin(node, roots)]], sign) for row, node, sign in ends]
    values = np.concatenate([sign * scale[row] for row, _, sign in parts])
    place = np.concatenate([row for row, _, _ in parts]), np.concatenate([node for _, node, _ in parts])
    design = csr_array((values, place), shape=(len(z), hosts - len(roots)))
    found = lsqr(design, z * scale, atol=1e-12, btol=1e-12, iter_lim=20_000)[0]
    out = np.zeros(hosts)
    out[~np.isin(np.arange(hosts), roots)] = found
    return out
