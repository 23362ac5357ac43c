"""Cut the window where a clock changed, and fit again, until every clock is straight on the asked side. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.changes import FEWEST_SLOTS, Change, Ends, find_changes
from noonmark.collector.estimate import Float64, Int64, ProbeColumns
from noonmark.collector.rows import choose
from noonmark.collector.slots import LEAST_NOISE_NS, quantile, slot_middles
from noonmark.collector.survey import Survey

MOST_ROUNDS = 10
CROOKED = 2.0
"""Straight clocks stray from their lines by 1.0 to 1.5 times what their queues explain, whatever the queues."""
FEWEST_A_PATH = 6
RATE_OF_ROUGHNESS = 24.0
"""A clock that strays by s over a span T was seen to change its rate by about 24 s / T (found by simulation)."""
UNSEEN = 0.5
"""A clock seen to change its rate may have done so again since: half such a change, for as long as one stays unseen."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A survey in which no clock is seen to change, and what was cut off to get there."""

    survey: Survey
    changes: tuple[Change, ...]
    """Boundaries in s from the asked instant."""
    restless_ppb: Float64
    """By how much each node (V,) may change its rate within the window, as far as it was seen to."""
    unseen_ns: Float64
    """Standard uncertainty (V,) that changes too small or too new to be seen leave in an offset."""
    undecided_ns: Float64
    """How far a node's clock (V,) may be off because the asked instant is within a slot of a change: no probe tells
    on which side of it."""


@dataclass(frozen=True, slots=True)
class _Cut:
    """A window in which the fleet's clocks run straight, or the shortest that still has probes enough."""

    probes: ProbeColumns
    survey: Survey
    restless_ppb: float
    unseen_ns: float


def settle(probes: ProbeColumns, fit: Callable[[ProbeColumns], Survey]) -> Settled:
    """Fit, look for changes, keep of each changed host the records on the asked instant's side, and fit again."""
    cut = _straight_enough(probes, fit)
    probes, survey = cut.probes, cut.survey
    asked, answered = survey.data.upper_s, survey.data.lower_s
    nodes = survey.anchors.hosts + 1
    low, high = np.full(nodes, -np.inf), np.full(nodes, np.inf)
    found: list[Change] = []
    for _ in range(MOST_ROUNDS):
        fresh = changes_in(survey)
        found += fresh
        cuts = fresh or _still_torn(survey, found, low, high)
        if not cuts:
            break
        _narrow(low, high, cuts)
        keep = np.ones(len(probes), dtype=bool)
        for host in (probes.source, probes.destination):
            node = survey.anchors.node[host]
            keep &= (asked > low[node]) & (answered > low[node]) & (asked < high[node]) & (answered < high[node])
        if not keep.any():
            break
        survey = fit(choose(probes, keep))
    restless, unseen = _restlessness(found, cut, nodes)
    restless[survey.anchors.reference] = unseen[survey.anchors.reference] = 0.0
    return Settled(
        survey, tuple(found), restless, unseen, _undecided(found, nodes, _times_of_nodes(survey, probes, asked))
    )


def _straight_enough(probes: ProbeColumns, fit: Callable[[ProbeColumns], Survey]) -> _Cut:
    """Halve the window, towards the asked instant, while the whole fleet's clocks are seen not to run straight in it.

    What clocks that change their rates at random leave unseen shrinks with the window's length to the power 3/2.
    """
    survey = fit(probes)
    ratio, rough_ns = crookedness(survey)
    span = survey.fit.window.span_s
    halved = False
    while ratio > CROOKED and len(probes) >= 2 * FEWEST_A_PATH * len(survey.present):
        nearest = np.abs(survey.data.upper_s + survey.data.lower_s)
        probes = choose(probes, nearest <= np.median(nearest))
        survey = fit(probes)
        ratio, _ = crookedness(survey)
        halved = True
    if not halved:
        return _Cut(probes, survey, 0.0, 0.0)
    own = rough_ns / np.sqrt(2.0)
    left = survey.fit.window.span_s / span
    return _Cut(probes, survey, own / span * RATE_OF_ROUGHNESS, own * left**1.5)


