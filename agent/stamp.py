"""STAMP test packets (RFC 8762, with the session identifier of RFC 8972) <-> bytes, without authentication. Pure.

Both layouts are 44 octets, big-endian; what follows them is type-length-value fields (tlv.py). Time stamps and error
estimates stay raw integers here (timestamps.py reads them): a reflector only copies them.
Fields that must be zero are written as zero and ignored on receipt.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from noonmark.agent.timestamps import WireError

BASE_LENGTH = 44
SENDER = struct.Struct("!IQHH28x")
REFLECTOR = struct.Struct("!IQHHQIQH2xB3x")
_NO_RECEIVE_TIMESTAMP = bytes(8)


class SenderPacket(NamedTuple):
    """What a session sender sends (RFC 8762 section 4.2.1)."""

    sequence: int
    timestamp: int
    error_estimate: int
    session_id: int
    """Chosen by the sender, not zero; zero from senders that know only RFC 8762."""


class ReflectorPacket(NamedTuple):
    """What a session reflector answers (RFC 8762 section 4.3.1)."""

    sequence: int
    """Stateful: the reflector's own count in this session."""
    timestamp: int
    """When the reply left, read before sending (t3)."""
    error_estimate: int
    session_id: int
    receive_timestamp: int
    """t2."""
    sender_sequence: int
    sender_timestamp: int
    sender_error_estimate: int
    sender_hop_limit: int
    """TTL or hop limit of the request as it arrived."""


def encode_sender(packet: SenderPacket) -> bytes:
    """44 octets."""
    return SENDER.pack(*packet)


def encode_reflector(packet: ReflectorPacket) -> bytes:
    """44 octets."""
    return REFLECTOR.pack(*packet)


def decode_sender(data: bytes) -> SenderPacket:
    """The first 44 octets of a request. Raises WireError if it is short or its error estimate is corrupt."""
    if len(data) < BASE_LENGTH:
        raise WireError(f"request of {len(data)} octets; the least is {BASE_LENGTH}")
    packet = SenderPacket._make(SENDER.unpack_from(data))
    if not packet.error_estimate & 0xFF:
        raise WireError("request: the error estimate's multiplier is zero")
    return packet


def decode_reflector(data: bytes) -> ReflectorPacket:
    """The first 44 octets of a reply. Raises WireError if it is short or its error estimate is corrupt."""
    if len(data) < BASE_LENGTH:
        raise WireError(f"reply of {len(data)} octets; the least is {BASE_LENGTH}")
    packet = ReflectorPacket._make(REFLECTOR.unpack_from(data))
    if not packet.error_estimate & 0xFF:
        raise WireError("reply: the error estimate's multiplier is zero")
    return packet


def is_request(data: bytes) -> bool:
    """Tell a request from a reply on a socket that gets both, by the octets of the receive time stamp.

    A sender must leave them zero, and no reflector of ours does: so a reply can never be answered as if it were a
    request, and two hosts can never throw one packet to and fro.

    In authenticated packets (authentication.py) those octets lie elsewhere, and eight are zero where others have a
    time.
    """
    return (
        data[16:24] == _NO_RECEIVE_TIMESTAMP
        or len(data) < BASE_LENGTH
        or (data[4:12] == _NO_RECEIVE_TIMESTAMP == data[32:40])
    )
