"""What the probes prove of every clock at the asked instant, allowances included. Pure.

Each path alone proves a corridor; corridors at one instant combine by shortest paths (limits.py). But clocks are
straight lines, so what is proved of a host at other instants of the window bears on the asked one too: its limits at
several instants are walls of a corridor of its own, and the asked instant's limits follow from those. That is how one
path's early probes and another's late ones come together; what is still lost against one linear programme over all
probes is a few per cent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from noonmark.collector.change import Ends
from noonmark.collector.corridors import STEEPEST, Proven, Walls, height_ranges, proven, slope_ranges, widest
from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.frames import FASTEST, NS
from noonmark.collector.gauge import Mean, limits_to_mean
from noonmark.collector.limits import CertainLimits, certain_limits
from noonmark.collector.programme import MOST_PATHS, needed_slack
from noonmark.collector.settle import Settled
from noonmark.collector.survey import Survey
from noonmark.collector.torn import acquitted, tears_of

LEAST_SLACK_NS = 20.0
WallsOf = Callable[[slice | Int64], Walls]
INSTANTS = 7
"""Instants of the window at which hosts are limited, besides the asked one."""
MOST_TORN = 2_000
"""Where no line fits more paths than this, clocks were steered, and did not jump."""
MANY_PATHS = 10_000
"""With more paths than this only the asked instant is used, to keep a tick short: limits stay true, and are less tight
by a few per cent where queues are long."""


@dataclass(frozen=True, slots=True)
class Certain:
    """Limits at the asked instant, ns relative to the frames and without the bends: (P,) of y = x_second - x_first
    from each path alone (lower > upper where it contradicts itself), (V,) of each node against the
    reference (or, (H,), of each host against the mean)."""

    path_lower_ns: Float64
    path_upper_ns: Float64
    node_lower_ns: Float64
    node_upper_ns: Float64
    cycles: tuple[Int64, ...]
    """Rings of paths whose limits contradict each other at the asked instant; of each, one path was then left out."""
    slack_ns: Float64
    """(P,) how far each path's walls had to give way for straight clocks to fit all probes; such paths are left out."""
    crossed_ns: Float64
    """(V,) by how much the walls of a node's paths cross, where that proves that it did not run straight, or one of two
    did not; else 0. Of such nodes it is only certain that they cannot run off faster than honest clocks are steered."""
    moved_ns: Float64
    """(V,) by how much such a node may have jumped as well, too lately for most of its paths to know."""


@dataclass(frozen=True, slots=True)
class _Arcs:
    """Paths and the references' own edges, as arcs between nodes."""

    survey: Survey
    first: Int64
    second: Int64
    trusted: Bool
    """(P,) paths."""
    true_ns: Float64
    """(R,) where reference time lies relative to each declared reference's frame, and below, within what limit."""
    limit_ns: Float64


def prove(
    settled: Settled, distrusted: Bool, distrusted_references: Bool, wander_ppb: float, mean: Mean | None
) -> Certain:
    """Limits of every path, and of every node against the reference, or against the fleet's `mean` if there is none.

    Allowed for are both clocks' ticks, a wander of `wander_ppb` for each second away from the asked instant (more for
    clocks seen to change their rate, and what steering can do for those that prove not to be straight), and three
    standard uncertainties of what bend may be left in either clock.
    """
    survey = settled.survey
    paths = len(survey.pairing)
    wander = _wander_ppb(settled, wander_ppb)
    walls_of = _allowed_walls(settled, wander)
    # Walls that move apart with time turn a corridor by about as much as they may.
    slope, turned = survey.fit.corridor.slope, 2.0 * wander
    own = proven(walls_of, paths, (slope - turned, slope + turned))
    trusted = (own.corridor.width_ns >= 0) & ~distrusted
    slack = _slack(survey, walls_of, trusted)
    torn = (~trusted | (slack > 0)) & ~distrusted
    blame = _blame(survey, walls_of, torn, trusted & (slack == 0))
    crooked = _crooked(survey, blame)
    depth = np.where(torn, np.maximum(-own.corridor.width_ns, slack), 0.0)
    crossed = np.zeros(len(crooked))
    for ends in (survey.first, survey.second):
        np.maximum.at(crossed, ends[torn], depth[torn])
    if crooked.any():
        # Straight lines do not fit these clocks: what they say of another instant than the asked one counts for less.
        beside = crooked[survey.first] | crooked[survey.second]
        wander = wander + beside * FASTEST * NS
        walls_of = _allowed_walls(settled, wander)
        _prove_anew(own, walls_of, np.flatnonzero(beside))
        trusted = (own.corridor.width_ns >= 0) & ~distrusted
        slack = _slack(survey, walls_of, trusted)
    lower, upper = own.height_lower, own.height_upper
    trusted &= slack == 0
    arcs = _arcs(survey, trusted, distrusted_references)
    now = _nodes(arcs, lower, upper, 0.0)
    limits = now.lower, now.upper
    if mean is not None:
        kept = np.flatnonzero(trusted)
        limits = limits_to_mean(mean, survey.first[kept], survey.second[kept], lower[kept], upper[kept])
    elif len(lower) <= MANY_PATHS:
        limits = _tightened(arcs, walls_of(slice(None)), (own.slope_lower, own.slope_upper), limits)
    cycles = tuple(cycle[cycle < len(lower)] for cycle in now.cycles)
    return Certain(lower, upper, *limits, cycles, slack, np.where(crooked, crossed, 0.0), _moved(crooked, blame))


