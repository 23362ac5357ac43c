"""Clocks that count a leap second otherwise than the reference: whole seconds, and groups that share an offset. Pure.

A smear spreads a leap second over 2 to 24 hours (RFC 8633 section 3.7.1): a fleet that smears is off from one that
does not by up to half a second, every host by the same, and moving at the same slow rate (one second over 24 hours is
11.574 ppm). Hosts that nobody steers are scattered; hosts that agree with each other within milliseconds and with the
reference only within tenths of a second follow another reckoning of time.
"""

from __future__ import annotations

import numpy as np
from scipy.special import bdtrc, gammaln

from noonmark.collector.estimate import Bool, Finding, FindingKind, Float64, Int64
from noonmark.collector.frames import NS
from noonmark.collector.jump_evidence import BY_CHANCE
from noonmark.collector.survey import Survey

NEAR_SECOND_NS = 50e6
ALIKE_NS = 5e6
"""Members of a smearing group are together within this."""
LEAST_SMEAR_NS = 30e6
MOST_SMEAR_NS = 0.6e9
SLOWEST_PPB, FASTEST_PPB = 0.95 * NS / 86_400, 1.05 * NS / 7_200
"""Rates of smears that last from 2 to 24 hours, and what else such clocks are off."""
APART = 0.1
SAME_RATE = 0.03
"""Hosts that follow one smear keep its rate to within this share: the clocks they are steered by do."""
GROUP = 3
"""Fewer hosts agree by chance."""


def leaps_and_smears(survey: Survey) -> list[Finding]:
    """A finding a host that is off by nearly whole seconds, and one a host of a group off by the same."""
    fit, frames = survey.fit, survey.frames
    offset = frames.offset_ns.astype(np.float64) + fit.offset_ns
    drift = ((1 + frames.drift) * (1 + fit.drift_ppb / NS) - 1) * NS
    seen = np.bincount(survey.pairing.first, minlength=len(offset)) > 0
    seen |= np.bincount(survey.pairing.second, minlength=len(offset)) > 0
    return _leaps(survey, offset, seen) + _smears(survey, offset, drift, seen)


def _references(survey: Survey) -> Bool:
    """Hosts (H,) that are true by declaration: that they agree tells nothing of the others."""
    declared = survey.anchors.node == survey.anchors.reference
    declared[survey.anchors.declared] = True
    return np.asarray(declared)


def _leaps(survey: Survey, offset: Float64, seen: Bool) -> list[Finding]:
    seconds = np.rint(offset / NS)
    near = np.abs(offset - seconds * NS) < NEAR_SECOND_NS
    # A clock that counts in whole seconds is nearly one off by chance.
    close = seen & near & (np.abs(seconds) >= 1) & (np.abs(seconds) <= 2) & (survey.tick_ns < NEAR_SECOND_NS)
    return [
        Finding(
            FindingKind.LEAP_OR_SMEAR,
            survey.frames.epoch_ns,
            f"{survey.probes.hosts[host]} is {abs(offset[host]) / NS:.6f} s {'ahead' if offset[host] > 0 else 'behind'}"
            f", nearly {abs(int(seconds[host]))} whole s: a leap second counted by one side only?",
            host=survey.probes.hosts[host],
            size_ns=round(float(offset[host])),
            evidence={"whole_seconds": float(seconds[host])},
        )
        for host in np.flatnonzero(close)
    ]


def _smears(survey: Survey, offset: Float64, drift: Float64, seen: Bool) -> list[Finding]:
    findings, references = [], _references(survey)
    candidates = np.flatnonzero(seen & (np.abs(offset) > LEAST_SMEAR_NS) & (np.abs(offset) < MOST_SMEAR_NS))
    ordered = candidates[np.argsort(offset[candidates])]
    breaks = np.flatnonzero(np.diff(offset[ordered]) > ALIKE_NS) + 1
    for group in np.split(ordered, breaks):
        if len(group) < GROUP or np.ptp(offset[group]) > ALIKE_NS or not _stands_apart(offset, seen, references, group):
            continue
        findings += _group(survey, offset, drift, group)
    return findings + _beginning(survey, offset, drift, seen)


def _beginning(survey: Survey, offset: Float64, drift: Float64, seen: Bool) -> list[Finding]:
    """Groups that have only begun to smear, or have nearly ended: what they share is the rate."""
    findings, references = [], _references(survey)
    near = seen & (np.abs(offset) <= LEAST_SMEAR_NS)
    candidates = np.flatnonzero(near & (np.abs(drift) > SLOWEST_PPB) & (np.abs(drift) < FASTEST_PPB))
    ordered = candidates[np.argsort(drift[candidates])]
    breaks = np.flatnonzero(np.diff(drift[ordered]) > SAME_RATE * np.abs(drift[ordered[1:]])) + 1
    for group in np.split(ordered, breaks):
        alike = len(group) >= GROUP and np.ptp(drift[group]) <= SAME_RATE * np.abs(np.median(drift[group]))
        if alike and np.ptp(offset[group]) <= ALIKE_NS and _stands_apart(drift, seen, references, group):
            findings += _group(survey, offset, drift, group)
    return findings


def _group(survey: Survey, offset: Float64, drift: Float64, group: Int64) -> list[Finding]:
    """A finding for each of its hosts."""
    middle, rate = float(np.median(offset[group])), float(drift[group].mean())
    told = (
        f"one of {len(group)} hosts that are all {abs(middle) / 1e6:.1f} ms {'ahead' if middle > 0 else 'behind'} "
        f"(their mean drift is {rate / 1e3:+.1f} ppm): a smeared leap second, or a time of their own?"
    )
    return [
        Finding(
            FindingKind.LEAP_OR_SMEAR,
            survey.frames.epoch_ns,
            f"{survey.probes.hosts[host]} is {told}",
            host=survey.probes.hosts[host],
            size_ns=round(float(offset[host])),
            evidence={"drift_ppb": float(drift[host]), "group": float(len(group)), "group_drift_ppb": rate},
        )
        for host in group
    ]


def _stands_apart(size: Float64, seen: Bool, references: Bool, group: Int64) -> bool:
    """Whether most other hosts agree with the reference far better, in offset or drift, and that is no chance."""
    rest = seen.copy()
    rest[group] = False
    if rest.sum() < GROUP:
        return False
    apart = float(np.median(np.abs(size[rest]))) < APART * float(np.abs(np.median(size[group])))
    return apart and _log_chance(size[group], size[rest & ~references]) < np.log(BY_CHANCE)


def _log_chance(group: Float64, rest: Float64) -> float:
    """Logarithm of a bound of the chance that clocks scattered evenly, to both sides and no further than the group is,
    show a group so close together and as many others so near the reference. Of scatter that reaches further both are
    less likely.

    Of n clocks each k may be the group, any of these its first, and the others then within as much of it as they are;
    and of the m others half or more are as near as their median.
    """
    others = np.abs(rest)
    farthest = float(np.abs(group).max())
    members, near = len(group), len(others)
    close = np.clip(np.ptp(group) / farthest, 1e-12, 1.0)
    choices = gammaln(members + near + 1) - gammaln(members + 1) - gammaln(near + 1) + np.log(members)
    alike = choices + (members - 1) * np.log(close / 2.0)
    if near == 0:
        return float(alike)
    share = min(float(np.sort(others)[(near - 1) // 2]) / farthest, 1.0)
    at_reference = np.log(max(float(bdtrc((near - 1) // 2, near, share)), 1e-300))
    return float(min(alike, 0.0) + at_reference)
