"""What the agent's /metrics says, from its parts' statistics at the moment of asking. Pure.

Nothing is remembered here, and what is not known is absent, never zero. Names follow the Prometheus conventions; the
sign of an error is stated in its HELP text.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from noonmark.agent.exposition import Family, counter, gauge, labelled
from noonmark.agent.spool import SpoolStatistics
from noonmark.agent.statistics import ProbeStatistics
from noonmark.proto.control import OwnEstimate
from noonmark.proto.reference import ReferenceState, ReferenceStatus, Verdict
from noonmark.proto.version import VERSION

if TYPE_CHECKING:
    from noonmark.agent.report import ReportStatistics

STATES = ("reference", "measured", "no-route", "stale", "unknown")
ANSWERS = ("within", "out", "cannot-be-shown")
P = "noonmark_agent_"


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that there is to tell at one moment."""

    probes: ProbeStatistics
    spool: SpoolStatistics
    report: ReportStatistics
    own: OwnEstimate | None
    own_age: float
    """Seconds since `own` came."""
    host: str = ""
    zone: str = ""
    role: str = ""
    reference: ReferenceStatus | None = None
    """None: the host has no source of its own."""
    certificate_expires_s: float | None = None
    """POSIX seconds; None: not known."""


def families(snapshot: Snapshot) -> Iterator[Family]:
    """All metrics, in a fixed order."""
    yield Family(P + "build_info", "The agent's version; always 1.", (({"version": VERSION}, 1),))
    named = {"host": snapshot.host, "zone": snapshot.zone, "role": snapshot.role}
    yield Family(
        P + "host_info", "The name that this host reports under, its zone and its role; always 1.", ((named, 1),)
    )
    if snapshot.own is not None:
        yield from _own(snapshot.own, snapshot.own_age)
    if snapshot.reference is not None:
        yield from _reference(snapshot.reference)
    yield from _probing(snapshot.probes)
    yield from _buffer(snapshot.spool)
    yield from _reporting(snapshot.report)
    if snapshot.certificate_expires_s is not None:
        text = "When this host's certificate expires, seconds since 1970; absent where it is not renewed by the agent."
        yield gauge(P + "certificate_expiry_timestamp_seconds", text, snapshot.certificate_expires_s)


def _own(own: OwnEstimate, age: float) -> Iterator[Family]:
    told = "as the collector last said"
    values = (
        (
            "time_error_seconds",
            f"This host's clock minus the reference, {told}. Positive: the clock is ahead (reads later).",
            _seconds(own.offset_ns),
        ),
        (
            "time_error_standard_uncertainty_seconds",
            f"Standard uncertainty (k = 1) of the time error, {told}.",
            _seconds(own.uncertainty_ns),
        ),
        (
            "time_error_lower_limit_seconds",
            f"The time error is certainly not below this, {told}. Positive: the clock is ahead.",
            _seconds(own.lower_ns),
        ),
        (
            "time_error_upper_limit_seconds",
            f"The time error is certainly not above this, {told}. Positive: the clock is ahead.",
            _seconds(own.upper_ns),
        ),
        (
            "drift_ratio",
            f"Fractional frequency error of this host's clock, {told}. Positive: the clock runs fast.",
            own.drift,
        ),
        (
            "drift_standard_uncertainty_ratio",
            f"Standard uncertainty (k = 1) of the drift, {told}.",
            own.drift_uncertainty,
        ),
    )
    for name, text, value in values:
        if value is not None:
            yield gauge(P + name, text, value)
    yield gauge(P + "estimate_age_seconds", "Time since the collector's word on this host's clock came.", age)
    states = {state: float(state == own.state) for state in STATES}
    yield labelled(P + "state", "1 for the state that the host is in, and no other.", "state", states, "gauge")
    if own.budget and own.budget_ns:
        yield from _budget(own, told)


def _budget(own: OwnEstimate, told: str) -> Iterator[Family]:
    text = "This host's budget: its time error may be so large, ahead or behind."
    yield Family(P + "budget_seconds", text, (({"budget": own.budget}, own.budget_ns / 1e9),))
    answers = {answer: float(answer == own.budget_answer) for answer in ANSWERS}
    text = f"1 for the answer that holds, and no other, {told}: within, out, or cannot-be-shown."
    yield labelled(P + "budget_state", text, "state", answers, "gauge")
    if own.lower_ns is not None and own.upper_ns is not None:
        left = 1 - max(abs(own.lower_ns), abs(own.upper_ns)) / own.budget_ns
        text = f"Certain headroom, {told}, in multiples of the budget: 1 minus the largest absolute limit over it."
        yield gauge(P + "budget_headroom_ratio", text, left)


