"""One clock's change, and which nodes paths join. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int32, Int64
from noonmark.collector.ordering import counted_order


@dataclass(frozen=True, slots=True)
class Change:
    """One clock's change: at a boundary between slots, of so much, so sure."""

    node: int
    step: bool
    """True: the clock jumped; False: its rate changed."""
    boundary_s: float
    size: float
    """ns for a step, ppb for a change of rate."""
    certainty: float
    """Size in units of its standard uncertainty."""
    slot_s: float
    """The boundary is known to about half of this."""


@dataclass(frozen=True, slots=True)
class Ends:
    """Nodes at both ends of P paths."""

    first: Int64
    second: Int64
    nodes: int


def paths_of_nodes(ends: Ends) -> tuple[Int64, Int32]:
    """Paths, node by node, and where each node's begin (V + 1,)."""
    order, begins = counted_order(np.concatenate([ends.first, ends.second]), ends.nodes)
    return order % np.int64(len(ends.first)), begins


def shape_of(step: bool, boundary_s: float, seconds: Float64) -> Float64:
    """What a change adds to a clock, per unit of size."""
    if step:
        return (seconds >= boundary_s).astype(np.float64)
    return np.maximum(seconds - boundary_s, 0.0)
