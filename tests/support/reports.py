"""What hosts tell of their references, built from what matters; pure."""

from __future__ import annotations

from noonmark.collector.reported import HeardKernel, HeardStatus, Reported
from noonmark.proto.reference import (
    KernelClock,
    ReferenceState,
    ReferenceStatus,
    SourceNotice,
    SourceReport,
    Verdict,
)

NOW = 1_000.0
"""Monotonic seconds of the collector."""
SECOND_NS = 1_000_000_000


def status(
    state: ReferenceState = ReferenceState.LOCKED,
    *,
    uncertainty_ns: int | None = 100,
    limit_ns: int | None = 500,
    lasted_s: float = 60.0,
    oscillator: str = "ocxo",
    sources: tuple[SourceReport, ...] = (),
    notices: tuple[SourceNotice, ...] = (),
    age_s: float = 0.0,
    source: str = "pps:/dev/pps0",
) -> Reported:
    """A host with a reference of its own."""
    told = ReferenceStatus(
        state=state,
        since_ns=0,
        lasted_ns=round(lasted_s * SECOND_NS),
        source=source,
        offset_ns=0,
        uncertainty_ns=uncertainty_ns,
        limit_ns=limit_ns,
        oscillator=oscillator,
        sources=sources,
        notices=notices,
    )
    return Reported(reference=HeardStatus(told, NOW - age_s))


def kernel(maximum_ns: int, estimated_ns: int = 0, *, synchronized: bool = True, age_s: float = 0.0) -> Reported:
    """A host that tells its kernel's view only."""
    return Reported(kernel=HeardKernel(KernelClock(synchronized, maximum_ns, estimated_ns, 0.0), NOW - age_s))


def server(
    name: str,
    *,
    limit_ns: int = 5_000_000,
    uncertainty_ns: int = 1_000_000,
    verdict: Verdict = Verdict.SELECTED,
    age_ns: int = 0,
) -> SourceReport:
    """An NTP server as an agent sees it."""
    return SourceReport(
        name,
        "ntp",
        verdict,
        age_ns,
        offset_ns=0,
        uncertainty_ns=uncertainty_ns + 1000,
        limit_ns=limit_ns + 5000,
        declared_uncertainty_ns=uncertainty_ns,
        declared_limit_ns=limit_ns,
    )
