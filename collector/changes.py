"""When a clock changed: steps and changes of rate within the window, host by host. Pure; needs no fleet fit.

A host whose clock changes is seen by all its peers at once, and each of its peers by one path only: so a host is
suspected when most of its paths are unsteady, and what it did is the median of what its paths show
(change_stories.py). Where the walls do not bear out a change of rate path by path, all of them together may.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.change import Change, Ends, paths_of_nodes
from noonmark.collector.change_stories import CERTAIN, Suspects, Told, Trials, best_of, told_by, trials_of
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Bool, Float64, Int32, Int64
from noonmark.collector.jump_evidence import beyond_chance, log_chance_bound, sides_of
from noonmark.collector.rate_evidence import rate_changes
from noonmark.collector.row_noise import row_noise
from noonmark.collector.rowwise import by_rows
from noonmark.collector.slots import Slots, filled, slot_middles

UNSTEADY = 5.0
"""A path whose middles show a change this many times its noise is a witness; much less than proof."""
FEWEST_SLOTS = 5
TOGETHER = 2_048
"""So many hosts are looked at at once, at most."""


@dataclass(frozen=True, slots=True)
class Middles:
    """What P paths show one by one."""

    slots: Slots
    """Less each path's own slope."""
    unsteady: Bool
    """(P,) whether the middles show a change."""


def middles_of(walls: Walls, slope: Float64) -> Middles:
    """`slope` (P,) is each path's own, ppb."""
    slots = slot_middles(walls, slope)
    if len(slots.seconds) < FEWEST_SLOTS:
        return Middles(slots, np.zeros(len(slope), dtype=bool))
    trials = trials_of(slots.seconds)

    def work(rows: slice) -> tuple[Bool]:
        middle = slots.middle[rows]
        return (best_of(filled(middle), trials, row_noise(middle)).certainty > UNSTEADY,)

    (unsteady,) = by_rows(work, len(slope))
    return Middles(slots, unsteady)


def find_changes(
    walls: Walls,
    slope: Float64,
    ends: Ends,
    blameless: int,
    middles: Middles | None = None,
    crooked: Sequence[int] = (),
    tick_ns: Float64 | None = None,
) -> list[Change]:
    """Every node that changed within the window, by its clearest change.

    `slope` (P,) is each path's own, ppb, and `middles` what `middles_of` says, if it is at hand. Where only two hosts
    can have done it, `blameless` (the reference's node) has not. Of `crooked` nodes it is known that they did not run
    straight, and only asked when and how they changed. `tick_ns` (P,) is what both clocks' ticks add up to.
    """
    middles = middles or middles_of(walls, slope)
    slots = middles.slots
    if len(slots.seconds) < FEWEST_SLOTS:
        return []
    by_node, begins = paths_of_nodes(ends)
    suspects = _suspects(middles.unsteady, ends, blameless, by_node, begins)
    known = set(suspects)
    nodes = np.array([*suspects, *(node for node in crooked if node not in known)], dtype=np.int64)
    if len(nodes) == 0:
        return []
    bent = np.isin(nodes, crooked)
    trials = trials_of(slots.seconds)
    mesh = _Mesh(walls, slope, ends, slots, np.zeros(len(slope)) if tick_ns is None else tick_ns)
    degree = np.diff(begins)[nodes]
    found: dict[int, Change] = {}
    for paths in np.unique(degree[degree > 0]).tolist():
        alike = np.flatnonzero(degree == paths)
        for rows in np.split(alike, range(TOGETHER, len(alike), TOGETHER)):
            own = by_node[begins[nodes[rows], None] + np.arange(paths)]
            found |= _changes(mesh, trials, nodes[rows], own, bent[rows])
    return [found[node] for node in nodes.tolist() if node in found]


@dataclass(frozen=True, slots=True)
class _Mesh:
    walls: Walls
    slope: Float64
    ends: Ends
    slots: Slots
    tick_ns: Float64