@dataclass(frozen=True, slots=True)
class _Blame:
    """Paths that no line fits (n,): the nodes that may be why, -1 where it is certain that it is not that one; and by
    how much such a node may have jumped, ns."""

    first: Int64
    second: Int64
    most_ns: Float64


def _blame(survey: Survey, walls_of: WallsOf, torn: Bool, whole: Bool) -> _Blame:
    rows = np.flatnonzero(torn)
    first, second = survey.first[rows], survey.second[rows]
    if not 0 < len(rows) <= MOST_TORN:
        return _Blame(first, second, np.zeros(len(rows)))

    def level(some: slice | Int64) -> Walls:
        """Less the slopes that the clocks have otherwise."""
        walls, slope = walls_of(some), survey.fit.slope[some, None]
        return Walls(
            walls.upper_s, walls.upper_ns - slope * walls.upper_s, walls.lower_s, walls.lower_ns - slope * walls.lower_s
        )

    tears = tears_of(level(rows))
    ends = Ends(survey.first, survey.second, survey.anchors.hosts + 1)
    free = acquitted(tears, rows, level, whole, ends)
    for nodes, innocent, other in ((first, *free), (second, *free[::-1])):
        # Where neither can be why, both are suspect again.
        nodes[innocent & ~other] = -1
    return _Blame(first, second, tears.most_ns)


def _crooked(survey: Survey, blame: _Blame) -> Bool:
    """The fewest nodes (V,) whose not running straight explains all paths that no line fits; of a path that stands
    alone both ends, where either may be why. Reference time is straight."""
    nodes = survey.anchors.hosts + 1
    crooked = np.zeros(nodes + 1, dtype=bool)
    left = np.ones(len(blame.first), dtype=bool)
    while left.any():
        blamed = np.concatenate([blame.first[left], blame.second[left]])
        count = np.bincount(blamed[blamed >= 0], minlength=nodes)
        count[survey.anchors.reference] = 0
        if count.max() < 2:
            crooked[blame.first[left]] = crooked[blame.second[left]] = True
            break
        worst = np.append(count == count.max(), False)
        crooked |= worst
        left &= ~(worst[blame.first] | worst[blame.second])
    crooked[[survey.anchors.reference, -1]] = False
    return crooked[:-1]


def _moved(crooked: Bool, blame: _Blame) -> Float64:
    """By how much each node (V,) that did not run straight may have jumped."""
    moved = np.zeros(len(crooked) + 1)
    for ends in (blame.first, blame.second):
        np.maximum.at(moved, ends, blame.most_ns)
    return np.where(crooked, moved[:-1], 0.0)


def _prove_anew(own: Proven, walls_of: WallsOf, rows: Int64) -> None:
    """Replace what was proven of some paths."""
    anew = proven(lambda part: walls_of(rows[part]), len(rows))
    for name in ("slope_lower", "slope_upper", "height_lower", "height_upper"):
        getattr(own, name)[rows] = getattr(anew, name)
    own.corridor.slope[rows], own.corridor.width_ns[rows] = anew.corridor.slope, anew.corridor.width_ns


def _slack(survey: Survey, walls_of: WallsOf, trusted: Bool) -> Float64:
    """The programme's slacks of the trusted paths of a small fleet, 0 where they are no more than rounding."""
    slack = np.zeros(len(trusted))
    rows = np.flatnonzero(trusted)
    if 0 < len(rows) <= MOST_PATHS:
        ends = survey.first[rows], survey.second[rows]
        slack[rows] = needed_slack(walls_of(slice(None)).rows(rows), *ends, survey.anchors.hosts + 1)
    return np.where(slack > LEAST_SLACK_NS, slack, 0.0)


