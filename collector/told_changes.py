"""Which changes of clocks are worth telling, and in which words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from noonmark.collector.change import Change
from noonmark.collector.estimate import Finding, FindingKind, Float64, Int64, ProbeColumns
from noonmark.collector.frames import NS
from noonmark.collector.jump_evidence import BY_CHANCE, SMALL_FLEET
from noonmark.collector.present import format_duration
from noonmark.collector.settle import Settled
from noonmark.collector.survey import Survey

WORTH_TELLING = 5.0
"""A change is told when it moved the clock by this many of its own standard uncertainties."""
CLEAR_STORY = 4.0
"""And when it stands out so far from the noise of what the host's paths show."""
PLAIN = 5.0
"""A step that stands out so far is told whatever else is uncertain of its clock: asymmetry, for one, cancels in it."""
LEAST_RATE_CHANGE_PPB = 1_000.0
KINK = 8.0 / 15.0
"""A change of rate half way through a window of length T is fitted best by a bend of 1 / KINK changes / T (the second
Legendre polynomial's share of |t|); at any other time, and so any other change, by less."""
COMMON = 0.1
"""When more than this share of the fleet changes its rate within a window, that is how these clocks are steered."""


def told_changes(settled: Settled, probes: ProbeColumns) -> list[Finding]:
    """What changed within a settled window; `probes` are all of the window's."""
    survey = settled.survey
    steps = [change for change in settled.changes if change.step]
    within = dict(zip((change.node for change in steps), _within_s(survey, steps, probes).tolist(), strict=True))
    own_uncertainty = _offset_uncertainty(survey, np.array([change.node for change in settled.changes], dtype=np.int64))
    rate_changes = sum(not change.step for change in settled.changes)
    steered = rate_changes > max(2.0, COMMON * survey.anchors.hosts)
    least_ppb = _least_rate_change_ppb(survey)
    # Where all clocks change their rates, one that did so within a slot looks as if it had jumped.
    blurred_ppb = least_ppb if float(np.median(settled.restless_ppb)) > 0.0 else 0.0
    findings = []
    for change, own in zip(settled.changes, own_uncertainty, strict=True):
        moved = abs(change.size) * (1.0 if change.step else max(abs(change.boundary_s), change.slot_s))
        if (
            change.certainty < CLEAR_STORY
            or (moved < WORTH_TELLING * own and not (change.step and change.certainty > PLAIN))
            or (not change.step and (steered or abs(change.size) < least_ppb))
            or (change.step and abs(change.size) < blurred_ppb * change.slot_s)
        ):
            continue
        findings.append(_change(survey, change, within))
    return findings


def _least_rate_change_ppb(survey: Survey) -> float:
    """What no clock of this fleet changes its rate by within the window, if it only does as all of them do.

    How clocks of one fleet bend, or change their rates, has longer tails than a normal law, for each is steered, or
    warmed, at its own time and by another amount. They are taken for exponential ones: of n clocks that usually change
    by b one changes by more than b ln(n / p) with a probability of at most p. (Such a law's mean is 0.97 of the
    standard deviation that a normal one of the same median has, by which usual bends are told.)
    """
    fit, hosts = survey.fit, max(survey.anchors.hosts, SMALL_FLEET)
    usual = KINK * fit.bends.at_most * fit.window.span_s
    return max(LEAST_RATE_CHANGE_PPB, usual * float(np.log(hosts / BY_CHANCE)))


def _offset_uncertainty(survey: Survey, nodes: Int64) -> Float64:
    """Standard uncertainty of some nodes' offsets by queues and asymmetry alone."""
    network, solution = survey.fit.offsets.network, survey.fit.offsets.solution
    return np.sqrt(solution.variance(nodes, network.anchor[network.component[nodes]]))


def _change(survey: Survey, change: Change, within_s: Mapping[int, float]) -> Finding:
    host = name_of(survey, change.node)
    at_ns = survey.frames.epoch_ns + round(change.boundary_s * NS)
    evidence = {"in_standard_uncertainties": change.certainty}
    if change.step:
        evidence["within_s"] = within_s[change.node]
        way = "forward" if change.size > 0 else "back"
        text = f"{host}'s clock jumped {way} by {format_duration(abs(change.size))}"
        return Finding(FindingKind.STEP, at_ns, text, host=host, size_ns=round(change.size), evidence=evidence)
    way = "faster" if change.size > 0 else "slower"
    text = f"{host}'s clock began to run {way} by {abs(change.size) / 1e3:.3f} ppm"
    evidence["change_ppb"] = change.size
    return Finding(FindingKind.FREQUENCY_CHANGE, at_ns, text, host=host, evidence=evidence)


def _within_s(survey: Survey, changes: Sequence[Change], probes: ProbeColumns) -> Float64:
    """(C,) how far from where it was found each step may lie: to the nearest probes of that clock that are a slot or
    more away, on either side. On a side where there are none the window does not tell: as far as it is long.

    `probes` are all of the window's: those from before a step are no longer in the survey.
    """
    if not changes:
        return np.zeros(0)
    at = np.array([change.boundary_s for change in changes])
    slot = np.array([change.slot_s for change in changes])
    number = np.full(int(survey.anchors.node.max()) + 1, -1)
    number[[change.node for change in changes]] = np.arange(len(changes))
    ends = [number[survey.anchors.node[each]] for each in (probes.source, probes.destination)]
    asked, answered = (np.flatnonzero(each >= 0) for each in ends)
    change = np.concatenate([ends[0][asked], ends[1][answered]])
    # The other host's clock, which was not set then, tells when that was.
    seconds = np.concatenate(
        [
            survey.frames.relative(probes.destination[asked], probes.t2_ns[asked]),
            survey.frames.relative(probes.source[answered], probes.t1_ns[answered]),
        ]
    )
    seconds /= NS
    span = float(np.ptp(seconds)) if len(seconds) else survey.fit.window.span_s
    before, after = at - span, at + span
    early, late = seconds <= at[change] - slot[change], seconds >= at[change] + slot[change]
    np.maximum.at(before, change[early], seconds[early])
    np.minimum.at(after, change[late], seconds[late])
    return np.asarray(np.maximum(at - before, after - at))


def name_of(survey: Survey, node: int) -> str:
    """Of a node: its host's."""
    if node == survey.anchors.reference:
        return survey.probes.hosts[int(np.flatnonzero(survey.anchors.node == node)[0])]
    return survey.probes.hosts[node]
