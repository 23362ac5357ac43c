"""The reflector's authenticated sessions: whose key a request has, whether it is new, and the signed reply. Pure.

A key is one asker's alone, and the session identifier in its packets tells which (RFC 8972 section 3); two keys may
have one identifier by chance, and then both are tried. RFC 8972 section 6 leaves replay to the receiver: each session
remembers which of the newest sequence numbers it has had (as RFC 4303 section 3.4.3 does), and never answers one twice.
An asker that starts anew has a new key, so its numbers may begin anew.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from noonmark.agent import tlv
from noonmark.agent.authentication import (
    AUTHENTICATED_LENGTH,
    sign_reflector,
    sign_tlvs,
    verify_sender,
    verify_tlvs,
)
from noonmark.agent.stamp import ReflectorPacket, SenderPacket
from noonmark.agent.timestamps import WireError, encode_ntp
from noonmark.proto.control import ProbeKey
from noonmark.proto.records import StampSource

WINDOW = 64
"""So many sequence numbers back a late request is told from a repeat."""
_MASK = (1 << WINDOW) - 1
_SESSION_ID = slice(26, 28)
_FIELDS = struct.Struct("!BBHIQB3xBBHIBB2x")
_FOLLOW_UP, _CLOCK_EPOCH = (0, tlv.FOLLOW_UP, 16), (0, tlv.CLOCK_EPOCH, 8)


class KeyedSession:
    """One key: our count of replies under it, when the last left, and which requests it had."""

    __slots__ = ("follow_up", "follow_up_epoch", "highest", "key", "last_heard", "replies", "seen")

    def __init__(self, key: ProbeKey) -> None:
        self.key = key
        self.replies = 0
        self.last_heard = 0
        self.follow_up: tuple[int, int, int] = (0, 0, 0)
        self.follow_up_epoch = 0
        self.highest = -1
        self.seen = 0

    def is_new(self, sequence: int) -> bool:
        """Whether this number was not had before; it counts as had from now on."""
        ahead = sequence - self.highest
        if ahead > 0:
            self.seen = ((self.seen << min(ahead, WINDOW)) | 1) & _MASK
            self.highest = sequence
            return True
        if ahead <= -WINDOW or self.seen >> -ahead & 1:
            return False
        self.seen |= 1 << -ahead
        return True


class AuthenticatedSessions:
    """All keys of one reflector."""

    def __init__(self) -> None:
        self._by_id: dict[bytes, list[KeyedSession]] = {}

    def replace(self, keys: Sequence[ProbeKey]) -> None:
        """Know these from now on; a key that stays keeps its session."""
        kept = {session.key: session for sessions in self._by_id.values() for session in sessions}
        self._by_id = {}
        for key in dict.fromkeys(keys):
            sessions = self._by_id.setdefault(key.session_id.to_bytes(2, "big"), [])
            sessions.append(kept.get(key) or KeyedSession(key))

    def __len__(self) -> int:
        return sum(map(len, self._by_id.values()))

    def find(self, data: bytes) -> tuple[KeyedSession, SenderPacket, bytes] | str:
        """Whose request this is, what it says, and its fields; or why it is not believed, in a word."""
        sessions = self._by_id.get(data[_SESSION_ID])
        if sessions is None:
            return "unknown-key"
        for session in sessions:
            try:
                packet = verify_sender(data, session.key.secret)
                fields = _fields(data[AUTHENTICATED_LENGTH:], packet.sequence, session.key.secret)
            except WireError:
                continue
            return (session, packet, fields) if session.is_new(packet.sequence) else "replayed"
        return "forged"


def _fields(block: bytes, sequence: int, secret: bytes) -> bytes:
    """The fields of a request. Padding alone needs no HMAC (RFC 8972 section 4.8)."""
    if block.startswith(tlv.REQUEST_TLVS):
        return verify_tlvs(block, sequence, secret)
    fields, rest = tlv.split_tlvs(block)
    if not rest and [field.type for field in fields] in ([], [tlv.EXTRA_PADDING]):
        return block
    return verify_tlvs(block, sequence, secret)


def signed_reply(
    data: bytes,
    session: KeyedSession,
    packet: SenderPacket,
    fields: bytes,
    *,
    received_ns: int,
    received_by: StampSource,
    transmit_ns: int,
    hop_limit: int,
    epoch: int,
    error_estimate: int,
) -> bytes:
    """The reply, as long as its request; counted in the session."""
    number = session.replies
    session.replies = (number + 1) & 0xFFFF_FFFF
    secret = session.key.secret
    reply = sign_reflector(
        ReflectorPacket(
            sequence=number,
            timestamp=encode_ntp(transmit_ns),
            error_estimate=error_estimate,
            session_id=packet.session_id,
            receive_timestamp=encode_ntp(received_ns),
            sender_sequence=packet.sequence,
            sender_timestamp=packet.timestamp,
            sender_error_estimate=packet.error_estimate,
            sender_hop_limit=hop_limit,
        ),
        secret,
    )
    if fields:
        follow_up = tlv.FollowUp._make(session.follow_up) if session.follow_up_epoch == epoch else tlv.FollowUp()
        clock_epoch = tlv.ClockEpoch(epoch, received_by, StampSource.USER)
        if fields == tlv.REQUEST_TLVS:  # our own, in one stroke
            block = _FIELDS.pack(*_FOLLOW_UP, *follow_up, *_CLOCK_EPOCH, *clock_epoch)
        else:
            block = tlv.reflect_tlvs(fields, follow_up, clock_epoch)
        signed = len(data) > AUTHENTICATED_LENGTH + len(fields)
        reply += sign_tlvs(block, number, secret, flags=0) if signed else block
    # Padding behind the HMAC is copied, so that both ways are as long.
    return reply + data[len(reply) :]
