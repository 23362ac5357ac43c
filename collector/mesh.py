"""What all paths together say of two of their ends: shortest paths for limits, effective resistance for variance. Pure.

Exact, and of the whole mesh: a pair's limits are the shortest ways through all constraints (limits.py), its variance is
the effective resistance between the two (network.py). Offsets that are known roughly make every constraint's length
positive, as a rule, and then Dijkstra's search does what otherwise takes rounds over all of them (Johnson 1977).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from noonmark.collector.conjugate_gradients import Scaled, conjugate_gradients, inverse_root
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64, Reference
from noonmark.collector.limits import certain_limits, constraints, levelled
from noonmark.collector.network import Network
from noonmark.collector.ordering import counted_order
from noonmark.collector.sites import find_sites, site_pairs

TOLERANCE = 1e-4
"""Of a residual. A variance is out by its square over the least eigenvalue: by n times 1e-8 along a chain of n."""
TOLERANCE_SHARED = 1e-6
"""What all of a site's hosts share comes last in the iteration."""
DOUBTED = 1e9
"""A path that the fit did not believe has so many times its variance: it does not count."""


@dataclass(frozen=True)
class Graph:
    """Which hosts paths join: what stays as it is from one instant to the next.

    P paths, and after them an edge a reference where there are several; V nodes, the last of which is reference time.
    """

    first: Int64
    second: Int64
    node: Int64
    """(H,) node of each host. An only reference is reference time itself: what it is off by is common to both ends of a
    pair. Several hang on it by edges with what is declared of them."""
    hanging: Int64
    """Rows of those hosts."""

    @property
    def nodes(self) -> int:
        """V."""
        return len(self.node) + 1

    @cached_property
    def _pattern(self) -> tuple[Int32, Int32, Int32]:
        """Cells of a matrix (V, V), row by row: both ways of every edge, then the diagonal."""
        every = np.arange(self.nodes)
        order, begins = counted_order(np.concatenate([self.first, self.second, every]), self.nodes)
        return order, np.concatenate([self.second, self.first, every])[order].astype(np.int32), begins

    def matrix(self, ahead: Float64, back: Float64, diagonal: Float64) -> csr_array:
        """(V, V) with values of every edge (E,) there and back; parallel edges are cells of their own."""
        order, column, begins = self._pattern
        values = np.concatenate([ahead, back, diagonal])[order]
        return csr_array((values, column, begins), shape=(self.nodes, self.nodes))


def graph_of(hosts: int, first: Int64, second: Int64, references: Sequence[int]) -> Graph:
    """Of paths (P,) between rows of hosts, and the rows of references."""
    node = np.arange(hosts)
    rows = np.array(references, dtype=np.int64)
    if len(rows) == 1:
        node[rows] = hosts
        rows = rows[:0]
    return Graph(
        first=np.concatenate([node[first], np.full(len(rows), hosts)]),
        second=np.concatenate([node[second], node[rows]]),
        node=node,
        hanging=rows,
    )


