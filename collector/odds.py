"""References that disagree by more than they declare. Pure.

A fit that hangs on all of them hides it: a wrong one's edge is stiff, so that the paths around it give way, and are
then thought to be worse than they are. What tells is what the mesh alone says of each (Baarda's data snooping, 1968):
the residual that an edge would have if it had not been counted. Of three, the one that stands alone is left out.
Of two, both stay, each with the disagreement for its uncertainty: the truth may be with either, and every number that
rests on them must say so. Differences between hosts stay as tight.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import ndtr, stdtrit

from noonmark.collector.estimate import Finding, FindingKind, Float64, Reference
from noonmark.collector.judge import FEWEST_WITNESSES, bad_paths
from noonmark.collector.present import format_duration
from noonmark.collector.survey import Survey

CERTAIN = 5.0
"""They disagree when they are this many standard uncertainties apart."""
FEWEST_LOOPS = 4
"""With fewer, asymmetry is more what is usual elsewhere than what these loops show."""


DOUBTFUL = 2.0
"""From here on it is worth asking the mesh alone, which costs another fit: one in twenty honest references is."""
MOST = 200
"""More references than this are not asked one by one."""


def strained(survey: Survey) -> bool:
    """Whether a fit that believes several declared references tears the mesh between them, or pulls at one of them by
    more than chance does."""
    declared = len(survey.anchors.declared)
    if not 2 <= declared <= MOST:
        return False
    bad = bad_paths(survey)
    node = survey.anchors.node[survey.anchors.declared]
    beside = np.isin(survey.first, node) | np.isin(survey.second, node)
    if int(bad.sum()) >= FEWEST_WITNESSES or bool((bad & beside).any()):
        return True
    fit = survey.fit.offsets
    edges = slice(len(survey.pairing), len(survey.pairing) + declared)
    reference = np.full(declared, survey.anchors.reference)
    told = fit.solution.variance(node, reference)
    own = survey.anchors.uncertainty_ns**2
    # Of a residual's variance the fit leaves so much; the residual that it would have is itself divided by that share.
    left = np.maximum(1.0 - fit.factor[edges] * told / own, 1e-9)
    return bool((np.abs(fit.residual[edges]) > DOUBTFUL * np.sqrt(own * left)).any())


def outvoted(survey: Survey, references: tuple[Reference, ...]) -> list[Reference]:
    """Those of three or more references that the others prove wrong, in a survey that hangs on the first alone.

    One at a time, the worst first, as long as those that agree are more than those that do not.
    """
    anchors = survey.anchors
    hosts = np.array([survey.probes.hosts.index(reference.host) for reference in references])
    node = anchors.node[hosts]
    offset = survey.frames.offset_ns[hosts].astype(np.float64) + survey.fit.offset_ns[hosts]
    rows, columns = (each.ravel() for each in np.meshgrid(node, node, indexing="ij"))
    apart = survey.fit.offsets.solution.variance(rows, columns).reshape(len(node), len(node)) * _widened(survey) ** 2
    covariance = (apart[:, :1] + apart[:1, :] - apart) / 2 + np.diag(
        [max(one.uncertainty_ns, 1.0) ** 2 for one in references]
    )
    component = survey.fit.offsets.network.component
    joined = np.flatnonzero(component[node] == component[anchors.reference]).tolist()
    wrong: list[int] = []
    while len(joined) > 2 and 2 * (len(wrong) + 1) < len(joined) + len(wrong):
        deviation = _unlike(offset[joined], covariance[np.ix_(joined, joined)])
        worst = int(deviation.argmax())
        if deviation[worst] <= CERTAIN:
            break
        wrong.append(joined.pop(worst))
    return [references[row] for row in wrong]


def _widened(survey: Survey) -> float:
    """By how much more the mesh's standard uncertainties are taken, so that chance exceeds CERTAIN of them as seldom as
    by a normal law: what asymmetry is usual is told by so few loops as there are (Student's law)."""
    loops = len(survey.pairing) - len(np.unique(np.concatenate([survey.first, survey.second]))) + 1
    return float(-stdtrit(max(loops, FEWEST_LOOPS), ndtr(-CERTAIN))) / CERTAIN


def _unlike(values: Float64, covariance: Float64) -> Float64:
    """By how many standard uncertainties each of several values of the same quantity differs from what the others say
    (Baarda's w)."""
    precision = np.linalg.inv(covariance)
    whole = precision.sum(axis=1)
    residual = values - whole @ values / whole.sum()
    return np.asarray(np.abs(precision @ residual) / np.sqrt(np.diag(precision - np.outer(whole, whole) / whole.sum())))


def seconds_lead(survey: Survey, references: tuple[Reference, ...]) -> float:
    """How far the second reference is ahead of the first, ns, in a survey that hangs on the first alone; 0 if that is
    within what both declare and the mesh can tell."""
    host = survey.probes.hosts.index(references[1].host)
    apart = float(survey.frames.offset_ns[host]) + float(survey.fit.offset_ns[host])
    node = np.array([survey.anchors.node[host]])
    anchor = np.array([survey.anchors.reference])
    mesh = float(survey.fit.offsets.solution.variance(node, anchor)[0]) * _widened(survey) ** 2
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
                f"reference {one.host} is {format_duration(abs(lead))} {way} reference {other.host}, more than both "
                "declare; with two nobody can tell which is right: the whole fleet is off by as much",
                host=one.host,
                size_ns=round(lead),
                evidence={"other_references": 1.0},
            )
        )
    return findings
