"""Two references that disagree, and nobody to tell which of them is right. Pure.

Of three, the one that stands alone is left out. Of two, both stay, each with the disagreement for its uncertainty: the
truth may be with either, and every number that rests on them must say so. Differences between hosts stay as tight.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from noonmark.collector.estimate import Finding, FindingKind, Reference
from noonmark.collector.judge import FEWEST_WITNESSES, bad_paths
from noonmark.collector.survey import Survey

CERTAIN = 5.0
"""They disagree when they are this many standard uncertainties apart."""


def two_at_odds(survey: Survey) -> bool:
    """Whether a fit that believes two declared references tears the mesh between them."""
    return len(survey.anchors.declared) == 2 and int(bad_paths(survey).sum()) >= FEWEST_WITNESSES


def seconds_lead(survey: Survey, references: tuple[Reference, ...]) -> float:
    """How far the second reference is ahead of the first, ns, in a survey that hangs on the first alone; 0 if that is
    within what both declare and the mesh can tell."""
    host = survey.probes.hosts.index(references[1].host)
    apart = float(survey.frames.offset_ns[host]) + float(survey.fit.offset_ns[host])
    node = np.array([survey.anchors.node[host]])
    anchor = np.array([survey.anchors.reference])
    mesh = float(survey.fit.offsets.solution.variance(node, anchor)[0])
    allowed = math.sqrt(mesh + sum(reference.uncertainty_ns**2 for reference in references))
    return apart if abs(apart) > CERTAIN * allowed else 0.0


def doubted(references: tuple[Reference, ...], apart_ns: float) -> tuple[Reference, ...]:
    """The two, each as uncertain as they are apart."""
    size = abs(apart_ns)
    return tuple(
        replace(one, uncertainty_ns=math.hypot(one.uncertainty_ns, size), limit_ns=one.limit_ns + size)
        for one in references
    )


def torn_between(references: tuple[Reference, ...], apart_ns: float, survey: Survey) -> list[Finding]:
    """A finding for each of the two; none if they agree."""
    if apart_ns == 0.0:
        return []
    findings = []
    first, second = references
    for one, other, lead in ((first, second, -apart_ns), (second, first, apart_ns)):
        way = "ahead of" if lead > 0 else "behind"
        findings.append(
            Finding(
                FindingKind.REFERENCE_DISAGREES,
                survey.frames.epoch_ns,
                f"reference {one.host} is {abs(lead) / 1e3:.2f} µs {way} reference {other.host}, more than both "
                "declare; with two nobody can tell which is right: the whole fleet is off by as much",
                host=one.host,
                size_ns=round(lead),
                evidence={"other_references": 1.0},
            )
        )
    return findings
