"""Cut the window where a clock changed, and fit again, until every clock is straight on the asked side. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.changes import Change, Ends, find_changes
from noonmark.collector.estimate import Float64, ProbeColumns
from noonmark.collector.rows import choose
from noonmark.collector.survey import Survey

MOST_ROUNDS = 10


@dataclass(frozen=True, slots=True)
class Settled:
    """A survey in which no clock is seen to change, and the changes that were cut off."""

    survey: Survey
    changes: tuple[Change, ...]
    """Boundaries in s from the asked instant."""


def settle(probes: ProbeColumns, fit: Callable[[ProbeColumns], Survey]) -> Settled:
    """Fit, look for changes, keep of each changed host the records on the asked instant's side, and fit again."""
    survey = fit(probes)
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
    return Settled(survey, tuple(found))


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
    return find_changes(survey.walls, survey.fit.corridor.slope, where, survey.anchors.reference)


def _narrow(low: Float64, high: Float64, changes: list[Change]) -> None:
    """Keep the asked side of each change, less half a slot where it is not known on which side a probe lies."""
    for change in changes:
        if change.boundary_s <= 0:
            low[change.node] = max(low[change.node], change.boundary_s + change.slot_s / 2)
        else:
            high[change.node] = min(high[change.node], change.boundary_s - change.slot_s / 2)
