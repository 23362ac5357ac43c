"""What hosts claim of their clocks and sources, held against what the mesh measured; and references' own news. Pure.

Findings of a kind stand once a host, with all there is to say in one text, since that is how the history keeps them.
A claim is contradicted *certainly* where the mesh's limits and the claimed ones do not meet, and *likely* where the
estimate lies far outside of what the claim and its own uncertainty allow. The mesh's numbers carry the references'
uncertainty: with every reference in doubt nobody is accused.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, FleetEstimate, HostState
from noonmark.collector.present import format_duration
from noonmark.collector.reported import HeardKernel, HeardStatus, Reported, sources_named
from noonmark.proto.oscillators import holdover_uncertainty, oscillator_named
from noonmark.proto.reference import LIMIT_IN_UNCERTAINTIES, ReferenceState, SourceReport, Verdict

UNTENDED = 500e-6
"""The kernel lets its greatest error grow by so much a second while nobody tends the clock (linux/timex.h)."""
LEAST_ERROR_NS = 1_000
"""The kernel's numbers are whole microseconds."""
SURE = 3.0
"""Standard uncertainties that an estimate must lie outside by, besides."""
WEEKS_1024_NS = 619_315_200 * 10**9
"""Satellite weeks are numbered modulo 1024."""
FRESH_S = 120.0
"""What was told longer ago is not held against anybody."""
_COMPARED = (HostState.MEASURED, HostState.REFERENCE)
_LEAP_KINDS = ("leap-pending", "leap-disputed", "leap-list-expired", "leap-list-expires", "leap-list-unreadable")


@dataclass(frozen=True, slots=True)
class _Clock:
    """One host as the mesh measured it."""

    host: str
    at_ns: int
    offset_ns: int
    uncertainty_ns: float
    lower_ns: int
    upper_ns: int


def with_reports(estimate: FleetEstimate, reports: Mapping[str, Reported], *, now: float) -> FleetEstimate:
    """The estimate with what follows from the reports among its findings."""
    if not reports:
        return estimate
    told = list(_findings(estimate, reports, now))
    return replace(estimate, findings=(*estimate.findings, *told)) if told else estimate


def _findings(estimate: FleetEstimate, reports: Mapping[str, Reported], now: float) -> Iterator[Finding]:
    declared = {reference.host for reference in estimate.references}
    for host, reported in reports.items():
        heard = reported.reference
        if heard is not None:
            if host in declared and heard.status.state is not ReferenceState.LOCKED:
                yield _state(estimate.at_ns, host, heard, now)
            yield from _source_faults(estimate.at_ns, host, heard)
            yield from _leap_seconds(estimate.at_ns, host, heard)
    for clock in _clocks(estimate):
        claims = list(_contradictions(clock, reports.get(clock.host, Reported()), now))
        if claims:
            yield _contradicted(clock, claims)
    yield from _servers(estimate, reports, now)


def _clocks(estimate: FleetEstimate) -> Iterator[_Clock]:
    # An only, exact reference is zero by definition: nothing can be said of it.
    exact = {one.host for one in estimate.references if len(estimate.references) == 1 and one.uncertainty_ns == 0}
    columns = zip(
        estimate.hosts,
        estimate.state,
        estimate.offset_ns.tolist(),
        estimate.uncertainty_ns.tolist(),
        estimate.lower_ns.tolist(),
        estimate.upper_ns.tolist(),
        strict=True,
    )
    for host, state, offset, uncertainty, lower, upper in columns:
        if state in _COMPARED and host not in exact:
            yield _Clock(host, estimate.at_ns, offset, uncertainty, lower, upper)


# --- the state of a reference


def _state(at_ns: int, host: str, heard: HeardStatus, now: float) -> Finding:
    status = heard.status
    lasted = heard.lasted_s(now)
    since = f"for {format_duration(round(lasted * 1e9))}"
    lost = f"; it followed {status.source}" if status.source else "; it never followed a source"
    evidence = {"state_s": lasted}
    if status.state is ReferenceState.HOLDOVER and status.uncertainty_ns is not None:
        wandered = holdover_uncertainty(oscillator_named(status.oscillator), lasted)
        evidence |= {"uncertainty_ns": float(status.uncertainty_ns), "wandered_ns": wandered}
        evidence |= {} if status.limit_ns is None else {"limit_ns": float(status.limit_ns)}
        lost += f", and its clock ({status.oscillator}) may be off by {format_duration(round(2 * wandered))} by now"
    text = f"reference {host} is in {status.state.label} {since}{lost}"
    return Finding(
        FindingKind.REFERENCE_STATE,
        at_ns - round(lasted * 1e9),
        text.replace("in free-run", "free-running"),
        host=host,
        evidence=evidence,
    )


def _source_faults(at_ns: int, host: str, heard: HeardStatus) -> Iterator[Finding]:
    parts = [
        f"{source.name}: {notice.text}"
        for source in heard.status.sources
        for notice in source.notices
        if notice.kind != "leap-second"
    ]
    parts += [
        f"{source.name} is a falseticker: {_off(source)}"
        for source in heard.status.sources
        if source.verdict is Verdict.FALSETICKER
    ]
    parts += [one.text for one in heard.status.notices if one.kind not in _LEAP_KINDS and one.kind != "smear"]
    if parts:
        sizes = [notice.size_ns for source in heard.status.sources for notice in source.notices if notice.size_ns]
        figures = {"faults": float(len(parts)), "sources": float(len(heard.status.sources))}
        size = max(sizes, key=abs, default=None)
        text = f"sources of {host}: " + "; ".join(parts)
        yield Finding(FindingKind.SOURCE_FAULT, at_ns, text, host=host, size_ns=size, evidence=figures)