def _reference(status: ReferenceStatus) -> Iterator[Family]:
    states = {state.label: float(state is status.state) for state in ReferenceState}
    text = "1 for the state of this host as a reference (ITU-T G.810), and no other."
    yield labelled(P + "reference_state", text, "state", states, "gauge")
    lasted = status.lasted_ns / 1e9
    yield gauge(P + "reference_state_duration_seconds", "How long that state has lasted.", lasted)
    values = (
        ("standard_uncertainty", "Standard uncertainty (k = 1) of this host's clock, as", status.uncertainty_ns),
        ("limit", "Greatest error of this host's clock, as", status.limit_ns),
    )
    for name, meaning, value in values:
        if value is not None:
            told = f"{meaning} its own source vouches for it, with what its oscillator adds."
            yield gauge(P + f"reference_{name}_seconds", told, value / 1e9)
    usable = {source.name: float(source.verdict in (Verdict.SELECTED, Verdict.AGREES)) for source in status.sources}
    if usable:
        yield labelled(P + "source_agrees", "1 for a source that is believed, else 0.", "source", usable, "gauge")
    offsets = {source.name: source.offset_ns / 1e9 for source in status.sources if source.offset_ns is not None}
    if offsets:
        text = "This host's clock minus the source. Positive: the clock is ahead (reads later)."
        yield labelled(P + "source_offset_seconds", text, "source", offsets, "gauge")


def _seconds(nanoseconds: int | None) -> float | None:
    return None if nanoseconds is None else nanoseconds / 1e9


def _probing(probes: ProbeStatistics) -> Iterator[Family]:
    exchange, reflector = probes.exchange, probes.reflector
    yield counter(P + "probes_sent", "Probe packets sent to peers.", exchange.sent)
    yield counter(P + "probes_completed", "Probe packets answered in time by the right host.", exchange.completed)
    yield counter(P + "probes_lost", "Probe packets not answered in time.", exchange.lost)
    yield counter(P + "probes_abandoned", "Probe packets given up: clock set, or peer gone.", exchange.abandoned)
    text = "Exchanges due and not begun: the host had no processor time for the agent, or slept."
    yield counter(P + "exchanges_skipped", text, exchange.skipped)
    yield counter(P + "probes_reordered", "Probe packets answered after a later one.", exchange.reordered)
    yield labelled(P + "replies_rejected", "Replies not used, by reason.", "reason", exchange.rejected)
    yield labelled(P + "send_failures", "Probe packets not sent, by the error's name.", "error", exchange.send_failures)
    yield counter(P + "requests_reflected", "Requests of other hosts answered.", reflector.reflected)
    yield labelled(P + "requests_refused", "Requests not answered, by reason.", "reason", reflector.refused)
    yield gauge(
        P + "peers_authenticated", "Hosts to whom probes are authenticated.", float(exchange.authenticated_peers)
    )
    yield gauge(P + "probe_keys", "Keys by which others' authenticated probes are known.", float(reflector.keys))
    missing = {
        "t1": exchange.missing_transmit_stamps,
        "t2": reflector.missing_receive_stamps,
        "t3": exchange.missing_follow_ups,
        "t4": exchange.missing_receive_stamps,
    }
    yield labelled(
        P + "kernel_stamps_missing", "Stamps that were not the kernel's, by which of the four.", "stamp", missing
    )
    text = "Stamps of the network card, by what became of them; none unless card-stamps asks for them."
    yield labelled(P + "card_stamps", text, "outcome", probes.card_stamps)
    yield counter(P + "clock_events", "Times that the clock was set, or the host slept.", probes.clock_events)


def _buffer(spool: SpoolStatistics) -> Iterator[Family]:
    yield gauge(P + "buffer_records", "Records not yet acknowledged by the collector.", spool.rows)
    yield gauge(P + "buffer_capacity_records", "Records that the buffer holds at most.", spool.capacity_rows)
    yield counter(P + "records", "Probe records measured.", spool.records_added)
    yield counter(P + "records_acknowledged", "Probe records that the collector has.", spool.records_acknowledged)
    yield counter(P + "records_dropped", "Probe records given up unreported, oldest first.", spool.records_dropped)
    yield counter(P + "batches_sent_again", "Batches and events sent again after a break.", spool.entries_sent_again)


def _reporting(report: ReportStatistics) -> Iterator[Family]:
    yield gauge(P + "collector_connected", "1 while a collector is connected, else 0.", float(report.connected))
    yield counter(P + "collector_connections", "Connections to a collector that came about.", report.connections)
    yield counter(P + "collector_failures", "Connections that broke or did not come about.", report.failures)
    refused = report.messages_refused
    yield counter(P + "collector_messages_refused", "Messages of a collector that made no sense.", refused)
    yield gauge(P + "peers", "Hosts that the plan tells to probe.", report.peers)
