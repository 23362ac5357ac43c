"""Answers STAMP test packets: a request and its stamps in, the reply's bytes out. Pure; `now` is monotonic nanoseconds.

Stateful mode (RFC 8762 section 4.3): a session is one sender's address, port and session identifier; replies are
counted in it from 0, so that loss of either direction can be told. The true departure of a session's last reply is
told in its next one (Follow-Up Telemetry, RFC 8972 section 4.7). RFC 8972 has sessions set up by hand; here a
sender's first packet does it.

A reply is exactly as long as its request; a request shorter than the base packet gets none. So nobody is flooded
through us. Each source address may send so many requests a second. Memory is bounded: the session longest silent
makes room for a new one.
"""

from __future__ import annotations

import struct
from collections import Counter, OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

from noonmark.agent import tlv
from noonmark.agent.authenticated_reflector import AuthenticatedSessions, KeyedSession, signed_reply
from noonmark.agent.authentication import is_authenticated
from noonmark.agent.stamp import BASE_LENGTH
from noonmark.agent.statistics import ReflectorStatistics
from noonmark.agent.timestamps import encode_ntp
from noonmark.proto.control import ProbeKey
from noonmark.proto.records import StampSource

# The base packet (stamp.REFLECTOR) with what is copied from the request left in its octets: sequence number, time stamp
# and error estimate are the request's first 14, the session identifier the next two.
_BASE = "!IQH2sQ14s2xB3x"
_BASE_REPLY = struct.Struct(_BASE).pack
# The same with the fields of our own requests behind it, in one stroke.
_WHOLE_REPLY = struct.Struct(_BASE + "4sIQB3x4sIBB2x").pack
_FOLLOW_UP_HEADER = tlv.HEADER.pack(0, tlv.FOLLOW_UP, 16)
_CLOCK_EPOCH_HEADER = tlv.HEADER.pack(0, tlv.CLOCK_EPOCH, 8)
_NO_FOLLOW_UP = (0, 0, 0)
_USER = StampSource.USER
Address = tuple[str, int] | tuple[str, int, int, int]
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class ReflectorSettings:
    """Bounds of the reflector."""

    packets_per_second: float = 100.0
    """Sustained, from one source address."""
    burst: int = 200
    """At once, from one source address."""
    most_sessions: int = 4096
    most_sources: int = 4096
    idle_ns: int = 900 * _SECOND_NS
    """A session silent for so long is forgotten (REFWAIT of RFC 5357 section 4.2 is 900 s)."""
    authentication: str = "accept"
    """off: plain requests only; accept: both; require: authenticated ones only."""


class Session:
    """One sender: our count of replies to it, and when the last of them left."""

    __slots__ = ("follow_up", "follow_up_epoch", "last_heard", "replies")

    def __init__(self) -> None:
        self.replies = 0
        self.last_heard = 0
        self.follow_up = _NO_FOLLOW_UP
        self.follow_up_epoch = 0


Token = tuple[Session | KeyedSession, int, int, int]
"""Names a reply for its transmit stamp: its session, its number in it, t3 as it carries it, the clock epoch."""


class RateLimit:
    """So many packets a second from each source, as virtual scheduling (ITU-T I.371: GCRA): one number a source.

    The number is when the source's allowance will be whole again; one whose time has come needs no memory.
    """

    def __init__(self, settings: ReflectorSettings) -> None:
        self._spacing_ns = round(_SECOND_NS / settings.packets_per_second)
        self._tolerance_ns = self._spacing_ns * (settings.burst - 1)
        self._most = settings.most_sources
        self._whole_at: dict[str, int] = {}
        self._next_purge = 0

    def refusal(self, source: str, now: int) -> str | None:
        """None to let the packet pass, else why not."""
        whole_at = self._whole_at.get(source)
        if whole_at is None:
            if len(self._whole_at) >= self._most and not self._purge(now):
                return "table-full"
            whole_at = now
        elif whole_at < now:
            whole_at = now
        elif whole_at - now > self._tolerance_ns:
            return "rate-limited"
        self._whole_at[source] = whole_at + self._spacing_ns
        return None

    def _purge(self, now: int) -> bool:
        """Make room, at most once in a spacing, since it costs a walk through the table."""
        if now < self._next_purge:
            return False
        self._next_purge = now + self._spacing_ns
        self._whole_at = {source: at for source, at in self._whole_at.items() if at > now}
        return len(self._whole_at) < self._most


