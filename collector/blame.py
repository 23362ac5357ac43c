"""Whether a host is to blame for what contradicts, or a neighbour of it: the fleet is fitted anew without each. Pure.

A fit that a liar bends makes its honest neighbours' paths look as bad as its own. Without the liar nothing is left to
contradict; without one of those neighbours the lie is still there.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from noonmark.collector.estimate import Bool, Int64, ProbeColumns
from noonmark.collector.judge import Accusation, accusation, bad_paths, worst_suspect
from noonmark.collector.rows import Usable, choose
from noonmark.collector.settle import Fit
from noonmark.collector.survey import Survey

MOST_TRIED = 6
"""Each costs a fit; a liar is hardly ever not among the hosts with most contradicted paths."""
MANY_PATHS = 4_000
"""Larger fleets are large: things happen in several places at once, and a fit of all costs seconds."""
HOPS = 2
FEWEST_BAD = 2
"""One bad path alone speaks as much against its one end as against the other."""


def to_blame(
    survey: Survey, fit: Fit, probes: ProbeColumns, good: Usable, accused: list[Accusation]
) -> Accusation | None:
    """The host without which most that contradicts is gone; see `worst_suspect` for what the arguments are.

    Where every bad path is the worst suspect's own, nobody else is asked. Else a host that is the only one without
    which nothing contradicts is to blame, however few its paths; if there is none, the worst suspect is. In a large
    fleet that goes for what is bad in one place, and is asked of what is near it.
    """
    worst = worst_suspect(survey, probes, good, accused)
    bad = bad_paths(survey)
    large = len(survey.pairing) > MANY_PATHS
    if large:
        bad &= _together(survey, bad, None if worst is None else worst.host)
    count = _count(survey, bad)
    if bad.sum() < FEWEST_BAD or (worst is not None and count[worst.host] == bad.sum()):
        return worst
    if len(survey.anchors.declared) == 2:
        count[survey.anchors.declared] = 0
    count[[survey.anchors.reference, *(one.host for one in accused)]] = 0
    tried = [int(node) for node in np.argsort(-count, kind="stable")[:MOST_TRIED] if count[node]]
    involved = _count(survey, bad) > 0 if large else np.ones(len(count), dtype=bool)
    left = [_left_without(survey, node, involved, fit) for node in tried]
    clearing = [node for node, contradictions in zip(tried, left, strict=True) if contradictions == 0]
    if len(clearing) == 1:
        return accusation(survey, clearing[0], bad, probes, good)
    return worst


def _count(survey: Survey, paths: Bool) -> Int64:
    """How many of some paths (P,) each node (V,) has."""
    nodes = survey.anchors.hosts + 1
    count = np.bincount(survey.first[paths], minlength=nodes) + np.bincount(survey.second[paths], minlength=nodes)
    return count.astype(np.int64)


def _together(survey: Survey, bad: Bool, worst: int | None) -> Bool:
    """Paths (P,) that bad ones join with the worst suspect's, or, if there is none, with the most others: what happens
    elsewhere in a large fleet is another matter."""
    nodes = survey.anchors.hosts + 1
    ends = survey.first[bad], survey.second[bad]
    _, part = connected_components(coo_array((np.ones(len(ends[0])), ends), shape=(nodes, nodes)), directed=False)
    if len(ends[0]) == 0:
        return bad
    chosen = part[worst] if worst is not None else np.bincount(part[ends[0]]).argmax()
    return np.asarray((part[survey.first] == chosen) & (part[survey.second] == chosen))


def _left_without(survey: Survey, node: int, involved: Bool, fit: Fit) -> int:
    """How many paths of `involved` nodes (V,) contradict if the node's records are set aside."""
    near = involved
    for _ in range(HOPS):
        near = near | (_count(survey, near[survey.first] | near[survey.second]) > 0)
    kept_node = near & (np.arange(len(near)) != node)
    kept_host = kept_node[survey.anchors.node]
    kept: Bool = kept_host[survey.probes.source] & kept_host[survey.probes.destination]
    if not kept.any():
        return 0
    rest = fit(choose(survey.probes, kept))
    return int((bad_paths(rest) & (involved[rest.first] | involved[rest.second])).sum())
