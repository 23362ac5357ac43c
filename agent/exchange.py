"""The sender's side of probing: datagrams, stamps and the time in; packets to send, records and the next deadline
out. Pure.

`now` is monotonic nanoseconds; stamps are of the host's realtime clock. Nothing here raises for what comes from
outside: it is counted, by reason.

An exchange is two packets back to back. The first warms the path (caches, sleeping cores, neighbour tables), the
second measures; both become records, for both give certain limits. A reply is believed only if it comes from the
address that the packet went to, while the packet is outstanding, and echoes its time stamp, whose nanoseconds nobody
else can know.

The exact t3. A reply cannot carry its own true departure; the reflector tells it in its next reply to us (Follow-Up
Telemetry). The first packet's t3 so comes at once, with the second's reply. For the second's, three ways were
weighed:

- a third packet after every exchange: half as many packets, wakes and records again, on every host, for ever;
- waiting for the next exchange: costs nothing, but records are as late as the interval is long;
- doing without: t3 read by the program, which is early by 10 to 100 µs.

So the record waits where the interval is short (`trailing_from_ns`, 2 s: the collector's tick is 5 s and its window a
minute), and only longer intervals send a third, trailing packet, when a third packet every few seconds costs little.
A record whose t3 does not come in time, or cannot come any more, is passed on with the program's t3, marked so. That
errs on the safe side: an early t3 makes the round trip longer and the limits wider, never wrong.
"""

from __future__ import annotations

import enum
import ipaddress
import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from noonmark.agent import authentication, tlv
from noonmark.agent.holding import LONGEST_TURNAROUND_NS, ExactDeparture, Held, Holding, Sent, Shelf
from noonmark.agent.schedule import LONGEST_SPACING, PeerTarget, Schedule
from noonmark.agent.stamp import BASE_LENGTH, SENDER, ReflectorPacket, SenderPacket, decode_reflector
from noonmark.agent.statistics import ExchangeStatistics, PeerStatistics
from noonmark.agent.timestamps import SECOND_NS, TAI_MINUS_UTC_S, WireError, decode_timestamp, encode_ntp
from noonmark.proto.records import ProbeRecord, Stamp, StampSource

Address = tuple[str, int] | tuple[str, int, int, int]
Key = tuple[str, int]

_SEQUENCE_MASK = 0xFFFF_FFFF
_UNTOLD_AT_MOST = 4
"""A reflector that told nothing for longer cannot: its records do not wait."""
_UNTOLD_EPOCH = tlv.ClockEpoch(0, StampSource.USER, StampSource.USER)
_REMEMBERED = 256
"""So many sequence numbers back a late reply is told from a duplicate."""


@dataclass(frozen=True, slots=True)
class ExchangeSettings:
    """Patience of the sender."""

    reply_timeout_ns: int = 3 * SECOND_NS
    """Both ends may let a packet lie for most of a second (rounds.py); the rest is the path's."""
    trailing_from_ns: int = 2 * SECOND_NS
    """From this interval on an exchange has a third packet that fetches the second's t3."""
    keys_required: bool = False
    """Probe nobody without a key."""

    @property
    def hold_ns(self) -> int:
        """How long a record may wait for its t3: the longest spacing without a trailing packet, and an answer."""
        return round(self.trailing_from_ns * LONGEST_SPACING) + self.reply_timeout_ns


class Role(enum.Enum):
    """A packet's part in its exchange."""

    WARM_UP = 1
    MEASURING = 2
    TRAILING = 3


@dataclass(slots=True, eq=False)
class Session:
    """One peer: our counts of it."""

    peer: PeerTarget
    key: Key
    session_id: int
    next_sequence: int = 0
    newest_answered: int = -1
    answered: set[int] = field(default_factory=set)
    """Answered sequence numbers among the last `_REMEMBERED`."""
    shelf: Shelf = field(default_factory=dict)
    untold: int = 0
    """Replies in a row that told of no departure."""
    sent: int = 0
    completed: int = 0
    lost: int = 0
    secret: bytes = field(default=b"", repr=False)
    """Key of authenticated packets; empty: plain ones."""


