"""STAMP's authenticated mode <-> bytes (RFC 8762 sections 4.2.2, 4.3.2 and 4.4; RFC 8972 section 4.8). Pure.

Both packets are 112 octets, big-endian, of which the last 16 are HMAC-SHA-256 over the 96 before them, cut to 128
bits (RFC 4868). Fields behind the packet have a check of their own: an HMAC field over the packet's sequence number
and all the fields before it. A packet is checked before any of it is believed. Nothing here guards against replay:
whoever calls checks sequence number and time stamp.
"""

from __future__ import annotations

import functools
import hashlib
import hmac
import struct

from noonmark.agent import tlv
from noonmark.agent.stamp import ReflectorPacket, SenderPacket
from noonmark.agent.timestamps import WireError

AUTHENTICATED_LENGTH = 112
HMAC_LENGTH = 16
_SIGNED = AUTHENTICATED_LENGTH - HMAC_LENGTH
_MULTIPLIER = 25
"""Low octet of the error estimate, in both layouts."""
_MUST_BE_ZERO = bytes(8)
_HMAC_HEADER = tlv.HEADER
_HMAC_HEAD = _HMAC_HEADER.pack(0, tlv.HMAC, HMAC_LENGTH)[1:]
"""The head of an HMAC field but for its flags."""
_HMAC_FIELD = _HMAC_HEADER.size + HMAC_LENGTH
_OUR_LENGTH = len(tlv.REQUEST_TLVS) + _HMAC_FIELD
"""What our own packets carry is read in one stroke."""
_SENDER = struct.Struct("!I12xQHH68x")
_REFLECTOR = struct.Struct("!I12xQHH4xQ8xI12xQH6xB15x")


def truncated_hmac(key: bytes, text: bytes) -> bytes:
    """HMAC-SHA-256-128 (RFC 4868 section 2.3): 16 octets."""
    keyed = _keyed(key).copy()
    keyed.update(text)
    return keyed.digest()[:HMAC_LENGTH]


@functools.lru_cache(maxsize=4096)
def _keyed(key: bytes) -> hmac.HMAC:
    """The key worked in, once: half of the work of a short text."""
    return hmac.new(key, digestmod=hashlib.sha256)


class Unauthentic(WireError):  # noqa: N818 - named for what the packet is
    """A packet that is not believed; `reason` is a word for counting."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def is_authenticated(data: bytes) -> bool:
    """Tell an authenticated packet from a plain one, by octets that must be zero in it and hold a time in the other."""
    return data[4:12] == _MUST_BE_ZERO and len(data) >= AUTHENTICATED_LENGTH


def request(packet: SenderPacket, key: bytes) -> bytes:
    """A whole request of ours, with our fields and their HMAC."""
    return sign_sender(packet, key) + sign_tlvs(tlv.REQUEST_TLVS, packet.sequence, key)


def read_reply(data: bytes, key: bytes) -> tuple[ReflectorPacket, tlv.Telemetry]:
    """A whole reply. Raises Unauthentic for one that is plain or forged, WireError for one that makes no sense."""
    if not is_authenticated(data):
        raise Unauthentic("unauthenticated")
    try:
        packet = verify_reflector(data, key)
        # Fields that somebody on the way cut off would leave an authentic packet that tells less.
        fields = verify_tlvs(data[AUTHENTICATED_LENGTH:], packet.sequence, key)
    except WireError:
        raise Unauthentic("forged") from None
    return packet, tlv.read_telemetry(fields)


def sign_sender(packet: SenderPacket, key: bytes) -> bytes:
    """112 octets."""
    return _signed(_SENDER.pack(*packet), key)


def sign_reflector(packet: ReflectorPacket, key: bytes) -> bytes:
    """112 octets."""
    return _signed(_REFLECTOR.pack(*packet), key)


def verify_sender(data: bytes, key: bytes) -> SenderPacket:
    """The first 112 octets of a request. Raises WireError if they are short, changed, or signed with another key."""
    return SenderPacket._make(_SENDER.unpack(_verified(data, key)))


def verify_reflector(data: bytes, key: bytes) -> ReflectorPacket:
    """The first 112 octets of a reply. Raises WireError if they are short, changed, or signed with another key."""
    return ReflectorPacket._make(_REFLECTOR.unpack(_verified(data, key)))


def sign_tlvs(block: bytes, sequence: int, key: bytes, flags: int = tlv.UNRECOGNIZED) -> bytes:
    """Fields with the HMAC field behind them; `sequence` is the packet's own. A sender sets the flag U, a reflector
    none."""
    value = truncated_hmac(key, sequence.to_bytes(4, "big") + block)
    return block + _HMAC_HEADER.pack(flags, tlv.HMAC, HMAC_LENGTH) + value


def verify_tlvs(block: bytes, sequence: int, key: bytes) -> bytes:
    """The fields before the HMAC field. Raises WireError if it is missing or wrong, or more than padding follows it."""
    if len(block) == _OUR_LENGTH and block[-_HMAC_FIELD + 1 : -HMAC_LENGTH] == _HMAC_HEAD:
        before = block[:-_HMAC_FIELD]
        if hmac.compare_digest(truncated_hmac(key, sequence.to_bytes(4, "big") + before), block[-HMAC_LENGTH:]):
            return before
    fields, rest = tlv.split_tlvs(block)
    kinds = [field.type for field in fields]
    if tlv.HMAC not in kinds:
        raise WireError("the fields carry no HMAC")
    place = kinds.index(tlv.HMAC)
    if rest or any(kind != tlv.EXTRA_PADDING for kind in kinds[place + 1 :]):
        raise WireError("fields follow the HMAC")
    before = b"".join(map(tlv.encode_tlv, fields[:place]))
    if not hmac.compare_digest(truncated_hmac(key, sequence.to_bytes(4, "big") + before), fields[place].value):
        raise WireError("the fields' HMAC does not match")
    return before


def _signed(text: bytes, key: bytes) -> bytes:
    return text + truncated_hmac(key, text)


def _verified(data: bytes, key: bytes) -> bytes:
    if len(data) < AUTHENTICATED_LENGTH:
        raise WireError(f"authenticated packet of {len(data)} octets; the least is {AUTHENTICATED_LENGTH}")
    text = data[:_SIGNED]
    if not hmac.compare_digest(truncated_hmac(key, text), data[_SIGNED:AUTHENTICATED_LENGTH]):
        raise WireError("the HMAC does not match")
    if not text[_MULTIPLIER]:
        raise WireError("the error estimate's multiplier is zero")
    return text
