"""What the two ends of a report stream tell each other besides probe records: frozen values, and their messages. Pure.

Like convert.py this is a door: a message from outside is checked here, once, and raises BadMessage naming the part at
fault. Past it the rest of the program handles values of this file and never a generated message.
"""

from __future__ import annotations

import ipaddress
import math
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import MAX_ABSOLUTE_NS, MAX_NAME_LENGTH, BadMessage, can_name_a_host, checked_text

MAX_ENDPOINTS = 16
MAX_PEERS = 10_000
MAX_KEYS = 100_000
KEY_LENGTHS = range(16, 65)
"""Octets of a probe key."""
AUTHENTICATION = {
    "off": pb.PROBE_AUTHENTICATION_UNSPECIFIED,
    "accept": pb.AUTHENTICATION_ACCEPTED,
    "require": pb.AUTHENTICATION_REQUIRED,
}
"""What a host does with authenticated probes, by the names of the settings."""
MIN_INTERVAL_NS = 1_000_000
"""No plan may ask for more than a thousand exchanges a second with one peer."""
_INTERFACE = re.compile(r"(?!\d+\Z)[!-.0-~]{1,15}|\d{1,9}", re.ASCII)
"""A network interface's name (Linux: 15 octets, no blank, no slash) or its number (RFC 4007, section 11.2)."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a reflector listens: a numeric IPv4 or IPv6 address and a UDP port."""

    address: str
    port: int

    @property
    def version(self) -> int:
        """4 or 6."""
        return 6 if ":" in self.address else 4

    def __str__(self) -> str:
        return f"[{self.address}]:{self.port}" if self.version == 6 else f"{self.address}:{self.port}"


@dataclass(frozen=True, slots=True)
class Hello:
    """How an agent introduces itself, first thing on every stream."""

    host: str
    instance: int
    """Random for each agent process; 1 to 2**64 - 1."""
    version: str = ""
    endpoints: tuple[Endpoint, ...] = ()
    zone: str = ""
    role: str = ""
    boot_id: str = ""
    probe_authentication: str = "off"
    """A key of `AUTHENTICATION`; off for agents that know none."""


@dataclass(frozen=True, slots=True)
class PlannedPeer:
    """One host to probe."""

    host: str
    endpoint: Endpoint
    interval_ns: int
    """Mean time between two exchanges."""
    secret: bytes = field(default=b"", repr=False)
    """Key of authenticated probes to it; empty: plain ones."""
    session_id: int = 0
    """Goes with the key."""


@dataclass(frozen=True, slots=True)
class ProbeKey:
    """By which key a reflector knows one asker's requests."""

    asker: str
    session_id: int
    secret: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Plan:
    """Whom to probe; replaces the plan before it."""

    version: int
    peers: tuple[PlannedPeer, ...]


@dataclass(frozen=True, slots=True)
class OwnEstimate:
    """What the collector last said of the host's own clock. Positive offset: the clock is ahead of the reference."""

    state: str
    """Lower-case name of the state, words joined by hyphens: reference, measured, no-route, stale, unknown."""
    at_ns: int
    offset_ns: int | None
    """None, as each of the others: not known."""
    drift: float | None
    uncertainty_ns: int | None
    drift_uncertainty: float | None
    lower_ns: int | None
    upper_ns: int | None
    resting_on: str = ""
    """Best state of the references that this rests on: locked, holdover, free-run; empty: not told."""
    budget: str = ""
    """Name of the host's budget; empty: it has none."""
    budget_ns: int = 0
    budget_answer: str = ""
    """within, out or cannot-be-shown."""


class PeerCounters(NamedTuple):
    """What the probes of one peer came to within the last minute or two."""

    host: str
    sent: int
    lost: int


@dataclass(frozen=True, slots=True)
class ProbeCounters:
    """An agent's own counts since it started."""

    sent: int = 0
    completed: int = 0
    lost: int = 0
    rejected: int = 0
    records_dropped: int = 0
    peers: tuple[PeerCounters, ...] = ()
    """Empty: not told this time."""


