"""Weighted least squares for differences over a graph, with shared path effects. Pure.

Unknown: a potential v for each of V nodes and an effect b for each of G groups of edges. Each of E edges says
z = v_second - v_first + sign b_group + noise of its variance; each effect is 0 with its own variance. Solving

    sum of (z - v_second + v_first - sign b_group)^2 / variance  +  sum of b^2 / effect variance  ->  least

is a graph Laplacian with a border. Variances of potential differences are effective resistances (Barooah and Hespanha,
IEEE Control Systems Magazine, August 2007). A Laplacian knows no absolute level: each component's is fixed afterwards,
by its anchor node (grounding a node beforehand would make the system far worse conditioned).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from noonmark.collector.conjugate_gradients import (
    RELATIVE_RESIDUAL,
    Floating,
    Scaled,
    conjugate_gradients,
    inverse_root,
)
from noonmark.collector.estimate import Float64, Int32, Int64
from noonmark.collector.ordering import counted_order
from noonmark.collector.rowwise import both

DENSE_UNKNOWNS = 700
"""Up to here a dense inverse is quicker than iterating, and gives every covariance exactly."""
WEAK_ANCHOR = 1e-7
"""An anchor with less than this share of the greatest weight in its component holds nothing."""
DRAWS = 8
"""Random right-hand sides for large networks' variances: alone they would leave an error of sqrt(2 / 8) = 50 %."""
DRAWS_WITH_GROUPS = 32
"""Effects that many paths share do not show in a node's own edges, so draws must do alone: 25 %, of u 12 %."""
LOCAL = 0.6
"""So much of the logarithm of a large network's variance is what the node's own edges say, scaled by what the draws say
of the whole: together they are good to some 15 %, of a standard uncertainty 8 %."""


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Where a network's normal matrix has its cells, worked out once: the weights change, the graph does not."""

    entry: Int32
    """Which of the edges' and unknowns' values are added up to a cell; see `normal_matrix`."""
    starts: Int64
    """Where each cell's entries begin."""
    indices: Int32
    indptr: Int32


@dataclass(frozen=True, slots=True)
class _Neighbours:
    """Each node's edges and neighbours, node by node; parallel edges stay cells of their own, which products add up."""

    edge: Int64
    node: Int32
    begins: Int32


