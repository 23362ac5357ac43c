"""What a host's paths tell together of a jump of its clock. Pure.

On each path the least forward delay is another after a jump than before, and the least backward delay by as much the
other way, while a busy line raises one or both. The lowest of n exponential delays of mean a lies a / n above the true
least, and is so far off. By chance alone a sum of M differences of such delays exceeds z standard deviations with at
most the probability that Chernoff's bound gives for M Laplace variables, whose tails are longer than a normal law's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.corridors import Walls
from noonmark.collector.edges import end_point
from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.slopes import EXPECTED, wall_leaning
from noonmark.collector.slots import LEAST_NOISE_NS

BY_CHANCE = 1e-4
"""Bound of the chance that any of a fleet's hosts is thought to have changed within a slot though it did not."""
SMALL_FLEET = 100
"""Of fewer hosts each has a hundredth of it."""
FEWEST_TERMS = 8.0
"""Four paths, two directions each: of fewer, the peers may have jumped as well."""
CLIP = 6.0
"""A path counts for no more than so many standard deviations: its other end may be the one that jumped."""
BORNE_OUT = 0.5
"""The smaller of the movements of the least forward and backward delays must be this share of the step."""
UNMOVED = 4.0
"""A jump leaves round trips as they were: by so many standard deviations they may differ by chance."""
WANDER_PPB = 1.0
"""What a quartz may wander from its line for each second, as certain limits allow it too."""
FEW_LINES = 0.25
"""A jump is not borne out if the lines of more of its host's paths, by weight, changed just then."""
KEPT = 4.0
"""Rates before and after that differ by more standard uncertainties tell of a change of rate, whatever the jump."""
RATE_CHANGE_PPB = 50.0
"""By how much a steered clock's rate usually changes at once; common practice, no source."""
SHARPNESS = (0.0, 0.5, 1.0, 1.0, 1.0)
"""Powers of the number of points by which a wall's corners are sharper than its delays are long, round by round: from
afar the walls' general direction counts."""
POOL = 2.0
"""The usual path counts as so many gaps of each."""


@dataclass(frozen=True, slots=True)
class Side:
    """One wall of Q paths, as delays (Q, K) in ns above a free height, inf where there is no point."""

    seconds: Float64
    height: Float64
    tick_ns: Float64
    """(Q,) what both clocks' ticks add up to: below that no height is known."""
    sign: float
    """What a rise of y adds: +1 for forward delays, -1 for backward ones."""

    def of(self, paths: Bool) -> Side:
        """Some of the paths."""
        return Side(self.seconds[paths], self.height[paths], self.tick_ns[paths], self.sign)

    def less(self, slope: Float64) -> Float64:
        """The heights with a slope (Q,), ppb, taken out."""
        return np.asarray(self.height - self.sign * slope[:, None] * self.seconds)


Sides = tuple[Side, Side]
Parts = tuple[slice, slice]
Sums = tuple[Float64, Float64]
"""One number a path or host for the forward delays, and one for the backward ones."""


@dataclass(frozen=True, slots=True)
class Moved:
    """By how much y of Q paths moved between two parts, as each direction's least delays tell; with weights, 1/ns^2."""

    by_ns: Sums
    weight: Sums
    line: Bool
    """Where the round trip changed, so that it was the line."""
    lever_s: Float64
    """Between the parts' middles."""

    def of_hosts(self, outward: Float64) -> Moved:
        """By how much each path's host moved, as its delays towards that host tell, and as those from it do.

        A busy line of the host's own raises the one or the other on all of its paths.
        """
        second = outward > 0
        by_ns, weight = (
            (np.where(second, *sums), np.where(second, *reversed(sums))) for sums in (self.by_ns, self.weight)
        )
        return Moved((outward * by_ns[0], outward * by_ns[1]), weight, self.line, self.lever_s)


@dataclass(frozen=True, slots=True)
class Told:
    """What C hosts' paths tell together of a jump within one slot."""

    size_ns: Float64
    deviations: Float64
    log_chance: Float64
    """Logarithm of the bound of the chance to see so much without a jump; 0 where it is not borne out."""
    terms: Float64
    """How many like terms the weighted sum is worth."""
    line: Float64
    """Share of the paths, by weight, whose round trips changed."""
    slot: Int64

    def surer(self, other: Told) -> Told:
        """Of each host the less likely to be chance, and the greatest share of lines that changed."""
        rows = other.log_chance < self.log_chance
        size, deviations, log_chance, terms, slot = (
            np.where(rows, getattr(other, name), getattr(self, name))
            for name in ("size_ns", "deviations", "log_chance", "terms", "slot")
        )
        return Told(size, deviations, log_chance, terms, np.maximum(self.line, other.line), slot)


