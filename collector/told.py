"""What hosts themselves told of their clocks, as findings in reference time. Pure.

A host notices within moments, and to the microsecond, that its clock was set; probes alone show it later and coarser.
Its word is taken for its own clock only, and is merged with what the probes showed.
"""

from __future__ import annotations

from collections.abc import MutableMapping, Sequence
from dataclasses import replace

from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, HostState
from noonmark.collector.present import format_duration
from noonmark.collector.window import HostEvent
from noonmark.proto.records import ClockEventKind

KINDS = {ClockEventKind.STEP: FindingKind.STEP, ClockEventKind.SUSPEND: FindingKind.SUSPEND}
SAME_WITHIN_NS = 5_000_000_000
"""A finding of the same kind, host and time, to within this, is the same event."""
_KNOWN = (HostState.MEASURED, HostState.REFERENCE, HostState.STALE)


def with_events(
    estimate: FleetEstimate, events: Sequence[HostEvent], told_before: MutableMapping[HostEvent, Finding]
) -> FleetEstimate:
    """The estimate with the hosts' own notices among its findings; those that it has already are not doubled.

    `told_before` is kept from tick to tick by the caller, so that an event is told in the same words and at the same
    instant as long as it is told; events no longer among `events` leave it.
    """
    offsets = {
        host: int(offset)
        for host, offset, state in zip(estimate.hosts, estimate.offset_ns, estimate.state, strict=True)
        if state in _KNOWN
    }
    told = [told_before.get(event) or _finding(event, offsets.get(event.host, 0)) for event in events]
    told_before.clear()
    told_before.update(zip(events, told, strict=True))
    new = [finding for finding in told if not any(_same(finding, known) for known in estimate.findings)]
    return replace(estimate, findings=(*estimate.findings, *new)) if new else estimate


def _finding(event: HostEvent, offset_ns: int) -> Finding:
    """`at_ns` of an event is the host's clock just after it: less the clock's offset it is reference time."""
    size_ns = event.event.size_ns
    if event.event.kind is ClockEventKind.STEP:
        way = "forward" if size_ns >= 0 else "back"
        text = f"{event.host} says that its clock was set {way} by {format_duration(abs(size_ns))}"
    else:
        text = f"{event.host} says that it slept for {format_duration(abs(size_ns))}"
    kind = KINDS[event.event.kind]
    return Finding(kind, event.event.at_ns - offset_ns, text, host=event.host, size_ns=size_ns)


def _same(one: Finding, other: Finding) -> bool:
    return (one.kind, one.host) == (other.kind, other.host) and abs(one.at_ns - other.at_ns) <= SAME_WITHIN_NS