class Reflector:
    """All sessions of one agent."""

    def __init__(self, settings: ReflectorSettings | None = None) -> None:
        self._settings = settings or ReflectorSettings()
        self._limit = RateLimit(self._settings)
        self._sessions: OrderedDict[tuple[Address, bytes], Session] = OrderedDict()
        self._plain = self._settings.authentication != "require"
        self._keyed = AuthenticatedSessions()
        self._keyed_limit = RateLimit(self._settings)
        self._refused: Counter[str] = Counter()
        self._epoch = 0
        self._error_estimate = 1
        self._reflected = 0
        self._missing_receive = 0
        self._unbelievable = 0

    def set_clock(self, *, epoch: int, error_estimate: int) -> None:
        """The clock epoch of stamps from now on, and their error as `encode_error_estimate` writes it."""
        self._epoch = epoch
        self._error_estimate = error_estimate

    def replace_keys(self, keys: Sequence[ProbeKey]) -> None:
        """By which keys authenticated requests are known from now on."""
        if self._settings.authentication != "off":
            self._keyed.replace(keys)

    def receive_request(
        self,
        data: bytes,
        address: Address,
        received_ns: int,
        received_by: StampSource,
        hop_limit: int,
        now: int,
        transmit_ns: int,
    ) -> tuple[bytes, Token] | None:
        """The reply, to be sent at once, and what to hand to `transmitted` with its stamp; None if there is no reply.

        `received_ns` is t2, `transmit_ns` t3 as the program has it, not later than the sending.
        """
        length = len(data)
        if length < BASE_LENGTH:
            self.refuse("short")
            return None
        if not data[13]:  # the low octet of a plain request's error estimate; in an authenticated one it must be zero
            if is_authenticated(data):
                return self._authenticated(data, received_ns, received_by, hop_limit, now, transmit_ns)
            self.refuse("malformed")
            return None
        refusal = self._limit.refusal(address[0], now) if self._plain else "unauthenticated"
        if refusal is not None:
            self.refuse(refusal)
            return None
        session_id = data[14:16]
        session = self._session((address, session_id), now)
        number = session.replies
        session.replies = (number + 1) & 0xFFFF_FFFF
        epoch = self._epoch
        follow_up = session.follow_up if session.follow_up_epoch == epoch else _NO_FOLLOW_UP
        t3, t2 = encode_ntp(transmit_ns), encode_ntp(received_ns)
        if data[BASE_LENGTH:] == tlv.REQUEST_TLVS:
            # fmt: off
            reply = _WHOLE_REPLY(
                number, t3, self._error_estimate, session_id, t2, data[:14], hop_limit,
                _FOLLOW_UP_HEADER, *follow_up, _CLOCK_EPOCH_HEADER, epoch, received_by, _USER,
            )
            # fmt: on
        else:
            reply = _BASE_REPLY(number, t3, self._error_estimate, session_id, t2, data[:14], hop_limit)
            if length > BASE_LENGTH:
                clock_epoch = tlv.ClockEpoch(epoch, received_by, _USER)
                reply += tlv.reflect_tlvs(data[BASE_LENGTH:], tlv.FollowUp._make(follow_up), clock_epoch)
        self._reflected += 1
        if received_by is _USER:
            self._missing_receive += 1
        return reply, (session, number, transmit_ns, epoch)

    def _authenticated(
        self, data: bytes, received_ns: int, received_by: StampSource, hop_limit: int, now: int, transmit_ns: int
    ) -> tuple[bytes, Token] | None:
        """The same for an authenticated request. Its rate is limited by its key: nobody can use up another's allowance
        by giving out its address."""
        found = self._keyed.find(data)
        if isinstance(found, str):
            self.refuse(found)
            return None
        session, packet, fields = found
        refusal = self._keyed_limit.refusal(session.key.asker, now)
        if refusal is not None:
            self.refuse(refusal)
            return None
        number, epoch = session.replies, self._epoch
        reply = signed_reply(
            data,
            session,
            packet,
            fields,
            received_ns=received_ns,
            received_by=received_by,
            transmit_ns=transmit_ns,
            hop_limit=hop_limit,
            epoch=epoch,
            error_estimate=self._error_estimate,
        )
        self._reflected += 1
        if received_by is _USER:
            self._missing_receive += 1
        return reply, (session, number, transmit_ns, epoch)

    def _session(self, key: tuple[Address, bytes], now: int) -> Session:
        session = self._sessions.get(key)
        if session is None:
            self._forget_idle(now)
            if len(self._sessions) >= self._settings.most_sessions:
                self._sessions.popitem(last=False)
            session = self._sessions[key] = Session()
        else:
            self._sessions.move_to_end(key)
        session.last_heard = now
        return session

    def _forget_idle(self, now: int) -> None:
        oldest = now - self._settings.idle_ns
        while self._sessions and next(iter(self._sessions.values())).last_heard < oldest:
            self._sessions.popitem(last=False)

    def transmitted(self, token: Token, time_ns: int, method: int = tlv.METHOD_LOCAL) -> None:
        """The exact departure of a reply (t3); `method` as in RFC 8972 section 4.3.

        One that is older than the program's own reading before it cannot be this reply's.
        """
        session, number, program_ns, epoch = token
        if time_ns < program_ns:
            self._unbelievable += 1
            return
        session.follow_up = (number, encode_ntp(time_ns), method)
        session.follow_up_epoch = epoch

    def refine(self, token: Token, time_ns: int, source: StampSource) -> None:
        """A better stamp of a departure that `transmitted` has told, if no later one has been told since."""
        session, number, _, epoch = token
        if (session.follow_up[0], session.follow_up_epoch) == (number, epoch) and session.follow_up[1]:
            method = tlv.METHOD_HARDWARE if source is StampSource.HARDWARE else tlv.METHOD_LOCAL
            session.follow_up = (number, encode_ntp(time_ns), method)

    def refuse(self, reason: str) -> None:
        """Count a request that gets no reply."""
        self._refused[reason] += 1

    def statistics(self, *, now: int) -> ReflectorStatistics:
        """Counts so far."""
        self._forget_idle(now)
        return ReflectorStatistics(
            reflected=self._reflected,
            refused=dict(self._refused),
            missing_receive_stamps=self._missing_receive,
            unbelievable_transmit_stamps=self._unbelievable,
            sessions=len(self._sessions),
            keys=len(self._keyed),
        )