def sides_of(walls: Walls, tick_ns: Float64) -> Sides:
    """Both walls of each path, each as delays above a free height."""
    return Side(walls.upper_s, walls.upper_ns, tick_ns, 1.0), Side(walls.lower_s, -walls.lower_ns, tick_ns, -1.0)


def weighed(
    sides: Sides, slope: Float64, owner: Int64, outward: Float64, hosts: int, group: Sequence[int], stray_ns: float
) -> list[Told]:
    """What each slot of a group shows, with hosts' drifts made likeliest within what is before and after the group."""
    slope = slope.copy()
    parts = slice(0, group[0]), slice(group[-1] + 1, None)
    for sharpness in SHARPNESS:
        push, own = leaning_of(sides, slope, owner, parts, sharpness)
        pushed, information = np.bincount(owner, outward * push, hosts), np.bincount(owner, own, hosts)
        change = np.divide(pushed, information, out=np.zeros(hosts), where=information > 0)
        slope += outward * change[owner]
    waits = _wait(sides[0], slope, owner, parts), _wait(sides[1], slope, owner, parts)
    variance = np.divide(1.0, information, out=np.full(hosts, np.inf), where=information > 0)
    told = []
    for slot in group:
        moved = movements(sides, slope, waits, slot).of_hosts(outward)
        usual = _medians((moved.by_ns[0] + moved.by_ns[1]) / 2.0, owner, hosts)
        told.append(_together(moved, owner, usual, variance, stray_ns, slot))
    return told


@dataclass(frozen=True, slots=True)
class Beside:
    """What is left of one host's jump if its rate may have changed at the same time."""

    deviations: float
    """Of the jump; 0 where a change of rate explains it."""
    bend_s: float | None = None
    """When, if it is clear that the rate changed."""


def jump_beside_rates(
    sides: Sides, slope: Float64, outward: Float64, slot: int, when_s: float, stray_ns: float
) -> Beside:
    """By how many standard deviations one host jumped within a slot, if its rate may have changed then as well.

    Of a change of rate alone nothing is left at the time of the change, `when_s`: a line through what was before and
    one through what came after meet there. If rates clearly differ, the lines tell where they meet.
    """
    parts = slice(0, slot), slice(slot + 1, None)
    owner = np.zeros(len(slope), dtype=np.int64)
    each = rates_of_parts(sides, slope, owner, outward, 1, parts, when_s)
    rates, variances = ([float(value[0]) for value in told] for told in each)
    if not np.isfinite(variances[0]):
        return Beside(0.0)
    bend = rates[1] - rates[0]
    bent = abs(bend) > KEPT * np.sqrt(sum(variances))
    # The later rate is the earlier one, changed as rates usually are, unless its own probes tell more.
    usual = RATE_CHANGE_PPB**2 + variances[0]
    told = usual / (usual + variances[1]) if np.isfinite(variances[1]) else 0.0
    rates[1] = rates[0] + (1.0 if bent else told) * bend
    place = np.arange(sides[0].height.shape[1])
    rate_of_slot = outward[:, None] * np.where(place < slot, *rates)
    forward, backward = (
        replace(side, height=side.height - side.sign * rate_of_slot * (side.seconds - when_s)) for side in sides
    )
    waits = _wait(forward, slope, owner, parts), _wait(backward, slope, owner, parts)
    moved = movements((forward, backward), slope, waits, slot).of_hosts(outward)
    usual_ns = _medians((moved.by_ns[0] + moved.by_ns[1]) / 2.0, owner, 1)
    size = float(_together(moved, owner, usual_ns, np.zeros(1), stray_ns, slot).size_ns[0])
    weight = moved.weight[0] + moved.weight[1]
    if not np.isfinite(size):
        return Beside(0.0)
    if bent:
        return Beside(0.0, when_s - size / bend)
    before, after = (float(np.average(np.abs(_mean_time(sides[0], part) - when_s), weights=weight)) for part in parts)
    variance = 1.0 / weight.sum() + stray_ns**2 + LEAST_NOISE_NS**2
    variance += before**2 * variances[0] + 2.0 * before * after * (1.0 - told) * variances[0]
    variance += after**2 * (1.0 - told) * usual if told < 1.0 else 0.0
    return Beside(abs(size) / float(np.sqrt(variance)))