def crookedness(survey: Survey) -> tuple[float, float]:
    """How far the fleet's paths stray from their lines: in units of what their queues explain, and in ns.

    Medians over paths of the middles' root mean square, and of half the excess width of the same slots.
    """
    fit = survey.fit
    slots = slot_middles(fit.straight, fit.slope)
    if len(slots.seconds) < FEWEST_SLOTS:
        return 0.0, 0.0
    told = np.isfinite(slots.middle).sum(axis=1) >= FEWEST_SLOTS
    if not told.any():
        return 0.0, 0.0
    middle, excess = slots.middle[told], slots.excess[told]
    stray = np.sqrt(np.nanvar(middle, axis=1))
    explained = quantile(excess, 0.5) + LEAST_NOISE_NS
    return float(np.median(stray / explained)), float(np.median(stray))


def _restlessness(found: list[Change], cut: _Cut, nodes: int) -> tuple[Float64, Float64]:
    """Rates by which nodes may change, ppb, and what that leaves unseen, ns; (V,) each."""
    restless, unseen = np.full(nodes, cut.restless_ppb), np.full(nodes, cut.unseen_ns)
    for change in found:
        if not change.step:
            restless[change.node] = max(restless[change.node], abs(change.size))
            unseen[change.node] = max(unseen[change.node], abs(change.size) * change.slot_s * UNSEEN)
    return restless, unseen


def _times_of_nodes(survey: Survey, probes: ProbeColumns, asked: Float64) -> tuple[Int64, Float64]:
    """Which node was seen when: two rows a probe, of all probes, the cut ones too."""
    node = survey.anchors.node
    return np.concatenate([node[probes.source], node[probes.destination]]), np.concatenate([asked, asked])


def _undecided(found: list[Change], nodes: int, seen: tuple[Int64, Float64]) -> Float64:
    """How far each node (V,) may be off because no probe tells on which side of a change the asked instant lies.

    That is within a slot of the change, and wherever the node was not seen between the two: a host that slept.
    """
    undecided = np.zeros(nodes)
    for change in found:
        low, high = sorted((change.boundary_s, 0.0))
        between = (seen[0] == change.node) & (seen[1] >= low) & (seen[1] <= high)
        if abs(change.boundary_s) <= change.slot_s or not between.any():
            undecided[change.node] += abs(change.size) * (1.0 if change.step else change.slot_s)
    return undecided


def _still_torn(survey: Survey, found: list[Change], low: Float64, high: Float64) -> list[Change]:
    """Changes that went on beyond their cut (a clock slewed for seconds): the same again, one slot nearer.

    A changed host whose paths mostly still admit no straight line is not yet cut where it should be.
    """
    torn = survey.fit.corridor.width_ns < 0
    further = []
    for change in {change.node: change for change in found}.values():
        own = (survey.first == change.node) | (survey.second == change.node)
        if own.any() and 2 * (torn & own).sum() > own.sum():
            edge = low[change.node] if change.boundary_s <= 0 else high[change.node]
            further.append(replace(change, boundary_s=float(edge)))
    return further


def changes_in(survey: Survey) -> list[Change]:
    """Clocks that changed within a survey's window."""
    where = Ends(survey.first, survey.second, survey.anchors.hosts + 1)
    return find_changes(survey.walls, survey.fit.corridor.slope, where, survey.anchors.reference, survey.slots)


def _narrow(low: Float64, high: Float64, changes: list[Change]) -> None:
    """Keep the asked side of each change, less half a slot where it is not known on which side a probe lies."""
    for change in changes:
        if change.boundary_s <= 0:
            low[change.node] = max(low[change.node], change.boundary_s + change.slot_s / 2)
        else:
            high[change.node] = min(high[change.node], change.boundary_s - change.slot_s / 2)
