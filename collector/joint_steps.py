"""Steps too small for any one path to show, found from all of a host's paths together. Pure.

Suppose a host jumped at some instant. Its drift can then only be told from within the two parts of the window, and the
jump from between them: on each of its paths the least forward delay is another after the instant than before, and the
least backward delay by as much the other way; a busy line does no such thing. So slot by slot every suspected
host's drift is made likeliest with the heights of both parts free (Newton's steps as in `slopes`), and what its paths
then show of a jump is weighed together. A host with sixteen paths shows one a fourth as large as a path does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial, reduce

import numpy as np

from noonmark.collector.change import Change, Ends
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.jump_evidence import (
    CLIP,
    KEPT,
    Sides,
    Told,
    jump_beside_rates,
    log_chance_bound,
    movements,
    sides_of,
    weighed,
)
from noonmark.collector.rate_evidence import FEWEST_SLOTS, rate_changes
from noonmark.collector.rowwise import by_rows
from noonmark.collector.slots import LEAST_NOISE_NS

BY_CHANCE = 1e-4
"""Bound of the chance that any of a fleet's hosts is thought to have jumped within a slot though it did not; of small
fleets each host has a hundredth of it."""
SMALL_FLEET = 100
THOROUGH = 4_000
"""Fleets of no more paths have all hosts looked at closely, in the whole window."""
SUSPECT = 3.0
"""Of larger ones, hosts that show so many standard deviations of a jump even at the drift that makes least of it."""
NORMAL_MEDIAN = 0.6745
"""Of the size of a standard normal variable."""
JUMPED = 3.7
"""So many standard deviations must be left if the host's rate may have changed at the same time."""
LEAST_LEFT = 2.5
"""So many slots on either side of a change tell a rate."""
CLEARLY = 3.0
"""By so many standard deviations a change of rate must explain more than a jump does, to be believed instead."""
MOST_LINES = 0.5
"""A host is not judged if at any time the lines of more of its paths changed: the rest then shows nothing."""
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
    jumped = log_chance < np.log(BY_CHANCE / max(ends.nodes, SMALL_FLEET))
    start_s, slot_s = _extent(fitted.walls)
    changes = []
    for row in np.flatnonzero(jumped):
        own = owner == row
        paths, given = (sides[0].of(own), sides[1].of(own)), (slope[own], outward[own])
        alone = np.zeros_like(owner[own])
        slot, size_ns = int(told.slot[row]), float(told.size_ns[row])
        when_s = start_s + (slot + 0.5) * slot_s
        place = _Place(int(suspects[row]), start_s, slot_s)
        rest = _without(paths, given[1], slot, size_ns)
        bend = _clearest_bend(paths, *given, place, fitted.stray_ns)
        if bend is not None:
            # The better story leaves less for the other; of two that are as good it was a jump, the simpler one.
            unbent = searched(_unbent(paths, given[1], bend), given[0], alone, given[1], 1)
            left = max(float(one.deviations[0]) for one in unbent if np.isfinite(one.deviations[0]))
            if _most_bent(rest, *given, place)[0] ** 2 - left**2 > CLEARLY**2:
                changes.append(bend)
                continue
        beside = jump_beside_rates(paths, *given, slot, when_s, fitted.stray_ns)
        if beside.bend_s is not None and place.tells_rates(beside.bend_s, slots):
            changes += _bends(paths, *given, beside.bend_s, place)
        elif beside.bend_s is not None or beside.deviations > JUMPED:
            # With its jump taken out, little may be left that only lines explain: else these explain the jump as well.
            lines = reduce(Told.surer, searched(rest, given[0], alone, given[1], 1)).line[0]
            jump = Change(place.node, True, when_s, size_ns, float(told.deviations[row]), slot_s)
            changes += [jump] if lines <= MOST_LINES else []
    return changes


@dataclass(frozen=True, slots=True)
class _Place:
    """Of whom, and in which slots."""

    node: int
    start_s: float
    slot_s: float

    def tells_rates(self, when_s: float, slots: int) -> bool:
        """Whether enough lies on either side. Close to an end of the window a change of rate looks like a jump."""
        return LEAST_LEFT <= (when_s - self.start_s) / self.slot_s <= slots - LEAST_LEFT


def _most_bent(sides: Sides, slope: Float64, outward: Float64, place: _Place) -> tuple[float, int]:
    """In how many standard deviations one host's rate changed at most, and from which slot on."""
    owner = np.zeros(len(slope), dtype=np.int64)
    found = [(0.0, FEWEST_SLOTS)]
    for slot in range(FEWEST_SLOTS, sides[0].height.shape[1] - FEWEST_SLOTS + 1):
        rates = rate_changes(sides, slope, owner, outward, 1, slot, place.start_s + slot * place.slot_s)
        found.append((float(rates.deviations[0]), slot))
    return max(found)


def _clearest_bend(sides: Sides, slope: Float64, outward: Float64, place: _Place, stray_ns: float) -> Change | None:
    """One host's clearest change of rate, where lines before and after it meet; None if none is clear."""
    _, slot = _most_bent(sides, slope, outward, place)
    when_s = place.start_s + (slot + 0.5) * place.slot_s
    beside = jump_beside_rates(sides, slope, outward, slot, when_s, stray_ns)
    bends = [] if beside.bend_s is None else _bends(sides, slope, outward, beside.bend_s, place)
    return bends[0] if bends else None


def _bends(sides: Sides, slope: Float64, outward: Float64, when_s: float, place: _Place) -> list[Change]:
    """One host's change of rate, if both directions say so: that something changed is not chance is known already."""
    if not place.tells_rates(when_s, sides[0].height.shape[1]):
        return []
    slot = round((when_s - place.start_s) / place.slot_s)
    rates = rate_changes(sides, slope, np.zeros(len(slope), dtype=np.int64), outward, 1, slot, when_s)
    size_ppb, deviations = float(rates.size_ppb[0]), float(rates.deviations[0])
    return [Change(place.node, False, when_s, size_ppb, deviations, place.slot_s)] if deviations > KEPT else []


def _unbent(sides: Sides, outward: Float64, bend: Change) -> Sides:
    """One host's walls with a change of its rate taken out."""
    forward, backward = (
        replace(
            side,
            height=side.height
            - side.sign * outward[:, None] * bend.size * np.maximum(side.seconds - bend.boundary_s, 0.0),
        )
        for side in sides
    )
    return forward, backward


def _usual_deviation(each: Sequence[Told]) -> float:
    """By how much more than by chance hosts usually seem to have moved, at least 1: where clocks wander, all do."""
    deviations = np.concatenate([told.deviations for told in each])
    known = deviations[np.isfinite(deviations)]
    return max(1.0, float(np.median(known)) / NORMAL_MEDIAN) if len(known) else 1.0


def _without(sides: Sides, outward: Float64, slot: int, size_ns: float) -> Sides:
    """One host's walls with its jump taken out, and the slot in which it was."""
    place = np.arange(sides[0].height.shape[1])
    jump = np.where(place > slot, size_ns, 0.0) * outward[:, None]
    forward, backward = (
        replace(side, height=np.where(place == slot, np.inf, side.height - side.sign * jump)) for side in sides
    )
    return forward, backward


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