def rates_of_parts(
    sides: Sequence[Side], slope: Float64, owner: Int64, outward: Float64, hosts: int, parts: Parts, when_s: float
) -> tuple[list[Float64], list[Float64]]:
    """Likeliest rates (C,) of hosts in both parts, beside the slopes of their paths (Q,), ppb, and their variances,
    ppb^2; infinite if unknown."""
    later = np.arange(sides[0].height.shape[1]) >= parts[1].start
    rates, variances = [np.zeros(hosts), np.zeros(hosts)], [np.full(hosts, np.inf), np.full(hosts, np.inf)]
    for sharpness in SHARPNESS:
        # How long delays are is told by both parts, each less its own rate.
        before, after = (outward[:, None] * rate[owner, None] for rate in rates)
        rate_of_slot = np.where(later, after, before)
        straight = [
            replace(side, height=side.height - side.sign * rate_of_slot * (side.seconds - when_s)) for side in sides
        ]
        for which, part in enumerate(parts):
            push, own = leaning_of(straight, slope, owner, parts, sharpness, within=(part,))
            pushed, information = np.bincount(owner, outward * push, hosts), np.bincount(owner, own, hosts)
            told = information > 0
            rates[which] += np.divide(pushed, information, out=np.zeros(hosts), where=told)
            variances[which] = np.divide(1.0, information, out=np.full(hosts, np.inf), where=told)
    return rates, variances


def leaning_of(
    sides: Sequence[Side],
    slope: Float64,
    owner: Int64,
    parts: Parts,
    sharpness: float,
    within: Sequence[slice] | None = None,
) -> Sums:
    """Slope and curvature (Q,) of the likelihood in the path's slope, with both parts' heights free; or of what is
    `within` one of them alone."""
    push, information = np.zeros(len(slope)), np.zeros(len(slope))
    for side in sides:
        left, wait = side.less(slope), _wait(side, slope, owner, parts)
        for part in within or parts:
            count = np.isfinite(left[:, part]).sum(axis=1)
            told = (count > 1) & np.isfinite(wait)
            spread = np.where(told, wait, 1.0) / np.maximum(count, 1) ** sharpness + side.tick_ns
            tilt, curvature = wall_leaning(left[:, part], side.seconds[:, part], spread)
            push -= np.where(told, side.sign * tilt, 0.0)
            information += np.where(told, curvature, 0.0)
    return push, information + EXPECTED * push**2


def movements(sides: Sides, slope: Float64, waits: Sums, slot: int) -> Moved:
    """What is before a slot against what is after it: the slot itself may hold probes of both sides."""
    parts = slice(0, slot), slice(slot + 1, None)
    rises, deviations, tolds = [], [], []
    for side, wait in zip(sides, waits, strict=True):
        left = side.less(slope)
        (early, before), (late, after) = (
            (left[:, part].min(axis=1), np.isfinite(left[:, part]).sum(axis=1)) for part in parts
        )
        told = (before > 0) & (after > 0) & np.isfinite(wait)
        fewer, more = 1.0 / np.maximum(before, 1), 1.0 / np.maximum(after, 1)
        known = np.where(told, wait, 0.0)
        rise = np.where(told, late, 0.0) - np.where(told, early, 0.0) - known * (more - fewer)
        rises.append(side.sign * rise)
        deviations.append(known * np.hypot(fewer, more) + np.where(told, side.tick_ns, 0.0))
        tolds.append(told)
    line = np.abs(rises[0] - rises[1]) > UNMOVED * np.hypot(*deviations)
    weight = [
        np.divide(1.0, deviation**2, out=np.zeros_like(deviation), where=told)
        for deviation, told in zip(deviations, tolds, strict=True)
    ]
    begin, end = (_mean_time(sides[0], part) for part in parts)
    return Moved((rises[0], rises[1]), (weight[0], weight[1]), line, end - begin)


def _medians(values: Float64, owner: Int64, hosts: int) -> Float64:
    """The lower median (C,) of each host's values; 0 where it has none."""
    order = np.lexsort((values, owner))
    count = np.bincount(owner, minlength=hosts)
    middle = np.cumsum(count) - count + np.maximum(count - 1, 0) // 2
    return np.where(count > 0, values[order[np.minimum(middle, len(order) - 1)]], 0.0)