def _wander_ppb(settled: Settled, wander_ppb: float) -> Float64:
    """(P,) what both clocks may wander apart."""
    survey = settled.survey
    return wander_ppb + settled.restless_ppb[survey.first] + settled.restless_ppb[survey.second]


def _allowed_walls(settled: Settled, wander: Float64) -> WallsOf:
    """Some paths' walls, moved apart by all that is allowed for; `wander` (P,) in ppb."""
    survey = settled.survey
    fit, window = survey.fit, survey.fit.window
    a, b = survey.first, survey.second
    ticks = (survey.tick_ns[survey.pairing.first] + survey.tick_ns[survey.pairing.second]).astype(np.float64)
    shown = fit.bends.uncertainty if fit.bends.shown is None else fit.bends.shown
    bend = 3.0 * (shown[a] + shown[b])
    bent = bool(bend.any())

    def walls_of(rows: slice | Int64) -> Walls:
        some = fit.straight.rows(rows)

        def slack(seconds: Float64) -> Float64:
            moved = np.abs(seconds)
            moved *= wander[rows, None]
            moved += ticks[rows, None]
            if bent:
                moved += bend[rows, None] * np.abs(window.parabola(seconds) - window.parabola_at_zero)
            return moved

        return some.relaxed(slack(some.upper_s), slack(some.lower_s))

    return walls_of


def _arcs(survey: Survey, trusted: Bool, distrusted_references: Bool) -> _Arcs:
    anchors = survey.anchors
    pulls = anchors.declared
    reference = np.full(len(pulls), anchors.reference)
    limit = np.where(distrusted_references, np.inf, anchors.limit_ns)
    return _Arcs(
        survey,
        np.concatenate([survey.first, reference]),
        np.concatenate([survey.second, anchors.node[pulls]]),
        trusted,
        -survey.frames.offset_ns[pulls].astype(np.float64),
        limit,
    )


def _nodes(arcs: _Arcs, lower: Float64, upper: Float64, seconds: float) -> CertainLimits:
    """Shortest paths at one instant, `seconds` from the asked one."""
    survey = arcs.survey
    # A declared reference follows reference time: relative to its frame it moves as the frame does not.
    true = arcs.true_ns - survey.frames.drift[survey.anchors.declared] * seconds * 1e9
    return certain_limits(
        survey.anchors.hosts + 1,
        arcs.first,
        arcs.second,
        np.concatenate([np.where(arcs.trusted, lower, -np.inf), true - arcs.limit_ns]),
        np.concatenate([np.where(arcs.trusted, upper, np.inf), true + arcs.limit_ns]),
        survey.anchors.reference,
        np.concatenate([survey.fit.deviation, np.zeros(len(true))]),
    )


def _tightened(
    arcs: _Arcs, walls: Walls, slopes: tuple[Float64, Float64], at_zero: tuple[Float64, Float64]
) -> tuple[Float64, Float64]:
    """Node limits at the asked instant, by straight lines through the node limits at all instants."""
    window = arcs.survey.fit.window
    start = window.centre_s - window.span_s / 2
    instants = [0.0, *np.linspace(start, start + window.span_s, INSTANTS)]
    limits = [at_zero]
    for seconds in instants[1:]:
        lower, upper = height_ranges(walls.shifted(float(seconds)), *slopes)
        then = _nodes(arcs, lower, upper, float(seconds))
        limits.append((then.lower, then.upper))
    when = np.broadcast_to(np.array(instants), (len(at_zero[0]), len(instants))).copy()
    lower_ns, upper_ns = (np.stack([pair[side] for pair in limits], axis=1) for side in (0, 1))
    reached: Bool = np.asarray(np.isfinite(lower_ns).all(axis=1) & np.isfinite(upper_ns).all(axis=1))
    own = Walls(when, upper_ns, when, lower_ns).rows(reached)
    corridor = widest(own)
    lowest, highest = height_ranges(own, *slope_ranges(own, corridor, STEEPEST))
    tighter: Bool = np.asarray(corridor.width_ns >= 0)
    rows = np.flatnonzero(reached)[tighter]
    lower, upper = at_zero[0].copy(), at_zero[1].copy()
    lower[rows] = np.maximum(lower[rows], lowest[tighter])
    upper[rows] = np.minimum(upper[rows], highest[tighter])
    return lower, upper
