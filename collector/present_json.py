"""JSON documents: stable keys, integers in nanoseconds, null where a number is not known. Pure.

Every document names its form in "schema"; keys are only ever added to it. Times also stand in RFC 3339 for people.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from noonmark.collector.instants import format_instant
from noonmark.collector.present import sentence
from noonmark.collector.views import FindingView, FleetView, HostView, PairView, PathView, largest_difference

if TYPE_CHECKING:
    from noonmark.collector.estimate import FleetEstimate

Document = dict[str, Any]


def _ppb(drift: float | None) -> float | None:
    return None if drift is None else round(drift * 1e9, 3)


def host_json(host: HostView) -> Document:
    """One host."""
    return {
        "host": host.host,
        "state": host.state,
        "offset_ns": host.offset_ns,
        "drift_ppb": _ppb(host.drift),
        "uncertainty_ns": host.uncertainty_ns,
        "lower_ns": host.lower_ns,
        "upper_ns": host.upper_ns,
        "drift_uncertainty_ppb": _ppb(host.drift_uncertainty),
        "heard_ns": host.heard_ns,
        "zone": host.zone,
        "role": host.role,
        "reference_state": host.reference_state or None,
        "claimed_error_ns": host.claimed_error_ns,
    }


def path_json(path: PathView) -> Document:
    """One direction of asking."""
    return {
        "src": path.source,
        "dst": path.destination,
        "probes": path.probes,
        "min_round_trip_ns": path.min_round_trip_ns,
        "residual_ns": path.residual_ns,
        "state": path.state,
    }


def finding_json(finding: FindingView) -> Document:
    """One finding: with "host", or with "path", "src" and "dst", or with neither."""
    document: Document = {
        "kind": finding.kind,
        "at_ns": finding.at_ns,
        "at": format_instant(finding.at_ns),
        "size_ns": finding.size_ns,
        "text": finding.text,
    }
    if finding.host is not None:
        document["host"] = finding.host
    if finding.path is not None:
        source, destination = finding.path
        document |= {"path": f"{source}->{destination}", "src": source, "dst": destination}
    if finding.evidence:
        document["evidence"] = dict(finding.evidence)
    return document


def fleet_json(
    view: FleetView,
    *,
    schema: str = "noonmark.fleet/1",
    listed: Callable[[Iterator[Document]], object] = list,
) -> Document:
    """The whole fleet at one instant. "reference" is the first of "references", null if there is none.

    `listed` makes the lists of hosts and of paths from their items.
    """
    largest = largest_difference(view)
    states: dict[str, int] = {}
    for host in view.hosts:
        states[host.state] = states.get(host.state, 0) + 1
    return {
        "schema": schema,
        "reference": view.references[0] if view.references else None,
        "references": list(view.references),
        "at_ns": view.at_ns,
        "at": format_instant(view.at_ns),
        "hosts": listed(host_json(host) for host in view.hosts),
        "paths": listed(path_json(path) for path in view.paths),
        "findings": [finding_json(finding) for finding in view.findings],
        "states": states,
        "largest_difference": None
        if largest is None
        else {
            "ahead": largest.ahead,
            "behind": largest.behind,
            "difference_ns": largest.difference_ns,
            "lower_ns": largest.lower_ns,
            "upper_ns": largest.upper_ns,
        },
        "notes": list(view.notes),
    }


def estimate_to_json(estimate: FleetEstimate) -> Document:
    """An estimate as the document of `noonmark solve` and the demo."""
    from noonmark.collector.view_estimate import fleet_view

    return fleet_json(fleet_view(estimate), schema="noonmark.estimate/1")


def pair_json(pair: PairView, *, past: bool, with_findings: bool = True) -> Document:
    """One pair: offset of a against b, positive = a is ahead; "b" null is the reference."""
    document: Document = {
        "schema": "noonmark.offset/1",
        "a": pair.a,
        "b": pair.b,
        "at_ns": pair.at_ns,
        "at": format_instant(pair.at_ns),
        "known": pair.known,
        "reason": pair.reason,
        "offset_ns": pair.offset_ns if pair.known else None,
        "uncertainty_ns": pair.uncertainty_ns if pair.known else None,
        "lower_ns": pair.lower_ns if pair.known else None,
        "upper_ns": pair.upper_ns if pair.known else None,
        "drift_ppb": _ppb(pair.drift) if pair.known else None,
        "measured_ns": pair.measured_ns or None,
        "sentence": sentence(pair, past=past),
    }
    if with_findings:
        document["findings"] = [finding_json(finding) for finding in pair.findings]
    return document
