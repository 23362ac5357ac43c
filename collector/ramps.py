"""Clocks that count a leap second otherwise than the reference: whole seconds and slow ramps shared by a group. Pure.

A smear spreads a leap second over hours, at a rate that gives it away: one second over 24 hours is 11.574 ppm, over 20
hours 13.889 ppm, over 2 hours 138.89 ppm (RFC 8633 section 3.7.1 allows 2 to 24 hours).
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Bool, Finding, FindingKind, Float64
from noonmark.collector.frames import NS
from noonmark.collector.survey import Survey

NEAR_SECOND_NS = 50e6
SMEAR_PPB = tuple(1e9 / (hours * 3600.0) for hours in (24.0, 20.0, 2.0))
RATE_TOLERANCE_PPB = 150.0
"""How well a group's rate must agree with a smear's, and its members' rates with each other."""
ALIKE_NS = 5e6
"""Members of a smearing group are together within this."""
LEAST_RAMP_NS = 5e6
GROUP = 3


def leaps_and_smears(survey: Survey) -> list[Finding]:
    """A finding a host that is off by nearly whole seconds, and one a host of a group that ramps at a smear's rate."""
    fit, frames = survey.fit, survey.frames
    offset = frames.offset_ns.astype(np.float64) + fit.offset_ns
    drift = ((1 + frames.drift) * (1 + fit.drift_ppb / NS) - 1) * NS
    seen = np.bincount(survey.probes.source, minlength=len(offset)) > 0
    seen |= np.bincount(survey.probes.destination, minlength=len(offset)) > 0
    return _leaps(survey, offset, seen) + _smears(survey, offset, drift, seen)


def _leaps(survey: Survey, offset: Float64, seen: Bool) -> list[Finding]:
    seconds = np.rint(offset / NS)
    close = seen & (np.abs(seconds) >= 1) & (np.abs(seconds) <= 2) & (np.abs(offset - seconds * NS) < NEAR_SECOND_NS)
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
    findings = []
    for rate in (sign * rate for rate in SMEAR_PPB for sign in (1.0, -1.0)):
        ramping = seen & (np.abs(drift - rate) < RATE_TOLERANCE_PPB)
        ramping &= (np.abs(offset) > LEAST_RAMP_NS) & (np.abs(offset) < NS)
        if ramping.sum() < GROUP:
            continue
        middle = float(np.median(offset[ramping]))
        group = np.flatnonzero(ramping & (np.abs(offset - middle) < ALIKE_NS))
        if len(group) < GROUP:
            continue
        findings += [
            Finding(
                FindingKind.LEAP_OR_SMEAR,
                survey.frames.epoch_ns,
                f"{survey.probes.hosts[host]} is one of {len(group)} hosts that are {abs(middle) / 1e6:.0f} ms "
                f"{'ahead' if middle > 0 else 'behind'} and move at {rate / 1e3:+.3f} ppm: a smeared leap second?",
                host=survey.probes.hosts[host],
                size_ns=round(float(offset[host])),
                evidence={"drift_ppb": float(drift[host]), "group": float(len(group))},
            )
            for host in group
        ]
    return findings