def check_name(part: str, name: str) -> str:
    """A host's name as given, if it can serve as one. Raises BadMessage naming `part`."""
    if not can_name_a_host(name):
        raise BadMessage(
            f"{part}: {name[:40]!r} cannot name a host; use 1 to {MAX_NAME_LENGTH} printable characters without commas"
        )
    return name


def endpoint_from_message(message: pb.Endpoint) -> Endpoint:
    """Check an endpoint. Raises BadMessage for what is no numeric unicast address or no port."""
    try:
        address = ipaddress.ip_address(message.address)
    except ValueError as error:
        raise BadMessage(f"endpoint: {message.address[:60]!r} is not a numeric address") from error
    if address.is_multicast or address.is_unspecified:
        raise BadMessage(f"endpoint: {address} is not the address of one host")
    scope = getattr(address, "scope_id", None)
    if scope is not None and not _INTERFACE.fullmatch(scope):
        raise BadMessage(f"endpoint: {message.address[:60]!r} names no interface")
    if not 0 < message.port < 65536:
        raise BadMessage(f"endpoint: {message.port} is not a UDP port")
    return Endpoint(str(address), message.port)


def endpoint_to_message(endpoint: Endpoint) -> pb.Endpoint:
    """Encode an endpoint."""
    return pb.Endpoint(address=endpoint.address, port=endpoint.port)


def hello_to_message(hello: Hello) -> pb.Hello:
    """Encode an introduction."""
    return pb.Hello(
        host=hello.host,
        instance=hello.instance,
        version=hello.version,
        endpoints=[endpoint_to_message(endpoint) for endpoint in hello.endpoints],
        zone=hello.zone,
        role=hello.role,
        boot_id=hello.boot_id,
        probe_authentication=AUTHENTICATION[hello.probe_authentication],
    )


def hello_from_message(message: pb.Hello) -> Hello:
    """Check an introduction. Raises BadMessage."""
    if not message.instance:
        raise BadMessage("hello: the instance number is missing")
    if len(message.endpoints) > MAX_ENDPOINTS:
        raise BadMessage(f"hello: {len(message.endpoints)} endpoints; at most {MAX_ENDPOINTS}")
    return Hello(
        host=check_name("hello: host", message.host),
        instance=message.instance,
        version=checked_text("hello: version", message.version),
        endpoints=tuple(endpoint_from_message(endpoint) for endpoint in message.endpoints),
        zone=checked_text("hello: zone", message.zone),
        role=checked_text("hello: role", message.role),
        boot_id=checked_text("hello: boot_id", message.boot_id),
        # A mode unknown here, of a newer agent, has a plain one to fall back to, or nobody could talk to it.
        probe_authentication=next(
            (name for name, number in AUTHENTICATION.items() if number == message.probe_authentication), "off"
        ),
    )


def plan_to_message(plan: Plan) -> pb.Plan:
    """Encode a plan."""
    return pb.Plan(
        version=plan.version,
        peers=[
            pb.Peer(
                host=peer.host,
                endpoint=endpoint_to_message(peer.endpoint),
                interval_ns=peer.interval_ns,
                key=peer.secret,
                session_id=peer.session_id,
            )
            for peer in plan.peers
        ],
    )


def plan_from_message(message: pb.Plan) -> Plan:
    """Check a plan. Raises BadMessage for a peer without a name or an address, or one probed too often."""
    if len(message.peers) > MAX_PEERS:
        raise BadMessage(f"plan: {len(message.peers)} peers; at most {MAX_PEERS}")
    peers = []
    for peer in message.peers:
        if peer.interval_ns < MIN_INTERVAL_NS:
            raise BadMessage(f"plan: {peer.host[:60]} every {peer.interval_ns} ns; at least {MIN_INTERVAL_NS} ns")
        name = check_name("plan: host", peer.host)
        if peer.key or peer.session_id:
            _check_key(f"plan: {name[:60]}", peer.key, peer.session_id)
        endpoint = endpoint_from_message(peer.endpoint)
        peers.append(PlannedPeer(name, endpoint, peer.interval_ns, peer.key, peer.session_id))
    return Plan(message.version, tuple(peers))