@dataclass(frozen=True, slots=True)
class Mesh:
    """What the edges of a graph say at one instant.

    Limits (E,) are relative to the difference of levels, float64 ns: infinite where there is none.
    """

    graph: Graph
    level_ns: Int64
    """(V,) a rough offset of each node, so that numbers are small."""
    lower: Float64
    upper: Float64
    variance_ns2: Float64
    suspicion: Float64
    """(E,) which of several that contradict each other goes first."""
    round_trip_ns: Int64
    """(P,)"""
    effect_ns2: Float64
    """(P,) variance of what all paths between the same two sites share; or empty."""

    def limits(self, a: int, b: int) -> tuple[int, int]:
        """Certain limits of x_a - x_b, ns, rounded outward; plus and minus UNBOUNDED_NS where nothing follows."""
        found = self._quick_limits(a, b)
        if found is None:
            graph = self.graph
            slow = certain_limits(graph.nodes, graph.first, graph.second, self.lower, self.upper, b, self.suspicion)
            found = float(slow.lower[a]), float(slow.upper[a])
        lower, upper = found
        difference = int(self.level_ns[a] - self.level_ns[b])
        return (
            difference + math.floor(lower) if math.isfinite(lower) else -UNBOUNDED_NS,
            difference + math.ceil(upper) if math.isfinite(upper) else UNBOUNDED_NS,
        )

    def _quick_limits(self, a: int, b: int) -> tuple[float, float] | None:
        """None where the constraints contradict each other, or nearly do."""
        graph, ahead, back = self.graph, self.upper, -self.lower
        level = np.zeros(graph.nodes)
        if min(ahead.min(initial=0.0), back.min(initial=0.0)) < 0.0:
            found = levelled(constraints(graph.nodes, graph.first, graph.second, self.lower, self.upper))
            if found is None:
                return None
            level = found
            rise = level[graph.second] - level[graph.first]
            # What is left below 0 is within the tolerance: a limit is widened by it, never narrowed.
            ahead, back = (np.maximum(each, 0.0).astype(np.float64) for each in (ahead - rise, back + rise))
        distance = dijkstra(graph.matrix(ahead, back, np.full(graph.nodes, np.inf)), indices=[b, a])
        rise_between = float(level[a] - level[b])
        return -float(distance[1, b]) + rise_between, float(distance[0, a]) + rise_between

    def variances(self, a: Int64, b: Int64) -> Float64:
        """Variance that the edges leave in x_a - x_b (n,), ns^2, with the effects that paths share."""
        graph, paths = self.graph, len(self.round_trip_ns)
        weight = 1.0 / self.variance_ns2
        tolerance = TOLERANCE
        if len(self.effect_ns2):
            tolerance = TOLERANCE_SHARED
            site = find_sites(
                graph.nodes, graph.first[:paths], graph.second[:paths], self.round_trip_ns.astype(np.float64)
            )
            groups, group, sign = site_pairs(site, graph.first, graph.second)
            group[paths:] = -1
            label, anchor = np.zeros(graph.nodes, dtype=np.int64), np.array([0])
            signs = np.where(group >= 0, sign, 0.0)
            network = Network(graph.nodes, graph.first, graph.second, groups, group, signs, label, anchor)
            effect = np.ones(groups)
            inside = group[:paths] >= 0
            effect[group[:paths][inside]] = np.maximum(self.effect_ns2[inside], 1.0)
            system = network.scaled(weight, 1.0 / effect)
        else:
            held = np.bincount(graph.first, weight, graph.nodes) + np.bincount(graph.second, weight, graph.nodes)
            scale = inverse_root(held.astype(np.float64))
            coupling = weight * scale[graph.first] * scale[graph.second]
            system = Scaled(graph.matrix(coupling, coupling, np.zeros(graph.nodes)), scale, walk=True)
        ends = zip(a.tolist(), b.tolist(), strict=True)
        return np.array([_resistance(system, one, other, tolerance) for one, other in ends])


def _resistance(system: Scaled, a: int, b: int, tolerance: float) -> float:
    """Effective resistance between two nodes: what a unit current from one to the other raises it by."""
    current = np.zeros(len(system.scale))
    current[a] += 1.0
    current[b] -= 1.0
    potential, _ = conjugate_gradients(system, current, tolerance=tolerance)
    return float(potential[a] - potential[b])


def mesh(
    graph: Graph,
    level_ns: Int64,
    lower_ns: Int64,
    upper_ns: Int64,
    variance_ns2: Float64,
    doubted: Bool,
    effect_ns2: Float64,
    round_trip_ns: Int64,
    suspicion: Float64,
    references: Sequence[Reference],
) -> Mesh:
    """Of hosts with rough offsets (H,), a graph's paths (P,), and what is declared of its references."""
    paths, hanging = len(lower_ns), graph.hanging
    level = np.append(level_ns, 0)
    if len(references) == 1:
        level[-1] = level_ns[graph.node == len(graph.node)][0]
    declared = references if len(hanging) else ()
    limit = np.array([reference.limit_ns for reference in declared], dtype=np.float64)
    between = level[graph.second[:paths]] - level[graph.first[:paths]]
    lower, upper = (lower_ns - between).astype(np.float64), (upper_ns - between).astype(np.float64)
    unknown = (lower_ns <= -UNBOUNDED_NS) | (upper_ns >= UNBOUNDED_NS) | (lower_ns > upper_ns)
    if unknown.any():
        lower[unknown], upper[unknown] = -np.inf, np.inf
    own = level_ns[hanging].astype(np.float64)
    reference_variance = [max(reference.uncertainty_ns, 1.0) ** 2 for reference in declared]
    if doubted.any():
        variance_ns2 = np.where(doubted, variance_ns2 * DOUBTED, variance_ns2)
    return Mesh(
        graph,
        level,
        lower=np.concatenate([lower, -limit - own]),
        upper=np.concatenate([upper, limit - own]),
        variance_ns2=np.concatenate([variance_ns2, reference_variance]),
        suspicion=np.concatenate([suspicion, np.zeros(len(hanging))]),
        round_trip_ns=round_trip_ns,
        effect_ns2=effect_ns2,
    )