def _together(
    moved: Moved, owner: Int64, usual_ns: Float64, slope_variance: Float64, stray_ns: float, slot: int
) -> Told:
    """Weighted means over each host's paths, none of them further than it may be from what is usual with them (C,).

    `slope_variance` (C,), ppb^2, is what is left open of the hosts' drifts.
    """
    hosts = len(usual_ns)
    weights = [np.bincount(owner, weight, hosts) for weight in moved.weight]
    near, sums = usual_ns[owner], []
    for weight, by in zip(moved.weight, moved.by_ns, strict=True):
        furthest = CLIP / np.sqrt(np.maximum(weight, 1e-30))
        sums.append(np.bincount(owner, weight * np.clip(by, near - furthest, near + furthest) * ~moved.line, hosts))
    steady = [np.bincount(owner, weight * ~moved.line, hosts) for weight in moved.weight]
    squares = np.bincount(owner, moved.weight[0] ** 2 + moved.weight[1] ** 2, hosts)
    levers = np.bincount(owner, (moved.weight[0] + moved.weight[1]) * moved.lever_s, hosts)
    whole = weights[0] + weights[1]
    line = whole - steady[0] - steady[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = whole**2 / squares
        # Lines that changed are left out of the size, and speak against it as if nothing had moved on them.
        size = (sums[0] + sums[1]) / (whole - line)
        left_open = slope_variance + WANDER_PPB**2
        variance = 1.0 / whole + stray_ns**2 + LEAST_NOISE_NS**2 + (levers / whole) ** 2 * left_open
        deviations = np.abs(sums[0] + sums[1]) / whole / np.sqrt(variance)
        towards, away = (part / weight for part, weight in zip(sums, steady, strict=True))
        agreed = np.minimum(np.sign(size) * towards, np.sign(size) * away) >= BORNE_OUT * np.abs(size)
        round_trip = np.abs(towards - away) / np.sqrt(1.0 / steady[0] + 1.0 / steady[1])
        quiet = line <= FEW_LINES * whole
        borne = np.asarray(agreed & quiet & (round_trip < UNMOVED) & (terms >= FEWEST_TERMS))
        share = np.where(whole > 0, line / whole, 0.0)
    log_chance = log_chance_bound(deviations, terms, borne)
    return Told(size, deviations, log_chance, terms, share, np.full(hosts, slot))


def log_chance_bound(deviations: Float64, terms: Float64, where: Bool) -> Float64:
    """Logarithm of Chernoff's bound of a sum of so many like Laplace variables; 0 elsewhere."""
    out = np.zeros(len(deviations))
    rows = np.flatnonzero(where & (deviations > 0) & np.isfinite(deviations))
    count = terms[rows]
    each = deviations[rows] / np.sqrt(count)
    # The moment generating function of a Laplace variable of variance 1 is 1 / (1 - t^2 / 2).
    tilt = (np.sqrt(1.0 + 2.0 * each**2) - 1.0) / each
    out[rows] = -count * (tilt * each + np.log1p(-(tilt**2) / 2.0))
    return out


def beyond_chance(log_chance: Float64, hosts: int) -> Bool:
    """Whether each of a fleet's hosts shows more than chance may make of any of them."""
    return np.asarray(log_chance < np.log(BY_CHANCE / max(hosts, SMALL_FLEET)))


def _wait(side: Side, slope: Float64, owner: Int64, parts: Parts) -> Float64:
    """Mean of a path's delays beyond their least, ns (Q,), by the gaps among the lowest third of both parts' points,
    steadied by what is usual with its host's paths; inf where nothing is known.

    How a host takes its stamps makes its waits a thousand times another's: what is usual in a fleet of several kinds
    would make slow hosts surer than they are.
    """
    left = side.less(slope)
    squares, gaps = np.zeros(len(left)), np.zeros(len(left))
    for part in parts:
        count = np.isfinite(left[:, part]).sum(axis=1)
        _, spread = end_point(left[:, part])
        told = np.isfinite(spread)
        seen = np.where(told, np.maximum((count + 2) // 3 - 1, 1), 0)
        squares += seen * np.where(told, spread, 0.0) ** 2 * count**2
        gaps += seen
    known = gaps > 0
    if not known.any():
        return np.full(len(left), np.inf)
    own = np.sqrt(squares[known] / gaps[known])
    usual = np.maximum(_medians(own, owner[known], int(owner.max()) + 1)[owner], np.median(own))
    steadied = np.sqrt((squares + POOL * usual**2) / (gaps + POOL))
    return np.where(known, np.maximum(steadied, LEAST_NOISE_NS), np.inf)


def _mean_time(side: Side, part: slice) -> Float64:
    used = np.isfinite(side.height[:, part])
    return np.asarray(np.where(used, side.seconds[:, part], 0.0).sum(axis=1) / np.maximum(used.sum(axis=1), 1))
