"""Conjugate gradients for the normal equations of differences over a graph. Pure.

The system is scaled to a unit diagonal first: then all that is left of it is how each unknown is coupled to its
neighbours, and one step of Jacobi's iteration is one product with these couplings. The eigenvalues of a graph's
couplings lie between -1 and 1, as a random walk's do; so two such steps, the second a little short, are a positive
definite preconditioner, which costs a product an iteration and saves half of the iterations and so half of the work
on vectors (O. G. Johnson, C. A. Micchelli, G. Paul, SIAM Journal on Numerical Analysis, April 1983).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from noonmark.collector.estimate import Float64

Floating = NDArray[np.floating[Any]]

RELATIVE_RESIDUAL = 1e-9
SECOND_STEP = 0.9
"""Length of the second step. A whole one would be blind where a graph has no odd rings, and the eigenvalue is -1."""


@dataclass(frozen=True, slots=True)
class Scaled:
    """The system (I - couplings) x = right side, with x in units of `scale`."""

    couplings: csr_array
    """(n, n), symmetric, nothing on the diagonal."""
    scale: Float64
    """(n,) inverse square root of the unscaled diagonal; 0 for an unknown that nothing holds."""
    walk: bool
    """Whether no eigenvalue of the couplings lies outside -1 to 1, as that of a graph does not."""

    def precisely(self, precision: Any) -> Scaled:
        """The same in another floating-point precision."""
        return Scaled(self.couplings.astype(precision), self.scale.astype(precision), self.walk)


def inverse_root(diagonal: Float64) -> Float64:
    """Scale of a diagonal (n,); 0 stays 0."""
    root = np.sqrt(diagonal)
    return np.divide(1.0, root, out=np.zeros_like(root), where=root > 0)


def conjugate_gradients(
    system: Scaled, right: Floating, *, start: Floating | None = None, tolerance: float = RELATIVE_RESIDUAL
) -> tuple[Floating, int]:
    """Solve the singular, consistent system for an unscaled right side (n,), or several (n, k) at once.

    Several count as one system of n k unknowns, whose steps are common to all. Returns the unscaled solution and the
    iterations used. Stops when the scaled residual is below `tolerance` of the right side's, or after 10 n iterations
    (reached only by hopeless input).
    """
    couplings = system.couplings
    scale = system.scale.reshape(-1, *(1,) * (right.ndim - 1))
    residual = scale * right
    goal = tolerance**2 * _product(residual, residual)
    x = np.zeros_like(residual)
    if start is not None:
        np.divide(start, scale, out=x, where=scale > 0)
        residual -= x
        residual += couplings @ x
    direction, moved = np.zeros_like(residual), np.empty_like(residual)
    energy, iterations = 0.0, 0
    while _product(residual, residual) > goal and iterations < 10 * len(right):
        conditioned = residual
        if system.walk:
            conditioned = couplings @ residual
            conditioned *= SECOND_STEP
            conditioned += residual
        fresh = _product(residual, conditioned)
        direction *= fresh / energy if iterations else 0.0
        direction += conditioned
        energy = fresh
        image = couplings @ direction
        np.subtract(direction, image, out=image)
        curvature = _product(direction, image)
        if curvature <= 0.0:
            break
        x += np.multiply(direction, energy / curvature, out=moved)
        image *= energy / curvature
        residual -= image
        iterations += 1
    x *= scale
    return x, iterations


def _product(a: Floating, b: Floating) -> float:
    # Not by BLAS: for vectors of this size its threads wait for each other longer than they work.
    return float(np.einsum("i,i", a.ravel(), b.ravel()))
