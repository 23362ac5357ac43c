"""Views to messages and back, for the query service and its client. Pure, and free of numpy."""

from __future__ import annotations

from noonmark.collector.views import FindingView, FleetView, HostView, PairView, PathView
from noonmark.proto import noonmark_pb2 as pb

_STATES = {
    "reference": pb.REFERENCE,
    "measured": pb.MEASURED,
    "no-route": pb.NO_ROUTE,
    "stale": pb.STALE,
    "unknown": pb.UNKNOWN,
}
_STATE_NAMES = {number: name for name, number in _STATES.items()}


def host_to_message(at_ns: int, host: HostView) -> pb.HostEstimate:
    """One host's estimate; what is not known is absent."""
    return pb.HostEstimate(
        host=host.host,
        state=_STATES.get(host.state, pb.UNKNOWN),
        at_ns=at_ns,
        offset_ns=host.offset_ns,
        drift=host.drift or 0.0,
        uncertainty_ns=host.uncertainty_ns,
        lower_ns=host.lower_ns,
        upper_ns=host.upper_ns,
        heard_ns=-1 if host.heard_ns is None else host.heard_ns,
        zone=host.zone,
        role=host.role,
        drift_uncertainty=host.drift_uncertainty or 0.0,
        reference_state=host.reference_state,
        claimed_error_ns=host.claimed_error_ns,
        budget=host.budget,
        budget_ns=host.budget_ns,
    )


def host_from_message(message: pb.HostEstimate) -> HostView:
    """Undo `host_to_message`."""
    known = message.HasField("offset_ns")
    return HostView(
        host=message.host,
        state=_STATE_NAMES.get(message.state, "unknown"),
        offset_ns=message.offset_ns if known else None,
        uncertainty_ns=message.uncertainty_ns if message.HasField("uncertainty_ns") else None,
        lower_ns=message.lower_ns if message.HasField("lower_ns") else None,
        upper_ns=message.upper_ns if message.HasField("upper_ns") else None,
        drift=message.drift if known else None,
        drift_uncertainty=message.drift_uncertainty if known else None,
        heard_ns=message.heard_ns if message.heard_ns >= 0 else None,
        zone=message.zone,
        role=message.role,
        reference_state=message.reference_state,
        claimed_error_ns=message.claimed_error_ns if message.HasField("claimed_error_ns") else None,
        budget=message.budget,
        budget_ns=message.budget_ns,
    )


def finding_to_message(finding: FindingView) -> pb.Finding:
    """One finding."""
    source, destination = finding.path or ("", "")
    return pb.Finding(
        kind=finding.kind,
        host=finding.host or "",
        source=source,
        destination=destination,
        at_ns=finding.at_ns,
        size_ns=finding.size_ns,
        text=finding.text,
        evidence=finding.evidence,
    )


def finding_from_message(message: pb.Finding) -> FindingView:
    """Undo `finding_to_message`."""
    return FindingView(
        kind=message.kind,
        at_ns=message.at_ns,
        text=message.text,
        host=message.host or None,
        path=(message.source, message.destination) if message.source else None,
        size_ns=message.size_ns if message.HasField("size_ns") else None,
        evidence=dict(message.evidence),
    )


def _path_to_message(path: PathView) -> pb.PathEstimate:
    return pb.PathEstimate(
        source=path.source,
        destination=path.destination,
        probes=path.probes,
        min_round_trip_ns=path.min_round_trip_ns,
        residual_ns=path.residual_ns,
        state=path.state,
    )


def _path_from_message(message: pb.PathEstimate) -> PathView:
    return PathView(
        source=message.source,
        destination=message.destination,
        probes=message.probes,
        min_round_trip_ns=message.min_round_trip_ns,
        residual_ns=message.residual_ns if message.HasField("residual_ns") else None,
        state=message.state,
    )


def fleet_to_message(view: FleetView) -> pb.FleetReply:
    """The whole fleet."""
    return pb.FleetReply(
        at_ns=view.at_ns,
        references=view.references,
        hosts=[host_to_message(view.at_ns, host) for host in view.hosts],
        paths=map(_path_to_message, view.paths),
        findings=map(finding_to_message, view.findings),
        notes=view.notes,
    )


def fleet_from_message(message: pb.FleetReply) -> FleetView:
    """Undo `fleet_to_message`."""
    return FleetView(
        at_ns=message.at_ns,
        references=tuple(message.references),
        hosts=tuple(map(host_from_message, message.hosts)),
        paths=tuple(map(_path_from_message, message.paths)),
        findings=tuple(map(finding_from_message, message.findings)),
        notes=tuple(message.notes),
    )


def pair_to_message(view: PairView) -> pb.OffsetReply:
    """One pair."""
    return pb.OffsetReply(
        a=view.a,
        b=view.b or "",
        at_ns=view.at_ns,
        known=view.known,
        reason=view.reason,
        offset_ns=view.offset_ns,
        uncertainty_ns=view.uncertainty_ns,
        lower_ns=view.lower_ns,
        upper_ns=view.upper_ns,
        drift=view.drift,
        measured_ns=view.measured_ns,
        findings=map(finding_to_message, view.findings),
    )


def pair_from_message(message: pb.OffsetReply) -> PairView:
    """Undo `pair_to_message`."""
    return PairView(
        a=message.a,
        b=message.b or None,
        at_ns=message.at_ns,
        known=message.known,
        reason=message.reason,
        offset_ns=message.offset_ns,
        uncertainty_ns=message.uncertainty_ns,
        lower_ns=message.lower_ns if message.HasField("lower_ns") else None,
        upper_ns=message.upper_ns if message.HasField("upper_ns") else None,
        drift=message.drift,
        measured_ns=message.measured_ns,
        findings=tuple(map(finding_from_message, message.findings)),
    )
