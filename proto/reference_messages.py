"""References and kernel clocks to messages and back. Pure.

A door like control.py: what comes from outside is checked here, once, and raises BadMessage naming the part at fault.
A verdict or a state that is unknown here comes from a newer agent and is taken for the one that promises least.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import MAX_ABSOLUTE_NS, BadMessage, checked_text
from noonmark.proto.reference import (
    KernelClock,
    Leap,
    ReferenceState,
    ReferenceStatus,
    SourceNotice,
    SourceReport,
    Verdict,
)

MAX_SOURCES = 64
MAX_NOTICES = 32
MAX_FIGURES = 64
MAX_TEXT = 500


def _span(part: str, value: int) -> int:
    if abs(value) >= MAX_ABSOLUTE_NS:
        raise BadMessage(f"{part}: {value} ns is longer than a century")
    return value


def _optional(part: str, message: pb.ReferenceStatus | pb.ReferenceSource | pb.SourceNotice, name: str) -> int | None:
    return _span(f"{part}: {name}", getattr(message, name)) if message.HasField(name) else None


def _leap(value: int) -> Leap:
    return Leap(value) if value in tuple(Leap) else Leap.UNKNOWN


def _notices_to_messages(notices: Iterable[SourceNotice]) -> list[pb.SourceNotice]:
    return [pb.SourceNotice(kind=one.kind, text=one.text, size_ns=one.size_ns) for one in notices]


def _notices(part: str, messages: Iterable[pb.SourceNotice]) -> tuple[SourceNotice, ...]:
    found = tuple(messages)
    if len(found) > MAX_NOTICES:
        raise BadMessage(f"{part}: {len(found)} notices; at most {MAX_NOTICES}")
    return tuple(
        SourceNotice(
            checked_text(f"{part}: notice", one.kind),
            checked_text(f"{part}: notice", one.text, MAX_TEXT),
            _optional(f"{part}: notice", one, "size_ns"),
        )
        for one in found
    )


def status_to_message(status: ReferenceStatus) -> pb.ReferenceStatus:
    """Encode a reference's status."""
    return pb.ReferenceStatus(
        state=pb.ReferenceState.Name(status.state),
        since_ns=status.since_ns,
        lasted_ns=status.lasted_ns,
        source=status.source,
        offset_ns=status.offset_ns,
        uncertainty_ns=status.uncertainty_ns,
        limit_ns=status.limit_ns,
        oscillator=status.oscillator,
        sources=map(_source_to_message, status.sources),
        notices=_notices_to_messages(status.notices),
    )


def status_from_message(message: pb.ReferenceStatus) -> ReferenceStatus:
    """Check a reference's status. Raises BadMessage."""
    if len(message.sources) > MAX_SOURCES:
        raise BadMessage(f"reference: {len(message.sources)} sources; at most {MAX_SOURCES}")
    known = int(message.state) in set(map(int, ReferenceState))
    return ReferenceStatus(
        state=ReferenceState(message.state) if known else ReferenceState.FREE_RUN,
        since_ns=_span("reference: since_ns", message.since_ns),
        lasted_ns=_span("reference: lasted_ns", message.lasted_ns),
        source=checked_text("reference: source", message.source),
        offset_ns=_optional("reference", message, "offset_ns"),
        uncertainty_ns=_optional("reference", message, "uncertainty_ns"),
        limit_ns=_optional("reference", message, "limit_ns"),
        oscillator=checked_text("reference: oscillator", message.oscillator),
        sources=tuple(map(_source_from_message, message.sources)),
        notices=_notices("reference", message.notices),
    )


def _source_to_message(source: SourceReport) -> pb.ReferenceSource:
    return pb.ReferenceSource(
        name=source.name,
        kind=source.kind,
        verdict=source.verdict,
        age_ns=source.age_ns,
        offset_ns=source.offset_ns,
        uncertainty_ns=source.uncertainty_ns,
        limit_ns=source.limit_ns,
        declared_uncertainty_ns=source.declared_uncertainty_ns,
        declared_limit_ns=source.declared_limit_ns,
        leap=source.leap,
        notices=_notices_to_messages(source.notices),
        figures=source.figures,
    )


def _source_from_message(message: pb.ReferenceSource) -> SourceReport:
    if not message.name:
        raise BadMessage("reference: a source without a name")
    part = f"reference: source {message.name[:60]}"
    figures = dict(message.figures)
    if len(figures) > MAX_FIGURES or not all(map(math.isfinite, figures.values())):
        raise BadMessage(f"{part}: more than {MAX_FIGURES} figures, or one that is no finite number")
    known = message.verdict in tuple(Verdict)
    return SourceReport(
        name=checked_text(part, message.name),
        kind=checked_text(part, message.kind),
        verdict=Verdict(message.verdict) if known else Verdict.UNUSABLE,
        age_ns=_span(f"{part}: age_ns", message.age_ns),
        offset_ns=_optional(part, message, "offset_ns"),
        uncertainty_ns=_optional(part, message, "uncertainty_ns"),
        limit_ns=_optional(part, message, "limit_ns"),
        declared_uncertainty_ns=_optional(part, message, "declared_uncertainty_ns"),
        declared_limit_ns=_optional(part, message, "declared_limit_ns"),
        leap=_leap(message.leap),
        notices=_notices(part, message.notices),
        figures={checked_text(f"{part}: figure", name): value for name, value in figures.items()},
    )


def kernel_clock_to_message(clock: KernelClock) -> pb.KernelClock:
    """Encode the kernel's view."""
    return pb.KernelClock(
        synchronized=clock.synchronized,
        maximum_error_ns=clock.maximum_error_ns,
        estimated_error_ns=clock.estimated_error_ns,
        frequency=clock.frequency,
        offset_ns=clock.offset_ns,
        leap=clock.leap,
        tai_minus_utc_s=clock.tai_minus_utc_s,
        status=clock.status,
    )


def kernel_clock_from_message(message: pb.KernelClock) -> KernelClock:
    """Check the kernel's view. Raises BadMessage."""
    if not math.isfinite(message.frequency):
        raise BadMessage("kernel clock: the frequency is not a finite number")
    return KernelClock(
        synchronized=message.synchronized,
        maximum_error_ns=_span("kernel clock: maximum_error_ns", message.maximum_error_ns),
        estimated_error_ns=_span("kernel clock: estimated_error_ns", message.estimated_error_ns),
        frequency=message.frequency,
        offset_ns=_span("kernel clock: offset_ns", message.offset_ns),
        leap=_leap(message.leap),
        tai_minus_utc_s=message.tai_minus_utc_s,
        status=message.status,
    )