@dataclass(frozen=True)
class Network:
    """E edges over V nodes and G groups."""

    nodes: int
    first: Int64
    second: Int64
    groups: int
    group: Int64
    """(E,) which shared effect the edge feels; -1 for none."""
    sign: Float64
    """(E,) +1 where the edge runs in its group's direction, -1 against it, 0 for edges of no group."""
    component: Int64
    """(V,) nodes of one component have one number, 0 to C - 1."""
    anchor: Int64
    """(C,) the node of each component whose potential is 0."""

    @property
    def unknowns(self) -> int:
        """V + G."""
        return self.nodes + self.groups

    @cached_property
    def _grouped(self) -> Int64:
        return np.flatnonzero(self.group >= 0) if self.groups else np.zeros(0, dtype=np.int64)

    @cached_property
    def _pattern(self) -> _Pattern:
        grouped = self._grouped
        edges, a, b = len(self.first), self.first, self.second
        unknowns = np.arange(self.unknowns)
        edge = np.arange(edges)
        g = self.group[grouped] + self.nodes
        less, more = (edges + self.unknowns + np.arange(len(grouped)) + start for start in (0, len(grouped)))
        rows = [unknowns, a, b, a[grouped], b[grouped], g, g]
        columns = [unknowns, b, a, g, g, a[grouped], b[grouped]]
        entry = [unknowns + edges, edge, edge, less, more, less, more]
        place = np.concatenate(rows) * self.unknowns + np.concatenate(columns)
        sorted_ = np.argsort(place, kind="stable")
        cells, starts = np.unique(place[sorted_], return_index=True)
        indptr = np.searchsorted(cells, np.arange(self.unknowns + 1) * self.unknowns).astype(np.int32)
        entries = np.concatenate(entry).astype(np.int32)[sorted_]
        return _Pattern(entries, starts, (cells % self.unknowns).astype(np.int32), indptr)

    def normal_matrix(self, weight: Float64, effect_weight: Float64) -> csr_array:
        """The symmetric (V + G, V + G) matrix of the normal equations; singular once a component."""
        pattern = self._pattern
        shape = (self.unknowns, self.unknowns)
        if self.unknowns == 0:
            return csr_array(shape)
        held = np.bincount(self.first, weight, self.nodes) + np.bincount(self.second, weight, self.nodes)
        shared = weight[self._grouped]
        effects = np.bincount(self.group[self._grouped], shared, self.groups) + effect_weight
        signed = shared * self.sign[self._grouped]
        data = np.concatenate([-weight, held, effects, -signed, signed])[pattern.entry]
        return csr_array((np.add.reduceat(data, pattern.starts), pattern.indices, pattern.indptr), shape=shape)

    @cached_property
    def _neighbours(self) -> _Neighbours:
        order, begins = counted_order(np.concatenate([self.first, self.second]), self.nodes)
        node = np.concatenate([self.second, self.first]).astype(np.int32)[order]
        return _Neighbours((order % max(len(self.first), 1)).astype(np.int64), node, begins)

    def scaled(self, weight: Float64, effect_weight: Float64) -> Scaled:
        """The normal equations, scaled to a unit diagonal."""
        if self.groups:
            matrix = self.normal_matrix(weight, effect_weight)
            scale = inverse_root(matrix.diagonal())
            row = np.repeat(np.arange(self.unknowns), np.diff(matrix.indptr))
            couplings = np.where(row == matrix.indices, 0.0, -scale[row] * matrix.data * scale[matrix.indices])
            return Scaled(csr_array((couplings, matrix.indices, matrix.indptr), shape=matrix.shape), scale, walk=False)
        held = np.bincount(self.first, weight, self.nodes) + np.bincount(self.second, weight, self.nodes)
        scale = inverse_root(held.astype(np.float64))
        near = self._neighbours
        couplings = (weight * scale[self.first] * scale[self.second])[near.edge]
        return Scaled(csr_array((couplings, near.node, near.begins), shape=(self.nodes,) * 2), scale, walk=True)

    @cached_property
    def _incidence(self) -> csr_array:
        """(V + G, E): how each edge pulls at the unknowns."""
        edges = len(self.first)
        grouped = self._grouped
        rows = np.concatenate([self.second, self.first, self.group[grouped] + self.nodes])
        order, indptr = counted_order(rows, self.unknowns)
        columns = np.concatenate([np.arange(2 * edges) % max(edges, 1), grouped]).astype(np.int32)[order]
        values = np.concatenate([np.ones(edges), -np.ones(edges), self.sign[grouped]])[order]
        return csr_array((values, columns, indptr), shape=(self.unknowns, edges))

    @cached_property
    def noise(self) -> tuple[Floating, Floating]:
        """Standard normal numbers for random right-hand sides, of edges (E, DRAWS) and effects (G, DRAWS): the same
        ones whatever the weights, so that no estimate differs from the one before by chance."""
        draw, draws = np.random.default_rng(0), DRAWS_WITH_GROUPS if self.groups else DRAWS
        precision: Any = np.float64 if self.groups else np.float32
        of_edges = draw.standard_normal((len(self.first), draws), dtype=precision)
        return of_edges, draw.standard_normal((self.groups, draws), dtype=precision)

    def right_side(self, weighted: Floating, effects: Floating) -> Floating:
        """Transpose of the design times (E,) or (E, k) edge values, plus effect values (G,) or (G, k)."""
        if weighted.ndim == 1:
            pulled = np.bincount(self.second, weighted, self.nodes).astype(weighted.dtype, copy=False)
            pulled -= np.bincount(self.first, weighted, self.nodes)
            if self.groups == 0:
                return pulled
            grouped = self._grouped
            shared = np.bincount(self.group[grouped], self.sign[grouped] * weighted[grouped], self.groups) + effects
            return np.concatenate([pulled, shared])
        out = np.asarray(self._incidence.astype(weighted.dtype, copy=False) @ weighted)
        out[self.nodes :] += effects
        return out

    def fitted(self, unknowns: Float64) -> Float64:
        """What the unknowns (V + G,) say of each edge (E,)."""
        out = unknowns[self.second] - unknowns[self.first]
        if self.groups == 0:
            return np.asarray(out)
        grouped = self._grouped
        out[grouped] += self.sign[grouped] * unknowns[self.group[grouped] + self.nodes]
        return np.asarray(out)

    def levelled(self, unknowns: Floating) -> Floating:
        """The unknowns (V + G,) or (V + G, k) with each component's anchor at 0."""
        out = unknowns.copy()
        if len(self.anchor) == 1:
            out[: self.nodes] -= unknowns[self.anchor[0]]
        else:
            out[: self.nodes] -= unknowns[self.anchor][self.component]
        return out


@dataclass(frozen=True, slots=True)
class Solution:
    """Potentials and effects, and how sure they are."""

    unknowns: Float64
    """(V + G,) with anchors at 0."""
    iterations: int
    covariance: Float64 | None
    """(V + G, V + G) relative to the anchors, for small networks."""
    samples: NDArray[np.float32] | None
    """(V + G, k) draws with that covariance, for large networks; None if they were not asked for."""

    local: Float64 | None = None
    """(V,) inverse sum of each node's own weights, for large networks without groups."""

    def variance(self, rows: Int64, against: Int64) -> Float64:
        """Variance of unknown `rows` minus unknown `against`, (n,)."""
        if self.covariance is not None:
            c = self.covariance
            return np.maximum(c[rows, rows] + c[against, against] - 2 * c[rows, against], 0.0)
        assert self.samples is not None
        drawn = ((self.samples[rows] - self.samples[against]) ** 2).mean(axis=1, dtype=np.float64)
        if self.local is None:
            return np.asarray(drawn)
        near = np.where(rows == against, 0.0, self.local[rows] + self.local[against])
        both = (drawn > 0) & (near > 0) & np.isfinite(near)
        if not both.any():
            return np.asarray(drawn)
        # The median of a chi-square of DRAWS degrees of freedom lies a little below its mean.
        scale = np.median(drawn[both] / near[both]) / (1.0 - 2.0 / (9.0 * DRAWS)) ** 3
        blended = np.exp(LOCAL * np.log(scale * near[both]) + (1.0 - LOCAL) * np.log(drawn[both]))
        drawn[both] = blended
        return np.asarray(drawn)


