"""Steps too small for any one path to show, found from all of a host's paths together. Pure.

Suppose a host jumped at some instant. Its drift can then only be told from within the two parts of the window, and the
jump from between them: on each of its paths the least forward delay is another after the instant than before, and the
least backward delay by as much the other way; a busy line does no such thing. So slot by slot every suspected
host's drift is made likeliest with the heights of both parts free (Newton's steps as in `slopes`), and what its paths
then show of a jump is weighed together. A host with sixteen paths shows one a fourth as large as a path does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial, reduce

import numpy as np

from noonmark.collector.change import Change, Ends
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.jump_evidence import (
    CLIP,
    Sides,
    Told,
    beyond_chance,
    log_chance_bound,
    movements,
    sides_of,
    weighed,
)
from noonmark.collector.jump_or_bend import Suspect, likelier
from noonmark.collector.rowwise import by_rows
from noonmark.collector.slots import LEAST_NOISE_NS

THOROUGH = 4_000
"""Fleets of no more paths have all hosts looked at closely, in the whole window."""
SUSPECT = 3.0
"""Of larger ones, hosts that show so many standard deviations of a jump even at the drift that makes least of it."""
NORMAL_MEDIAN = 0.6745
"""Of the size of a standard normal variable."""
TOGETHER = 3
"""Neighbouring slots that are tried with the same drifts."""
SOONEST = 0.75
"""Share of the window after which large fleets are searched: it is left to the ticks before to have seen the rest."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """What was fitted without a thought of jumps: P paths."""

    walls: Walls
    slope: Float64
    """The fleet's, ppb."""
    upper_spread_ns: Float64
    """What the end points of the whole window are off by chance."""
    lower_spread_ns: Float64
    tick_ns: Float64
    """What both clocks' ticks add up to."""
    stray_ns: float
    """What clocks usually stray from their lines."""


def joint_steps(fitted: Fitted, ends: Ends, blameless: int) -> list[Change]:
    """Nodes that jumped, each within the slot where that is clearest, or whose rate it was that changed; never
    `blameless` (the reference's node)."""
    slots = fitted.walls.upper_ns.shape[1]
    large = len(fitted.slope) > THOROUGH
    tried = range(round(SOONEST * slots) if large else 2, slots - 1)
    suspects = _suspects(fitted, ends, tried) if large else np.arange(ends.nodes)
    suspects = suspects[suspects != blameless]
    if len(suspects) == 0 or len(tried) == 0:
        return []
    owner, path, outward = _own_paths(ends, suspects)
    sides, slope = sides_of(fitted.walls.rows(path), fitted.tick_ns[path]), fitted.slope[path]
    groups = [tried[begin : begin + TOGETHER] for begin in range(0, len(tried), TOGETHER)]

    def searched(sides: Sides, slope: Float64, owner: Int64, outward: Float64, hosts: int) -> list[Told]:
        given = sides, slope, owner, outward, hosts
        return [told for group in groups for told in weighed(*given, group, fitted.stray_ns)]

    each = searched(sides, slope, owner, outward, len(suspects))
    told = reduce(Told.surer, each)
    usual = 1.0 if large else _usual_deviation(each)
    log_chance = log_chance_bound(told.deviations / usual, told.terms, told.log_chance < 0.0)
    jumped = beyond_chance(log_chance, ends.nodes)
    start_s, slot_s = _extent(fitted.walls)
    changes = []
    for row in np.flatnonzero(jumped):
        own = owner == row
        suspect = Suspect(
            int(suspects[row]),
            (sides[0].of(own), sides[1].of(own)),
            slope[own],
            outward[own],
            start_s,
            slot_s,
            int(told.slot[row]),
            float(told.size_ns[row]),
            float(told.deviations[row]),
            fitted.stray_ns,
        )
        alone = np.zeros_like(owner[own])
        search = partial(searched, slope=suspect.slope, owner=alone, outward=suspect.outward, hosts=1)
        change = likelier(suspect, search)
        changes += [change] if change is not None else []
    return changes


def _usual_deviation(each: Sequence[Told]) -> float:
    """By how much more than by chance hosts usually seem to have moved, at least 1: where clocks wander, all do."""
    deviations = np.concatenate([told.deviations for told in each])
    known = deviations[np.isfinite(deviations)]
    return max(1.0, float(np.median(known)) / NORMAL_MEDIAN) if len(known) else 1.0


def _suspects(fitted: Fitted, ends: Ends, tried: Sequence[int]) -> Int64:
    """Nodes that show something of a jump at the fleet's slopes, which take up a good part of it."""
    walls = fitted.walls

    def work(rows: slice) -> tuple[Float64, ...]:
        sides = sides_of(walls.rows(rows), fitted.tick_ns[rows])
        spreads = fitted.upper_spread_ns[rows], fitted.lower_spread_ns[rows]
        forward, backward = (
            np.maximum(spread, LEAST_NOISE_NS) * np.isfinite(side.height).sum(axis=1)
            for spread, side in zip(spreads, sides, strict=True)
        )
        columns: list[Float64] = []
        for slot in tried:
            moved = movements(sides, fitted.slope[rows], (forward, backward), slot)
            for by_ns, weight in zip(moved.by_ns, moved.weight, strict=True):
                furthest = CLIP * np.sqrt(weight)
                columns.append(np.where(moved.line, 0.0, np.clip(by_ns * weight, -furthest, furthest)))
            columns.append(moved.weight[0] + moved.weight[1])
        return tuple(columns)

    columns = by_rows(work, len(fitted.slope))
    suspected = np.zeros(ends.nodes, dtype=bool)
    for forward, backward, weight in zip(columns[::3], columns[1::3], columns[2::3], strict=True):
        of_second, of_first = (partial(np.bincount, end, minlength=ends.nodes) for end in (ends.second, ends.first))
        towards, away = of_second(forward) - of_first(backward), of_second(backward) - of_first(forward)
        whole = of_second(weight) + of_first(weight)
        clear = np.abs(towards + away) > SUSPECT * np.sqrt(whole + (whole * fitted.stray_ns) ** 2)
        suspected |= clear & (towards * away > 0)
    return np.flatnonzero(suspected)


def _own_paths(ends: Ends, nodes: Int64) -> tuple[Int64, Int64, Float64]:
    """Of each of some nodes' paths: the node's place among them, the path, and +1 where the node is its second end,
    else -1; (Q,) each."""
    place = np.full(ends.nodes, -1)
    place[nodes] = np.arange(len(nodes))
    second, first = np.flatnonzero(place[ends.second] >= 0), np.flatnonzero(place[ends.first] >= 0)
    owner = np.concatenate([place[ends.second[second]], place[ends.first[first]]])
    return owner, np.concatenate([second, first]), np.repeat([1.0, -1.0], [len(second), len(first)])


def _extent(walls: Walls) -> tuple[float, float]:
    """Where the slots begin, and how long each is, s."""
    seconds = walls.upper_s[np.isfinite(walls.upper_ns)]
    start, end = float(seconds.min()), float(seconds.max())
    return start, (end - start) / walls.upper_ns.shape[1]