def _changes(mesh: _Mesh, trials: Trials, nodes: Int64, paths: Int64, crooked: Bool) -> dict[int, Change]:
    """Of nodes (C,) with the same number of paths (C, D)."""
    flat = paths.ravel()
    outward = np.where(mesh.ends.second[paths] == nodes[:, None], 1.0, -1.0)
    walls, slope, seconds = mesh.walls.rows(flat), mesh.slope[paths], mesh.slots.seconds
    suspects = Suspects(mesh.slots.middle[paths], walls, slope, outward, crooked)
    told = told_by(suspects, seconds, trials)
    slot_s = float(seconds[1] - seconds[0])
    changes = {
        int(nodes[row]): Change(
            int(nodes[row]),
            bool(told.story.step[row]),
            float(told.story.boundary_s[row]),
            float(told.story.size[row]),
            float(told.story.certainty[row]),
            slot_s,
        )
        for row in np.flatnonzero(told.borne)
    }
    return changes | _rates(mesh, suspects, told, nodes, flat)


def _rates(mesh: _Mesh, suspects: Suspects, told: Told, nodes: Int64, paths: Int64) -> dict[int, Change]:
    """Changes of rate that stand out, and that only all walls together bear out."""
    seconds, count = mesh.slots.seconds, suspects.outward.shape[1]
    slot_s = float(seconds[1] - seconds[0])
    wall_slots = suspects.walls.upper_ns.shape[1]
    wall_s = slot_s / max(wall_slots // len(seconds), 1)
    changes: dict[int, Change] = {}
    open_ = ~told.borne & (told.bend.certainty >= CERTAIN)
    for boundary_s in np.unique(told.bend.boundary_s[open_]).tolist():
        some = np.flatnonzero(open_ & (told.bend.boundary_s == boundary_s))
        rows = (some[:, None] * count + np.arange(count)).ravel()
        sides = sides_of(suspects.walls.rows(rows), mesh.tick_ns[paths[rows]])
        slot = round((boundary_s - float(seconds[0]) + slot_s / 2) / wall_s)
        owner = np.repeat(np.arange(len(some)), count)
        rates = rate_changes(
            sides, suspects.slope.ravel()[rows], owner, suspects.outward[some].ravel(), len(some), slot, boundary_s
        )
        log_chance = log_chance_bound(rates.deviations, rates.terms, rates.borne)
        for row in np.flatnonzero(beyond_chance(log_chance, mesh.ends.nodes)):
            node = int(nodes[some[row]])
            size, deviations = float(rates.size_ppb[row]), float(rates.deviations[row])
            changes[node] = Change(node, False, boundary_s, size, deviations, slot_s)
    return changes


def _suspects(unsteady: Bool, ends: Ends, blameless: int, by_node: Int64, begins: Int32) -> list[int]:
    """Nodes with more than half of their paths unsteady; the most suspect first, and its paths then speak against
    nobody else."""
    against, total = _count(unsteady, ends), _count(np.ones(len(unsteady), dtype=bool), ends)
    open_, counted = unsteady.copy(), np.ones(len(unsteady), dtype=bool)
    handicap = np.ones(ends.nodes)
    handicap[blameless] = 0.999

    def scores(nodes: slice | Int64) -> Float64:
        bad, all_ = against[nodes], total[nodes]
        share = np.where(2 * bad > all_, bad / np.maximum(all_, 1), 0.0) * handicap[nodes]
        return np.where(share > 0, bad + share, 0.0)

    suspects: list[int] = []
    score = scores(slice(None))
    while True:
        node = int(score.argmax())
        if score[node] == 0:
            return suspects
        own = by_node[begins[node] : begins[node + 1]]
        suspects.append(node)
        for paths, count in ((own[open_[own]], against), (own[counted[own]], total)):
            np.subtract.at(count, ends.first[paths], 1)
            np.subtract.at(count, ends.second[paths], 1)
        open_[own] = counted[own] = False
        touched = np.concatenate([ends.first[own], ends.second[own]])
        score[touched] = scores(touched)


def _count(paths: Bool, ends: Ends) -> Int64:
    return np.asarray(
        np.bincount(ends.first[paths], minlength=ends.nodes) + np.bincount(ends.second[paths], minlength=ends.nodes)
    )
