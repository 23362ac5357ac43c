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

import numpy as np
from scipy.sparse import csr_array

from noonmark.collector.estimate import Float64, Int64

DENSE_UNKNOWNS = 700
"""Up to here a dense inverse is quicker than iterating, and gives every covariance exactly."""
RELATIVE_RESIDUAL = 1e-9
PROBES = 48
"""Random right-hand sides for the variances of large networks: their relative error is sqrt(2 / 48) = 20 %, of the
standard uncertainties 10 %."""


@dataclass(frozen=True, slots=True)
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

    def normal_matrix(self, weight: Float64, effect_weight: Float64) -> csr_array:
        """The symmetric (V + G, V + G) matrix of the normal equations; singular once a component."""
        grouped = self.group >= 0
        a, b, w = self.first, self.second, weight
        g, s = self.group[grouped] + self.nodes, (weight * self.sign)[grouped]
        ga, gb = a[grouped], b[grouped]
        effects = np.arange(self.nodes, self.unknowns)
        rows = np.concatenate([a, b, a, b, ga, gb, g, g, g, effects])
        columns = np.concatenate([a, b, b, a, g, g, ga, gb, g, effects])
        values = np.concatenate([w, w, -w, -w, -s, s, -s, s, w[grouped], effect_weight])
        return csr_array((values, (rows, columns)), shape=(self.unknowns, self.unknowns))

    def right_side(self, weighted: Float64, effects: Float64) -> Float64:
        """Transpose of the design times (E,) or (E, k) edge values, plus effect values (G,) or (G, k)."""
        shape = (self.unknowns, *weighted.shape[1:])
        out = np.zeros(shape)
        columns = weighted[:, None] if weighted.ndim == 1 else weighted
        flat = out[:, None] if out.ndim == 1 else out
        grouped = self.group >= 0
        for k in range(columns.shape[1]):
            values = columns[:, k]
            flat[:, k] = np.bincount(self.second, values, self.unknowns) - np.bincount(
                self.first, values, self.unknowns
            )
            signed = (self.sign * values)[grouped]
            flat[:, k] += np.bincount(self.group[grouped] + self.nodes, signed, self.unknowns)
        out[self.nodes :] += effects
        return out

    def fitted(self, unknowns: Float64) -> Float64:
        """What the unknowns (V + G,) say of each edge (E,)."""
        out = unknowns[self.second] - unknowns[self.first]
        grouped = self.group >= 0
        out[grouped] += self.sign[grouped] * unknowns[self.group[grouped] + self.nodes]
        return np.asarray(out)

    def levelled(self, unknowns: Float64) -> Float64:
        """The unknowns (V + G,) or (V + G, k) with each component's anchor at 0."""
        out = unknowns.copy()
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
    samples: Float64 | None
    """(V + G, k) draws with that covariance, for large networks; None if they were not asked for."""

    def variance(self, rows: Int64, against: Int64) -> Float64:
        """Variance of unknown `rows` minus unknown `against`, (n,)."""
        if self.covariance is not None:
            c = self.covariance
            return np.maximum(c[rows, rows] + c[against, against] - 2 * c[rows, against], 0.0)
        assert self.samples is not None
        return np.asarray(((self.samples[rows] - self.samples[against]) ** 2).mean(axis=1))


def solve(
    network: Network,
    z: Float64,
    weight: Float64,
    effect_weight: Float64,
    *,
    start: Float64 | None = None,
    uncertain: bool = True,
    seed: int = 0,
) -> Solution:
    """Least squares over the network; `weight` (E,) and `effect_weight` (G,) are inverse variances.

    `start` makes a large network's iteration warm. With `uncertain` the covariance, or draws from it, come along.
    Isolated nodes stay at 0. Cost: dense O((V + G)^3) up to 700 unknowns, else O(E) an iteration.
    """
    matrix = network.normal_matrix(weight, effect_weight)
    right = network.right_side(weight * z, np.zeros(network.groups))
    if network.unknowns <= DENSE_UNKNOWNS:
        covariance = _grounded_inverse(network, matrix)
        return Solution(network.levelled(covariance @ right), 1, covariance, None)
    unknowns, iterations = conjugate_gradients(matrix, right[:, None], start=None if start is None else start[:, None])
    samples = None
    if uncertain:
        draw = np.random.default_rng(seed)
        noise = draw.standard_normal((len(z), PROBES)) * np.sqrt(weight)[:, None]
        effects = draw.standard_normal((network.groups, PROBES)) * np.sqrt(effect_weight)[:, None]
        found, _ = conjugate_gradients(matrix, network.right_side(noise, effects), tolerance=1e-2)
        samples = network.levelled(found)
    return Solution(network.levelled(unknowns[:, 0]), iterations, None, samples)


def _grounded_inverse(network: Network, matrix: csr_array) -> Float64:
    """Covariance with anchors at exactly 0; rows of anchors and isolated nodes are 0."""
    dense = matrix.toarray()
    kept = np.diag(dense) > 0
    kept[network.anchor] = False
    inverse = np.zeros_like(dense)
    block = np.ix_(kept, kept)
    # Scaling to a unit diagonal keeps edges of very unlike variances from spoiling the inverse.
    scale = 1.0 / np.sqrt(np.diag(dense)[kept])
    inverse[block] = np.linalg.inv(dense[block] * np.outer(scale, scale)) * np.outer(scale, scale)
    return inverse


def conjugate_gradients(
    matrix: csr_array, right: Float64, *, start: Float64 | None = None, tolerance: float = RELATIVE_RESIDUAL
) -> tuple[Float64, int]:
    """Solve the singular, consistent system for several right sides (n, k) at once; Jacobi preconditioner.

    Returns the solution and the iterations used. Stops when every column's residual, in the preconditioner's norm,
    is below `tolerance` of its right side's, or after 10 n iterations (reached only by hopeless input).
    """
    diagonal = matrix.diagonal()
    inverse = np.divide(1.0, diagonal, out=np.zeros_like(diagonal), where=diagonal > 0)[:, None]
    x = np.zeros_like(right) if start is None else start.copy()
    residual = right - matrix @ x if start is not None else right.copy()
    goal = tolerance**2 * np.einsum("ij,ij->j", right, inverse * right)
    direction = inverse * residual
    energy = np.einsum("ij,ij->j", residual, direction)
    iterations = 0
    while (energy > goal).any() and iterations < 10 * len(right):
        image = matrix @ direction
        curvature = np.einsum("ij,ij->j", direction, image)
        step = np.divide(energy, curvature, out=np.zeros_like(energy), where=(curvature > 0) & (energy > goal))
        x += step * direction
        residual -= step * image
        conditioned = inverse * residual
        fresh = np.einsum("ij,ij->j", residual, conditioned)
        ratio = np.divide(fresh, energy, out=np.zeros_like(energy), where=energy > goal)
        direction = conditioned + ratio * direction
        energy = np.where(energy > goal, fresh, energy)
        iterations += 1
    return x, iterations
