"""What the probing did since it started, as frozen values. Pure: no behaviour.

Counts only grow. Mappings go from a short reason, made of letters and hyphens, to a count; reasons that never
occurred are absent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class PeerStatistics:
    """One peer's part, by packets."""

    sent: int
    completed: int
    lost: int


@dataclass(frozen=True, slots=True)
class ExchangeStatistics:
    """The sender's side, by packets."""

    sent: int
    completed: int
    """Answered in time by the right host."""
    lost: int
    """Not answered in time."""
    abandoned: int
    """Given up unanswered: the clock was set, or the peer left the plan."""
    reordered: int
    """Completed, but answered after a packet that was sent later."""
    rejected: Mapping[str, int]
    """Replies not used: malformed, unsolicited, unknown-sequence, late, duplicate, spoofed, inconsistent; of peers
    whose probes are authenticated also unauthenticated (a plain reply) and forged."""
    send_failures: Mapping[str, int]
    """Packets that could not be sent: no-socket (of the peer's family), or the error's name (ENETUNREACH, ...)."""
    unusable_peers: Mapping[str, int]
    """Peers that the plan named in vain, now: address-not-numeric, address-twice, no-key (where one is required)."""
    missing_transmit_stamps: int
    """Records whose t1 is not the kernel's."""
    missing_receive_stamps: int
    """Records whose t4 is not the kernel's."""
    missing_follow_ups: int
    """Records whose t3 is not the kernel's."""
    outstanding: int
    held: int
    """Records that wait for their exact t3."""
    peers: Mapping[str, PeerStatistics]
    skipped: int = 0
    """Exchanges, each of two packets or three, that were due and not begun, since the program came too late."""
    authenticated_peers: int = 0
    """Peers to whom probes are authenticated."""


@dataclass(frozen=True, slots=True)
class ReflectorStatistics:
    """The reflector's side, by packets."""

    reflected: int
    refused: Mapping[str, int]
    """Requests not answered: short, malformed, rate-limited, table-full, clock-event, and errors of sending; also
    unauthenticated (plain, where authentication is required), unknown-key, forged and replayed."""
    missing_receive_stamps: int
    """Answered with a t2 that is not the kernel's."""
    unbelievable_transmit_stamps: int
    """Stamps of the kernel from before the reply was sent: not used."""
    sessions: int
    """Senders remembered now."""
    keys: int = 0
    """By which authenticated requests are known now."""


@dataclass(frozen=True, slots=True)
class ProbeStatistics:
    """Both sides, and the clock."""

    exchange: ExchangeStatistics
    reflector: ReflectorStatistics
    oversized: int
    """Datagrams dropped for being longer than any test packet."""
    socket_errors: Mapping[str, int]
    """Failures of receiving, by the error's name."""
    transmit_stamps_given_up: int
    """Sent packets, of both sides, whose stamp the kernel never gave."""
    clock_events: int
    clock_epoch: int
    clock_rate: float | None
    """How much faster the clock runs than its bare oscillator (s/s), since the last statistics; None if just now."""
    kernel_stamps: str
    """What the kernel agreed to stamp, of the worst socket: "receive and transmit", "receive only" or "none"."""
    card_stamps: Mapping[str, int] = field(default_factory=dict)
    """What became of the network card's stamps: used, no-better (than the kernel's), not-compared, implausible,
    unmatched (with no packet of ours), jump (of either clock), unreadable (the card's clock)."""

    @property
    def sent(self) -> int:
        """Probe packets sent."""
        return self.exchange.sent

    @property
    def completed(self) -> int:
        """Probe packets answered."""
        return self.exchange.completed

    @property
    def lost(self) -> int:
        """Probe packets not answered."""
        return self.exchange.lost

    @property
    def rejected(self) -> Mapping[str, int]:
        """Replies not used, by reason."""
        return self.exchange.rejected

    @property
    def reflected(self) -> int:
        """Requests answered."""
        return self.reflector.reflected

    @property
    def refused(self) -> Mapping[str, int]:
        """Requests not answered, by reason."""
        return self.reflector.refused
