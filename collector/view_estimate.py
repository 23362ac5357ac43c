"""Estimates to views: arrays to plain numbers, infinities and unbounded limits to None. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FleetEstimate, HostState, PairEstimate, Paths
from noonmark.collector.views import FindingView, FleetView, HostView, PairView, PathView

_KNOWN = frozenset({HostState.REFERENCE, HostState.MEASURED, HostState.STALE})


def limit_or_none(value: int) -> int | None:
    """A limit as an int, or None where it says that there is none."""
    return None if abs(value) >= UNBOUNDED_NS else int(value)


def rounded_up(value: float) -> int | None:
    """An uncertainty in whole ns, rounded up; None if it is infinite."""
    return math.ceil(value) if math.isfinite(value) else None


def finding_view(finding: Finding) -> FindingView:
    """One finding, unchanged but for its type."""
    return FindingView(
        kind=str(finding.kind),
        at_ns=finding.at_ns,
        text=finding.text,
        host=finding.host,
        path=finding.path,
        size_ns=finding.size_ns,
        evidence=dict(finding.evidence),
    )


def host_views(
    estimate: FleetEstimate,
    labels: Mapping[str, tuple[str, str]] | None = None,
    told: Mapping[str, tuple[str, int | None]] | None = None,
) -> Iterator[HostView]:
    """Every host in the estimate's order; `labels` gives (zone, role), `told` (reference state, claimed error, ns)."""
    labels, told = labels or {}, told or {}
    columns = zip(
        estimate.hosts,
        estimate.state,
        estimate.offset_ns.tolist(),
        estimate.uncertainty_ns.tolist(),
        estimate.lower_ns.tolist(),
        estimate.upper_ns.tolist(),
        estimate.drift.tolist(),
        estimate.drift_uncertainty.tolist(),
        estimate.newest_ns.tolist(),
        strict=True,
    )
    for host, state, offset, uncertainty, lower, upper, drift, drift_uncertainty, newest in columns:
        known = state in _KNOWN and math.isfinite(uncertainty)
        zone, role = labels.get(host, ("", ""))
        reference_state, claimed_error_ns = told.get(host, ("", None))
        yield HostView(
            host=host,
            state=str(state),
            offset_ns=offset if known else None,
            uncertainty_ns=rounded_up(uncertainty) if known else None,
            lower_ns=limit_or_none(lower) if known else None,
            upper_ns=limit_or_none(upper) if known else None,
            drift=drift if known and math.isfinite(drift) else None,
            drift_uncertainty=drift_uncertainty if known and math.isfinite(drift_uncertainty) else None,
            heard_ns=max(0, estimate.at_ns - newest) if newest else None,
            zone=zone,
            role=role,
            reference_state=reference_state,
            claimed_error_ns=claimed_error_ns,
        )


def path_views(hosts: tuple[str, ...], paths: Paths) -> Iterator[PathView]:
    """One row a direction that was really asked; the residual's sign is that of destination minus source."""
    columns = zip(
        paths.first.tolist(),
        paths.second.tolist(),
        paths.asked.tolist(),
        paths.probes.tolist(),
        paths.min_round_trip_ns.tolist(),
        paths.residual_ns.tolist(),
        paths.state,
        strict=True,
    )
    for first, second, (forth, back), probes, round_trip, residual, state in columns:
        whole = round(residual) if math.isfinite(residual) else None
        if forth:
            yield PathView(hosts[first], hosts[second], probes, round_trip, whole, str(state))
        if back:
            turned = None if whole is None else -whole
            yield PathView(hosts[second], hosts[first], probes, round_trip, turned, str(state))


def fleet_view(
    estimate: FleetEstimate,
    *,
    labels: Mapping[str, tuple[str, str]] | None = None,
    told: Mapping[str, tuple[str, int | None]] | None = None,
    paths: bool = True,
    findings: Iterable[Finding] | None = None,
    notes: tuple[str, ...] = (),
) -> FleetView:
    """The whole estimate as a view; `findings` replaces the estimate's own."""
    shown = estimate.findings if findings is None else findings
    return FleetView(
        at_ns=estimate.at_ns,
        references=tuple(reference.host for reference in estimate.references),
        hosts=tuple(host_views(estimate, labels, told)),
        paths=tuple(path_views(estimate.hosts, estimate.paths)) if paths else (),
        findings=tuple(map(finding_view, shown)),
        notes=notes,
    )


def pair_view(pair: PairEstimate) -> PairView:
    """A pair's estimate as a view."""
    return PairView(
        a=pair.a,
        b=pair.b,
        at_ns=pair.at_ns,
        known=pair.known,
        reason=pair.reason,
        offset_ns=int(pair.offset_ns),
        uncertainty_ns=int(pair.uncertainty_ns),
        lower_ns=limit_or_none(pair.lower_ns),
        upper_ns=limit_or_none(pair.upper_ns),
        drift=pair.drift,
        measured_ns=pair.measured_ns,
        findings=tuple(map(finding_view, pair.findings)),
    )