def keys_to_message(keys: Iterable[ProbeKey]) -> pb.ProbeKeys:
    """Encode a reflector's keys."""
    return pb.ProbeKeys(keys=[pb.ProbeKey(asker=key.asker, session_id=key.session_id, key=key.secret) for key in keys])


def keys_from_message(message: pb.ProbeKeys) -> tuple[ProbeKey, ...]:
    """Check a reflector's keys. Raises BadMessage."""
    if len(message.keys) > MAX_KEYS:
        raise BadMessage(f"probe keys: {len(message.keys)}; at most {MAX_KEYS}")
    keys = []
    for key in message.keys:
        name = check_name("probe keys: asker", key.asker)
        _check_key(f"probe keys: {name[:60]}", key.key, key.session_id)
        keys.append(ProbeKey(name, key.session_id, key.key))
    return tuple(keys)


def _check_key(part: str, secret: bytes, session_id: int) -> None:
    if len(secret) not in KEY_LENGTHS or not 0 < session_id < 65536:
        raise BadMessage(f"{part}: a key of {len(secret)} octets in session {session_id}; use 16 to 64, and 1 to 65535")


def own_estimate_from_message(message: pb.HostEstimate) -> OwnEstimate:
    """Check a host's estimate. Raises BadMessage for a number that is none, or a time out of range."""
    if not all(map(math.isfinite, (message.drift, message.drift_uncertainty))):
        raise BadMessage("estimate: the drift is not a finite number")
    if max(abs(message.at_ns), abs(message.offset_ns)) >= MAX_ABSOLUTE_NS:
        raise BadMessage("estimate: a time outside the years 1823 to 2116")
    known = message.HasField("offset_ns")
    return OwnEstimate(
        state=state_name(message.state),
        at_ns=message.at_ns,
        offset_ns=message.offset_ns if known else None,
        drift=message.drift if known else None,
        uncertainty_ns=message.uncertainty_ns if message.HasField("uncertainty_ns") else None,
        drift_uncertainty=message.drift_uncertainty if known else None,
        lower_ns=message.lower_ns if message.HasField("lower_ns") else None,
        upper_ns=message.upper_ns if message.HasField("upper_ns") else None,
        resting_on=checked_text("estimate: resting_on", message.resting_on),
        budget=checked_text("estimate: budget", message.budget),
        budget_ns=message.budget_ns,
        budget_answer=checked_text("estimate: budget_answer", message.budget_answer),
    )


def state_name(state: int) -> str:
    """The name that people and metrics see for a message's host state; a state unknown here is 'unknown'."""
    try:
        name: str = pb.HostState.Name(state)
    except ValueError:
        return "unknown"
    return "unknown" if name == "HOST_STATE_UNSPECIFIED" else name.lower().replace("_", "-")


def counters_to_message(counters: ProbeCounters) -> pb.ProbeCounters:
    """Encode an agent's counts."""
    return pb.ProbeCounters(
        sent=counters.sent,
        completed=counters.completed,
        lost=counters.lost,
        rejected=counters.rejected,
        records_dropped=counters.records_dropped,
        peers=[pb.PeerCounters(host=peer.host, sent=peer.sent, lost=peer.lost) for peer in counters.peers],
    )


def counters_from_message(message: pb.ProbeCounters) -> ProbeCounters:
    """Decode an agent's counts. Raises BadMessage for what names no peer, or counts more lost than sent."""
    if len(message.peers) > MAX_PEERS:
        raise BadMessage(f"counters: {len(message.peers)} peers; at most {MAX_PEERS}")
    peers = []
    for peer in message.peers:
        if peer.lost > peer.sent:
            raise BadMessage(f"counters: {peer.host[:60]}: {peer.lost} probes lost of {peer.sent} sent")
        # A peer is named by many hosts, and each is told again and again: one text serves for all.
        peers.append(PeerCounters(sys.intern(check_name("counters: host", peer.host)), peer.sent, peer.lost))
    return ProbeCounters(
        message.sent, message.completed, message.lost, message.rejected, message.records_dropped, tuple(peers)
    )