def solve(
    network: Network,
    z: Float64,
    weight: Float64,
    effect_weight: Float64,
    *,
    start: Float64 | None = None,
    uncertain: bool = True,
    tolerance: float = RELATIVE_RESIDUAL,
) -> Solution:
    """Least squares over the network; `weight` (E,) and `effect_weight` (G,) are inverse variances.

    `start` makes a large network's iteration warm; `tolerance` is for large networks too. With `uncertain` the
    covariance, or draws from it, come along. Isolated nodes stay at 0. Cost: dense O((V + G)^3) up to 700 unknowns,
    else O(E) an iteration.
    """
    right = network.right_side(weight * z, np.zeros(network.groups))
    if network.unknowns <= DENSE_UNKNOWNS:
        inverse = _grounded_inverse(network, network.normal_matrix(weight, effect_weight))
        exact = np.asarray(network.levelled(inverse @ right), dtype=np.float64)
        return Solution(exact, 1, _against_anchors(network, inverse), None)
    system = network.scaled(weight, effect_weight)
    found = partial(conjugate_gradients, system, right, start=start, tolerance=tolerance)
    samples = None
    if uncertain:
        (unknowns, iterations), samples = both(found, partial(_draws, network, system, weight, effect_weight))
    else:
        unknowns, iterations = found()
    local = None
    if network.groups == 0:
        scale = system.scale
        local = np.where(scale > 0, scale**2, np.inf)
    return Solution(np.asarray(network.levelled(unknowns), dtype=np.float64), iterations, None, samples, local)


def _draws(network: Network, system: Scaled, weight: Float64, effect_weight: Float64) -> NDArray[np.float32]:
    """Draws from the unknowns' joint distribution (V + G, DRAWS).

    Without shared effects they are rough anyway, and single precision does. What all of a site's hosts share is a
    direction in which the system hardly resists, and which comes last in the iteration: that takes a tight tolerance.
    """
    precision: Any
    precision, tolerance = (np.float64, 1e-7) if network.groups else (np.float32, 1e-2)
    of_edges, of_effects = network.noise
    noise = of_edges * np.sqrt(weight).astype(precision)[:, None]
    effects = of_effects * np.sqrt(effect_weight).astype(precision)[:, None]
    right = np.asarray(network.right_side(noise, effects), dtype=precision)
    found, _ = conjugate_gradients(system.precisely(precision), right, tolerance=tolerance)
    return np.asarray(network.levelled(found), dtype=np.float32)


def _grounded_inverse(network: Network, matrix: csr_array) -> Float64:
    """Covariance with each component's ground at exactly 0; rows of grounds and of isolated nodes are 0."""
    dense = matrix.toarray()
    kept = np.diag(dense) > 0
    kept[_grounds(network, np.diag(dense))] = False
    inverse = np.zeros_like(dense)
    block = np.ix_(kept, kept)
    # Scaling to a unit diagonal keeps edges of very unlike variances from spoiling the inverse.
    scale = 1.0 / np.sqrt(np.diag(dense)[kept])
    inverse[block] = np.linalg.inv(dense[block] * np.outer(scale, scale)) * np.outer(scale, scale)
    return inverse


def _grounds(network: Network, weight: Float64) -> Int64:
    """(C,) each component's anchor; or, where that hardly holds, its best-held node.

    Reference time may hang on its hosts by edges so weak that nothing would be left of the numbers beside them.
    """
    order = np.lexsort((weight[: network.nodes], network.component))
    best = order[np.append(np.diff(network.component[order]) > 0, True)]
    weak = weight[network.anchor] < WEAK_ANCHOR * weight[best]
    return np.asarray(np.where(weak, best, network.anchor))


def _against_anchors(network: Network, inverse: Float64) -> Float64:
    """The covariance relative to the anchors: (C - c_a)(C - c_a)^T of each component's anchor a."""
    at = np.arange(network.unknowns)
    anchor = np.where(at < network.nodes, network.anchor[network.component[np.minimum(at, network.nodes - 1)]], at)
    # Effects have no anchor: only nodes are moved.
    rows = inverse - np.where((at < network.nodes)[:, None], inverse[anchor], 0.0)
    return np.asarray(rows - np.where((at < network.nodes)[None, :], rows[:, anchor], 0.0))
