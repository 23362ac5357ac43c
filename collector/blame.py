"""Whether a host is to blame for what contradicts, or a neighbour of it: the fleet is fitted anew without each. Pure.

A fit that a liar bends makes its honest neighbours' paths look as bad as its own. Without the liar nothing is left to
contradict; without one of those neighbours the lie is still there.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Bool, ProbeColumns
from noonmark.collector.judge import Accusation, accusation, bad_paths, worst_suspect
from noonmark.collector.rows import Usable, choose
from noonmark.collector.settle import Fit
from noonmark.collector.survey import Survey

MOST_TRIED = 6
"""Each costs a fit; a liar is hardly ever not among the hosts with most contradicted paths."""
FEWEST_BAD = 2
"""One bad path alone speaks as much against its one end as against the other."""


def to_blame(
    survey: Survey, fit: Fit, probes: ProbeColumns, good: Usable, accused: list[Accusation]
) -> Accusation | None:
    """The host without which most that contradicts is gone; see `worst_suspect` for what the arguments are.

    Where every bad path is the worst suspect's own, nobody else is asked. Else a host that is the only one without
    which nothing contradicts is to blame, however few its paths; if there is none, the worst suspect is.
    """
    worst = worst_suspect(survey, probes, good, accused)
    bad = bad_paths(survey)
    count = np.bincount(survey.first[bad], minlength=survey.anchors.hosts + 1)
    count += np.bincount(survey.second[bad], minlength=survey.anchors.hosts + 1)
    if bad.sum() < FEWEST_BAD or (worst is not None and count[worst.host] == bad.sum()):
        return worst
    if len(survey.anchors.declared) == 2:
        count[survey.anchors.declared] = 0
    count[[survey.anchors.reference, *(one.host for one in accused)]] = 0
    tried = [int(node) for node in np.argsort(-count, kind="stable")[:MOST_TRIED] if count[node]]
    left = [_left_without(survey, node, fit) for node in tried]
    clearing = [node for node, contradictions in zip(tried, left, strict=True) if contradictions == 0]
    if len(clearing) == 1:
        return accusation(survey, clearing[0], bad, probes, good)
    return worst


def _left_without(survey: Survey, node: int, fit: Fit) -> int:
    """How many paths contradict if the node's records are set aside."""
    hosts = np.flatnonzero(survey.anchors.node == node)
    kept: Bool = ~(np.isin(survey.probes.source, hosts) | np.isin(survey.probes.destination, hosts))
    return int(bad_paths(fit(choose(survey.probes, kept))).sum()) if kept.any() else 0
