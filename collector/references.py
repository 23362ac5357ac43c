"""The references of a tick: as configured, and as their own live status says how far they may be believed. Pure.

A reference that tells its state is taken at its word: locked, with what its receiver vouches for; in holdover, with
what its oscillator adds; free-running, or silent about it, with so wide an uncertainty that any other reference carries
the fleet, and with no limit. What the operator declares stays the least. As all hosts hang on the references, the whole
fleet's absolute uncertainty follows; differences between hosts do not, for what is common to both cancels.

Numbers that move with every report would begin a new era of the history each tick, so a declared number stays as long
as it is enough and not far too much (`settled`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median_high

from noonmark.collector.common_error import FREE_RUN_DRIFT_PPB
from noonmark.collector.estimate import Reference
from noonmark.collector.reported import HeardStatus, Reported, sources_named
from noonmark.proto.oscillators import holdover_uncertainty, oscillator_named
from noonmark.proto.reference import LIMIT_IN_UNCERTAINTIES, NTP_PREFIX, ReferenceState, SourceReport, Verdict

FREE_RUN_UNCERTAINTY_NS = 1e9
"""Standard uncertainty of a reference of which nothing is known."""
SERVER_AGE_S = 300.0
"""An NTP server's word on itself counts for so long."""
PHI = 15e-6
"""Rate at which an unwatched clock may go astray (RFC 5905)."""
ROOM = 1.25
MOST_ROOM = 2.5
_GRID = 8
"""Steps a decade of declared numbers."""


def live_references(
    configured: Sequence[Reference],
    reports: Mapping[str, Reported],
    before: Mapping[str, Reference],
    *,
    now: float,
    take_reported: bool = False,
) -> tuple[Reference, ...]:
    """The references now, configured ones first.

    `before` are those of the tick before, by name. `take_reported`: hosts that report a source, and NTP servers that
    agents ask, are references too unless they are free-running. A configured reference that tells nothing of itself
    stays as it is declared.
    """
    names = [reference.host for reference in configured]
    found = [_live(reference, reports, before, now) for reference in configured]
    if take_reported:
        servers = dict.fromkeys(name for name, _, _ in sources_named(reports, now))
        told = [host for host, reported in reports.items() if reported.reference is not None]
        for host in sorted({*told, *servers} - set(names)):
            one = _live(Reference(host), reports, before, now)
            if one.limit_ns < math.inf:
                found.append(one)
    return tuple(found)


def _live(
    declared: Reference, reports: Mapping[str, Reported], before: Mapping[str, Reference], now: float
) -> Reference:
    if declared.host.startswith(NTP_PREFIX):
        needed = _server(declared.host, reports, now)
    else:
        told = reports.get(declared.host)
        needed = None if told is None or told.reference is None else from_status(declared.host, told.reference, now)
    if needed is None:
        return declared
    known = before.get(declared.host, Reference(declared.host))
    return Reference(
        declared.host,
        max(declared.uncertainty_ns, settled(needed.uncertainty_ns, known.uncertainty_ns)),
        max(declared.limit_ns, settled(needed.limit_ns, known.limit_ns)),
        settled(needed.drift_uncertainty_ppb, known.drift_uncertainty_ppb),
    )


def resting_on(references: Sequence[Reference], reports: Mapping[str, Reported]) -> str:
    """The best state that any of the references tells of itself; empty if none tells."""
    told = (reports[one.host].reference for one in references if one.host in reports)
    states = [heard.status.state for heard in told if heard is not None]
    return max(states).label if states else ""


def from_status(host: str, heard: HeardStatus, now: float) -> Reference:
    """A host as its status, told some time ago, allows: what its oscillator may have added since is added."""
    status = heard.status
    if status.state is ReferenceState.FREE_RUN or status.uncertainty_ns is None or status.limit_ns is None:
        return Reference(host, FREE_RUN_UNCERTAINTY_NS, math.inf, FREE_RUN_DRIFT_PPB)
    oscillator = oscillator_named(status.oscillator)
    age = heard.age(now)
    wandered = holdover_uncertainty(oscillator, age)
    # What it gains in the next second is what its rate is off by.
    lasted = heard.lasted_s(now)
    rate = holdover_uncertainty(oscillator, lasted + 1.0) - holdover_uncertainty(oscillator, lasted)
    return Reference(
        host,
        math.hypot(status.uncertainty_ns, wandered),
        status.limit_ns + LIMIT_IN_UNCERTAINTIES * wandered,
        rate if status.state is ReferenceState.HOLDOVER else 0.0,
    )


def _server(name: str, reports: Mapping[str, Reported], now: float) -> Reference | None:
    """An NTP server, by the middle of what agents have it say of itself; None if no agent asks it.

    The middle, and of two the greater: so no one agent can make all hosts surer than the server is, nor unsure.
    """
    heard = [(age, source) for _, source, age in sources_named(reports, now, [name])]
    if not heard:
        return None
    good = [(age, source) for age, source in heard if _vouched(source) and age <= SERVER_AGE_S]
    doubted = sum(source.verdict is Verdict.FALSETICKER for _, source in heard)
    if not good or 2 * doubted > len(heard):
        return Reference(name, FREE_RUN_UNCERTAINTY_NS, math.inf, FREE_RUN_DRIFT_PPB)
    grown = PHI * min(age for age, _ in good) * 1e9
    return Reference(
        name,
        median_high(source.declared_uncertainty_ns or 0 for _, source in good) + grown,
        median_high(source.declared_limit_ns or 0 for _, source in good) + grown,
        PHI * 1e9 / LIMIT_IN_UNCERTAINTIES,
    )


def _vouched(source: SourceReport) -> bool:
    known = None not in (source.declared_uncertainty_ns, source.declared_limit_ns)
    return known and source.verdict in (Verdict.SELECTED, Verdict.AGREES, Verdict.UNDECIDED)


def settled(needed: float, before: float) -> float:
    """A number not below `needed`: the one before if it is enough and not far too much, else a round one with room."""
    if not math.isfinite(needed) or needed <= 0:
        return needed
    if needed <= before <= MOST_ROOM * needed:
        return before
    return float(10.0 ** (math.ceil(math.log10(ROOM * needed) * _GRID) / _GRID))