@dataclass(slots=True, eq=False)
class Probe:
    """One packet on its way."""

    session: Session
    sequence: int
    role: Role
    timestamp: int = 0
    """As the packet carries it: a reply must echo it."""
    deadline: int = 0
    sent: Sent = field(init=False)

    @property
    def address(self) -> Key:
        """Where to send it."""
        return self.session.key


class Exchange:
    """Probing of all peers."""

    def __init__(self, rng: random.Random, settings: ExchangeSettings | None = None) -> None:
        self._rng = rng
        self._settings = settings or ExchangeSettings()
        self._schedule = Schedule(rng)
        self._sessions: dict[Key, Session] = {}
        self._by_peer: dict[PeerTarget, Session] = {}
        self._unusable: Counter[str] = Counter()
        self._outstanding: dict[tuple[Key, int], Probe] = {}  # in the order of their deadlines
        self._trailing: list[Session] = []
        self._holding = Holding(self._settings.hold_ns)
        self.tai_minus_utc_s = TAI_MINUS_UTC_S
        """For reflectors that stamp in PTP's format."""
        self._rejected: Counter[str] = Counter()
        self._send_failures: Counter[str] = Counter()
        self._sent = self._completed = self._lost = self._abandoned = self._reordered = 0

    # --- whom to probe

    def replace_peers(self, peers: Sequence[PeerTarget], *, now: int) -> None:
        """Probe these from now on.

        Who stays keeps its session and its moment; records of who goes are passed on as they are.
        """
        before = self._sessions
        self._sessions = {}
        self._unusable.clear()
        for peer in peers:
            key = self._key_of(peer)
            if key is not None:
                session = before.get(key)
                if session is not None and session.secret == peer.secret:
                    del before[key]
                else:
                    session = self._new_session(peer, key, session)
                session.peer = peer
                self._sessions[key] = session
        for gone in before.values():
            self._holding.release_shelf(gone.shelf)
        self._abandon(probe for probe in list(self._outstanding.values()) if probe.session.key in before)
        self._trailing = [session for session in self._trailing if session.key not in before]
        self._by_peer = {session.peer: session for session in self._sessions.values()}
        self._schedule.replace(list(self._by_peer), now=now)

    def _new_session(self, peer: PeerTarget, key: Key, old: Session | None) -> Session:
        """Under a new key everything is counted anew on both sides: nothing of the old one may be mixed with it."""
        session = Session(peer, key, peer.session_id or self._rng.randrange(1, 1 << 16), secret=peer.secret)
        if old is not None:
            session.sent, session.completed, session.lost = old.sent, old.completed, old.lost
        return session

    def _key_of(self, peer: PeerTarget) -> Key | None:
        try:
            key = (str(ipaddress.ip_address(peer.address)), peer.port)
        except ValueError:
            self._unusable["address-not-numeric"] += 1
            return None
        if key in self._sessions:
            self._unusable["address-twice"] += 1
            return None
        if self._settings.keys_required and not peer.secret:
            self._unusable["no-key"] += 1
            return None
        return key

    # --- sending

    def datagrams_to_send(self, *, now: int) -> list[Probe]:
        """Packets due now, in order. For each one `depart` gives the bytes, to be called just before sending."""
        probes = [self._probe(session, Role.TRAILING) for session in self._trailing]
        self._trailing.clear()
        for peer in self._schedule.take_due(now=now):
            session = self._by_peer[peer]
            probes.append(self._probe(session, Role.WARM_UP))
            probes.append(self._probe(session, Role.MEASURING))
        return probes

    def _probe(self, session: Session, role: Role) -> Probe:
        sequence = session.next_sequence
        session.next_sequence = (sequence + 1) & _SEQUENCE_MASK
        session.answered.discard((sequence - _REMEMBERED) & _SEQUENCE_MASK)
        return Probe(session, sequence, role)

    def depart(self, probe: Probe, sent_ns: int, *, now: int, epoch: int, error_estimate: int) -> bytes:
        """The packet's octets; from now on its reply is awaited. `sent_ns` is the realtime clock, read before."""
        session = probe.session
        probe.sent = Sent(session.peer.host, probe.role is Role.MEASURING, sent_ns, StampSource.USER, epoch)
        probe.timestamp = encode_ntp(sent_ns)
        probe.deadline = now + self._settings.reply_timeout_ns
        self._outstanding[session.key, probe.sequence] = probe
        self._sent += 1
        session.sent += 1
        if session.secret:
            packet = SenderPacket(probe.sequence, probe.timestamp, error_estimate, session.session_id)
            return authentication.request(packet, session.secret)
        return SENDER.pack(probe.sequence, probe.timestamp, error_estimate, session.session_id) + tlv.REQUEST_TLVS

    def send_failed(self, probe: Probe, reason: str) -> None:
        """The packet could not be sent; `reason` is the error's name."""
        if self._outstanding.pop((probe.session.key, probe.sequence), None) is not None:
            self._sent -= 1
            probe.session.sent -= 1
        self._send_failures[reason] += 1

    def transmit_stamp(self, probe: Probe, time_ns: int, source: StampSource = StampSource.KERNEL) -> None:
        """The exact t1 of a packet.

        One that is older than the program's own reading before it cannot be this packet's.
        """
        if time_ns >= probe.sent.t1_ns:
            probe.sent.t1_ns, probe.sent.t1_by = time_ns, source

    # --- receiving

    def receive_datagram(self, data: bytes, address: Address, stamp: Stamp, *, now: int) -> None:
        """A datagram that is no request. `stamp` is t4."""
        key = (address[0], address[1])
        session = self._sessions.get(key)
        if session is None:
            self._rejected["unsolicited"] += 1
            return
        try:
            if session.secret:
                packet, telemetry = authentication.read_reply(data, session.secret)
            else:
                packet = decode_reflector(data)
                telemetry = tlv.read_telemetry(data[BASE_LENGTH:])
            probe = self._outstanding.get((key, packet.sender_sequence))
            if probe is None:
                self._rejected[_why_not_outstanding(session, packet.sender_sequence)] += 1
            elif packet.sender_timestamp != probe.timestamp or packet.session_id not in (session.session_id, 0):
                self._rejected["spoofed"] += 1
            else:
                self._complete(probe, packet, telemetry, stamp, now)
        except authentication.Unauthentic as error:
            self._rejected[error.reason] += 1
        except WireError:
            self._rejected["malformed"] += 1

    def _complete(self, probe: Probe, packet: ReflectorPacket, telemetry: tlv.Telemetry, t4: Stamp, now: int) -> None:
        session = probe.session
        held, told = self._read_reply(probe.sent, packet, telemetry, t4)
        if not 0 <= held.t3_ns - held.t2_ns <= LONGEST_TURNAROUND_NS:
            self._rejected["inconsistent"] += 1
            return
        self._count_answer(probe)
        session.untold = 0 if told is not None else session.untold + 1
        if told is not None:
            self._holding.follow_up(session.shelf, told)
        if telemetry.follow_up is None or session.untold > _UNTOLD_AT_MOST or probe.role is Role.TRAILING:
            self._holding.release(held)
            return
        self._holding.hold(session.shelf, packet.sequence, held, now=now)
        if probe.role is Role.MEASURING and session.peer.interval_ns > self._settings.trailing_from_ns:
            self._trailing.append(session)

    def _read_reply(
        self, sent: Sent, packet: ReflectorPacket, telemetry: tlv.Telemetry, t4: Stamp
    ) -> tuple[Held, ExactDeparture | None]:
        """All of a reply's stamps, before any of it changes anything. Raises WireError."""
        estimate, pivot_ns, tai = packet.error_estimate, sent.t1_ns, self.tai_minus_utc_s
        t2_ns = decode_timestamp(packet.receive_timestamp, estimate, pivot_ns, tai)
        t3_ns = decode_timestamp(packet.timestamp, estimate, pivot_ns, tai)
        epoch, t2_by, t3_by = telemetry.clock_epoch or _UNTOLD_EPOCH
        told = None
        if (follow_up := telemetry.follow_up) is not None and follow_up.timestamp:
            by = StampSource.HARDWARE if follow_up.method == tlv.METHOD_HARDWARE else StampSource.KERNEL
            exact_ns = decode_timestamp(follow_up.timestamp, estimate, pivot_ns, tai)
            told = ExactDeparture(follow_up.sequence, exact_ns, by, epoch)
        return Held(sent, t2_ns, t3_ns, t4.time_ns, t2_by, t3_by, t4.source, epoch), told

    def _count_answer(self, probe: Probe) -> None:
        session = probe.session
        del self._outstanding[session.key, probe.sequence]
        session.answered.add(probe.sequence)
        self._completed += 1
        session.completed += 1
        if (probe.sequence - session.newest_answered) & _SEQUENCE_MASK > _SEQUENCE_MASK // 2:
            self._reordered += 1
        else:
            session.newest_answered = probe.sequence

    def take_records(self) -> list[ProbeRecord]:
        """Records that became ready since the last call."""
        return self._holding.take_records()

    # --- time

    @property
    def has_trailing(self) -> bool:
        """Whether a reply has made a packet due at once; no other reply brings any deadline forward."""
        return bool(self._trailing)

    def get_timer(self) -> int | None:
        """When `handle_timer` and `datagrams_to_send` must next be called; None: when a datagram has come."""
        if self._trailing:
            return 0
        moments = [
            self._schedule.next_ns(),
            next(iter(self._outstanding.values())).deadline if self._outstanding else None,
            self._holding.next_deadline(),
        ]
        return min((moment for moment in moments if moment is not None), default=None)

    def handle_timer(self, *, now: int) -> None:
        """Give up what is overdue."""
        while self._outstanding:
            probe = next(iter(self._outstanding.values()))
            if probe.deadline > now:
                break
            del self._outstanding[probe.session.key, probe.sequence]
            self._lost += 1
            probe.session.lost += 1
        self._holding.expire(now=now)

    def clock_event(self) -> None:
        """The host's clock was set: what is on its way would mix two epochs and is given up."""
        self._abandon(list(self._outstanding.values()))

    def finish(self) -> None:
        """Pass on every record that still waits, as it is."""
        for session in self._sessions.values():
            self._holding.release_shelf(session.shelf)

    def _abandon(self, probes: Iterable[Probe]) -> None:
        for probe in probes:
            del self._outstanding[probe.session.key, probe.sequence]
            self._abandoned += 1

    def statistics(self) -> ExchangeStatistics:
        """Counts so far."""
        return ExchangeStatistics(
            sent=self._sent,
            completed=self._completed,
            lost=self._lost,
            abandoned=self._abandoned,
            skipped=self._schedule.skipped,
            reordered=self._reordered,
            rejected=dict(self._rejected),
            send_failures=dict(self._send_failures),
            unusable_peers=dict(self._unusable),
            missing_transmit_stamps=self._holding.missing_transmit_stamps,
            missing_receive_stamps=self._holding.missing_receive_stamps,
            missing_follow_ups=self._holding.missing_follow_ups,
            outstanding=len(self._outstanding),
            held=sum(len(session.shelf) for session in self._sessions.values()),
            authenticated_peers=sum(bool(session.secret) for session in self._sessions.values()),
            peers={s.peer.host: PeerStatistics(s.sent, s.completed, s.lost) for s in self._sessions.values()},
        )


def _why_not_outstanding(session: Session, sequence: int) -> str:
    age = (session.next_sequence - 1 - sequence) & _SEQUENCE_MASK
    if age > _SEQUENCE_MASK // 2 or session.next_sequence == 0:
        return "unknown-sequence"
    if sequence in session.answered:
        return "duplicate"
    return "late"