def _off(source: SourceReport) -> str:
    if source.offset_ns is None:
        return "most others disagree with it"
    ahead = "behind" if source.offset_ns > 0 else "ahead of"
    return f"it is {format_duration(abs(source.offset_ns))} {ahead} this host, and most others are not"


def _leap_seconds(at_ns: int, host: str, heard: HeardStatus) -> Iterator[Finding]:
    leaps = [notice.text for notice in heard.status.notices if notice.kind in _LEAP_KINDS]
    leaps += [
        f"{source.name}: {notice.text}"
        for source in heard.status.sources
        for notice in source.notices
        if notice.kind == "leap-second"
    ]
    if leaps:
        yield Finding(FindingKind.LEAP_SECOND, at_ns, f"{host} says: " + "; ".join(leaps), host=host)
    smears = [notice for notice in heard.status.notices if notice.kind == "smear"]
    if smears:
        text = f"{host} says: " + "; ".join(notice.text for notice in smears)
        yield Finding(FindingKind.LEAP_OR_SMEAR, at_ns, text, host=host, size_ns=smears[0].size_ns)


# --- claims


@dataclass(frozen=True, slots=True)
class _Contradiction:
    text: str
    claimed_ns: float
    certain: bool


def _contradictions(clock: _Clock, reported: Reported, now: float) -> Iterator[_Contradiction]:
    if reported.kernel is not None and (found := _kernel(clock, reported.kernel, now)) is not None:
        yield found
    if reported.reference is not None and reported.reference.age(now) <= FRESH_S:
        for source in reported.reference.status.sources:
            if source.kind != "ntp" and (other := _receiver(clock, source)) is not None:
                yield other


def _kernel(clock: _Clock, heard: HeardKernel, now: float) -> _Contradiction | None:
    kernel = heard.clock
    if not kernel.synchronized or heard.age(now) > FRESH_S:
        return None
    greatest = max(kernel.maximum_error_ns, LEAST_ERROR_NS) + UNTENDED * heard.age(now) * 1e9
    certain = clock.lower_ns > greatest or clock.upper_ns < -greatest
    away = abs(clock.offset_ns)
    estimated = max(kernel.estimated_error_ns, LEAST_ERROR_NS)
    likely = kernel.estimated_error_ns > 0 and away - SURE * clock.uncertainty_ns > LIMIT_IN_UNCERTAINTIES * estimated
    if not certain and not likely:
        return None
    claimed = kernel.estimated_error_ns if likely else kernel.maximum_error_ns
    text = f"its kernel claims {format_duration(claimed)}, and it is {format_duration(away)} off"
    return _Contradiction(text, float(claimed), certain)


def _receiver(clock: _Clock, source: SourceReport) -> _Contradiction | None:
    """The source's own error is the host's, less the host's offset against the source."""
    if source.offset_ns is None or source.limit_ns is None or source.verdict is Verdict.UNUSABLE:
        return None
    apart = clock.offset_ns - source.offset_ns
    above = clock.lower_ns - source.offset_ns > source.limit_ns and clock.lower_ns > -UNBOUNDED_NS
    below = clock.upper_ns - source.offset_ns < -source.limit_ns and clock.upper_ns < UNBOUNDED_NS
    if not above and not below:
        return None
    way = "ahead of" if apart > 0 else "behind"
    text = f"its {source.name} is {format_duration(abs(apart))} {way} the fleet{_signature(apart)}"
    return _Contradiction(text, float(source.limit_ns), True)


def _signature(apart_ns: int) -> str:
    cycles = round(apart_ns / WEEKS_1024_NS)
    if cycles and abs(apart_ns - cycles * WEEKS_1024_NS) < 86_400 * 10**9:
        return f" ({abs(cycles) * 1024} weeks: a receiver that lost count of the satellites' weeks)"
    return ""


def _contradicted(clock: _Clock, claims: Iterable[_Contradiction]) -> Finding:
    told = list(claims)
    certainly = "certainly" if any(one.certain for one in told) else "likely"
    text = f"what {clock.host} says of itself is {certainly} wrong: " + "; ".join(one.text for one in told)
    return Finding(
        FindingKind.CLAIM_CONTRADICTED,
        clock.at_ns,
        text,
        host=clock.host,
        size_ns=clock.offset_ns,
        evidence={
            "claimed_ns": min(one.claimed_ns for one in told),
            "uncertainty_ns": float(clock.uncertainty_ns),
            "certain": float(any(one.certain for one in told)),
        },
    )


def _servers(estimate: FleetEstimate, reports: Mapping[str, Reported], now: float) -> Iterator[Finding]:
    """NTP servers in the probe graph, by what they say of their own distance from true time."""
    declared: dict[str, int] = {}
    for name, source, age in sources_named(reports, now):
        if source.declared_limit_ns is not None and age <= FRESH_S and source.verdict is not Verdict.UNUSABLE:
            declared[name] = max(declared.get(name, 0), source.declared_limit_ns)
    if not declared:
        return
    for clock in _clocks(estimate):
        limit = declared.get(clock.host)
        if limit is None or not (clock.lower_ns > limit or clock.upper_ns < -limit):
            continue
        way = "ahead" if clock.offset_ns > 0 else "behind"
        text = f"it says that it is within {format_duration(limit)}, and it is {format_duration(abs(clock.offset_ns))} "
        yield _contradicted(clock, [_Contradiction(text + way, float(limit), True)])
