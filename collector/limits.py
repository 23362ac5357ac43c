"""What the probes together prove: difference constraints and shortest paths. Pure; knows nothing of the estimator.

Each path proves lower <= x_second - x_first <= upper at one instant. What all of them imply of x_b - x_a is a shortest
path through the graph of constraints, once in each direction; nothing tighter follows from the same constraints (Cormen
et al., Introduction to Algorithms, "Difference constraints and shortest paths"; for clocks: Patt-Shamir and Rajsbaum
1994). A cycle of negative length proves that some stamp is not honest. A constraint that is not there has length
infinity: no data is not "difference 0".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.ordering import counted_order
from noonmark.collector.rowwise import both

TOLERANCE_NS = 1e-3


@dataclass(frozen=True, slots=True)
class Constraints:
    """Directed arcs: x_head - x_tail <= length, sorted by head so that each node's arcs lie together."""

    nodes: int
    tail: Int64
    head: Int64
    length: Float64
    path: Int64
    """Which path each arc comes from."""
    heads: Int64
    """The nodes that have arcs, and in `starts` where their arcs begin."""
    starts: Int64


def constraints(nodes: int, first: Int64, second: Int64, lower: Float64, upper: Float64) -> Constraints:
    """Two arcs a path; infinite limits make no arc."""
    path = np.arange(len(first))
    tail, head = np.concatenate([first, second]), np.concatenate([second, first])
    length, path = np.concatenate([upper, -lower]), np.concatenate([path, path])
    finite = np.flatnonzero(np.isfinite(length))
    return _by_head(nodes, tail[finite], head[finite], length[finite], path[finite])


def reversed_constraints(arcs: Constraints) -> Constraints:
    """The same arcs walked backwards: distances to a node become distances from it."""
    return _by_head(arcs.nodes, arcs.head, arcs.tail, arcs.length, arcs.path)


def _by_head(nodes: int, tail: Int64, head: Int64, length: Float64, path: Int64) -> Constraints:
    order, begins = counted_order(head, nodes)
    heads = np.flatnonzero(np.diff(begins))
    return Constraints(
        nodes, tail[order], head[order], length[order], path[order], heads, begins[heads].astype(np.int64)
    )


@dataclass(frozen=True, slots=True)
class Distances:
    """Shortest distances from one node (V,), infinite where none leads; or, if not `consistent`, a negative cycle."""

    distance: Float64
    consistent: bool
    cycle: Int64
    """The paths on a negative cycle, in order; empty if there is none."""


def shortest(arcs: Constraints, source: int) -> Distances:
    """Bellman and Ford's rounds, each over all arcs at once: O(arcs) a round, one round an arc of the longest way.

    Random graphs need 15 to 30 rounds; a chain needs its length.
    """
    distance = np.full(arcs.nodes, np.inf)
    distance[source] = 0.0
    if len(arcs.head) == 0:
        return Distances(distance, True, np.empty(0, dtype=np.int64))
    via = np.full(arcs.nodes, -1, dtype=np.int64)
    check = 32
    for round_ in range(1, 2 * arcs.nodes + 64):
        reached = distance[arcs.tail] + arcs.length
        nearest = np.minimum.reduceat(reached, arcs.starts)
        improved = nearest < distance[arcs.heads] - TOLERANCE_NS
        if not improved.any():
            return Distances(distance, True, np.empty(0, dtype=np.int64))
        which = _positions(reached, nearest, arcs)
        better = arcs.heads[improved]
        distance[better] = nearest[improved]
        via[better] = which[improved]
        if round_ == check:
            cycle = _cycle(arcs, via)
            if len(cycle):
                return Distances(distance, False, cycle)
            check *= 2
    return Distances(distance, False, _cycle(arcs, via))


def levelled(arcs: Constraints, rounds: int = 64) -> Float64 | None:
    """Levels (V,) between which no arc is shorter than the rise along it, but for TOLERANCE_NS: so measured, none is
    negative. None if that takes too many rounds, as it does where the arcs contradict each other.
    """
    level = np.zeros(arcs.nodes)
    for _ in range(rounds):
        nearest = np.minimum.reduceat(level[arcs.tail] + arcs.length, arcs.starts)
        improved = nearest < level[arcs.heads] - TOLERANCE_NS
        if not improved.any():
            return level
        level[arcs.heads[improved]] = nearest[improved]
    return None


def _shortest_back(arcs: Constraints, source: int) -> Distances:
    return shortest(reversed_constraints(arcs), source)


def _positions(reached: Float64, nearest: Float64, arcs: Constraints) -> Int64:
    """For each head, the position of an arc that reaches its nearest value."""
    sizes = np.diff(np.append(arcs.starts, len(reached)))
    hit = np.flatnonzero(reached == np.repeat(nearest, sizes))
    position = np.zeros(arcs.nodes, dtype=np.int64)
    position[arcs.head[hit]] = hit
    return np.asarray(position[arcs.heads])


def _cycle(arcs: Constraints, via: Int64) -> Int64:
    """The paths of a cycle in the tree of predecessors, if it has one: proof of a negative cycle."""
    nodes = arcs.nodes
    parent = np.append(np.where(via >= 0, arcs.tail[via], nodes), nodes)
    far = parent.copy()
    for _ in range(int(np.ceil(np.log2(nodes + 1))) + 1):
        far = far[far]
    on_or_behind = np.flatnonzero(far[:nodes] != nodes)
    if len(on_or_behind) == 0:
        return np.empty(0, dtype=np.int64)
    node = int(far[on_or_behind[0]])
    cycle: list[int] = []
    start = node
    while True:
        cycle.append(int(arcs.path[via[node]]))
        node = int(parent[node])
        if node == start:
            return np.array(cycle[::-1], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class CertainLimits:
    """Limits of x_i - x_source (V,), ns; infinite where nothing follows."""

    lower: Float64
    upper: Float64
    dropped: Bool
    """(P,) paths left out because the rest contradicts them."""
    cycles: tuple[Int64, ...]
    """The negative cycles that made us drop them."""


def certain_limits(
    nodes: int, first: Int64, second: Int64, lower: Float64, upper: Float64, source: int, suspicion: Float64
) -> CertainLimits:
    """Limits of every node against `source`, from paths first -> second (P,).

    Where the constraints contradict each other, the most suspect path of each negative cycle is left out, by
    `suspicion` (P,), until they no longer do; at most P times.
    """
    dropped = np.zeros(len(first), dtype=bool)
    cycles: list[Int64] = []
    while True:
        kept = np.flatnonzero(~dropped)
        arcs = constraints(nodes, first[kept], second[kept], lower[kept], upper[kept])
        ahead, behind = both(partial(shortest, arcs, source), partial(_shortest_back, arcs, source))
        if ahead.consistent and behind.consistent:
            return CertainLimits(-behind.distance, ahead.distance, dropped, tuple(cycles))
        cycle = kept[behind.cycle if ahead.consistent else ahead.cycle]
        cycles.append(cycle)
        dropped[cycle[np.argmax(suspicion[cycle])]] = True
