"""Type-length-value fields behind a test packet (RFC 8972 section 4) <-> bytes. Pure.

Flags: U the reflector did not know the type, M it found the field malformed, I the integrity check failed. A sender
sets U alone; a reflector clears it where it knows the type. A block is never lengthened: a reply is as long as its
request.

Known types: Extra Padding (1), Follow-Up Telemetry (7), and our own in the range for experiments (240), the clock
epoch:

    0               1               2               3
    +---------------+---------------+---------------+---------------+
    |       clock epoch of the reflector; 0 from the sender         |
    +---------------+---------------+---------------+---------------+
    | t2 stamped by | t3 stamped by |            zero               |
    +---------------+---------------+---------------+---------------+

where "stamped by" are numbers of `noonmark.proto.records.StampSource`. Reflectors of other makes give it back with U
set.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from noonmark.agent.timestamps import WireError
from noonmark.proto.records import StampSource

UNRECOGNIZED, MALFORMED, INTEGRITY_FAILED = 0x80, 0x40, 0x20
EXTRA_PADDING, FOLLOW_UP, HMAC, CLOCK_EPOCH = 1, 7, 8, 240
HEADER = struct.Struct("!BBH")
FOLLOW_UP_VALUE = struct.Struct("!IQB3x")
CLOCK_EPOCH_VALUE = struct.Struct("!IBB2x")

# RFC 8972 section 4.3: how a stamp was taken.
METHOD_HARDWARE, METHOD_LOCAL, METHOD_CONTROL_PLANE = 1, 2, 3


class Tlv(NamedTuple):
    """One field as it stands in a packet."""

    flags: int
    type: int
    value: bytes


class FollowUp(NamedTuple):
    """The true departure of an earlier reply (RFC 8972 section 4.7); all zero when there is none to tell."""

    sequence: int = 0
    """The reflector's sequence number of that reply."""
    timestamp: int = 0
    method: int = 0


class ClockEpoch(NamedTuple):
    """Which stretch of its clock the reflector's stamps belong to, and how it took them."""

    epoch: int
    received_by: StampSource
    transmitted_by: StampSource


class Telemetry(NamedTuple):
    """What a reply's fields tell a sender; None where the reflector did not know the field."""

    follow_up: FollowUp | None
    clock_epoch: ClockEpoch | None


def encode_tlv(tlv: Tlv) -> bytes:
    """Header and value."""
    return HEADER.pack(tlv.flags, tlv.type, len(tlv.value)) + tlv.value


REQUEST_TLVS = encode_tlv(Tlv(UNRECOGNIZED, FOLLOW_UP, bytes(16))) + encode_tlv(
    Tlv(UNRECOGNIZED, CLOCK_EPOCH, bytes(8))
)
"""What our own requests carry."""


_ANSWER = struct.Struct("!BBHIQB3x BBHIBB2x").unpack
_ANSWER_HEADS = (0, FOLLOW_UP, 16, 0, CLOCK_EPOCH, 8)
_SOURCES = tuple(StampSource)


def split_tlvs(block: bytes) -> tuple[list[Tlv], bytes]:
    """Fields in order, and what is left from the first one on that runs over the end. Never raises."""
    tlvs: list[Tlv] = []
    position = 0
    while len(block) - position >= HEADER.size:
        flags, kind, length = HEADER.unpack_from(block, position)
        end = position + HEADER.size + length
        if end > len(block):
            break
        tlvs.append(Tlv(flags, kind, block[position + HEADER.size : end]))
        position = end
    return tlvs, block[position:]


def reflect_tlvs(block: bytes, follow_up: FollowUp, clock_epoch: ClockEpoch) -> bytes:
    """The block of a reply to a request with this block: of the same length, known fields filled, U and M set as due.

    A "field" whose flags are not those a sender must send is no field but padding of a sender that knows only RFC 8762:
    from there on everything is copied.
    """
    values = {FOLLOW_UP: FOLLOW_UP_VALUE.pack(*follow_up), CLOCK_EPOCH: CLOCK_EPOCH_VALUE.pack(*clock_epoch)}
    tlvs, rest = split_tlvs(block)
    parts: list[bytes] = []
    for position, tlv in enumerate(tlvs):
        if tlv.flags != UNRECOGNIZED:
            return b"".join(parts) + b"".join(map(encode_tlv, tlvs[position:])) + rest
        parts.append(encode_tlv(_reflected(tlv, values)))
        if parts[-1][0] & MALFORMED:
            return b"".join(parts) + b"".join(map(encode_tlv, tlvs[position + 1 :])) + rest
    if len(rest) >= HEADER.size and rest[0] == UNRECOGNIZED:
        known = rest[1] in values or rest[1] == EXTRA_PADDING
        rest = bytes([MALFORMED if known else UNRECOGNIZED | MALFORMED]) + rest[1:]
    return b"".join(parts) + rest


def _reflected(tlv: Tlv, values: dict[int, bytes]) -> Tlv:
    if tlv.type == EXTRA_PADDING:
        return tlv._replace(flags=0)
    value = values.get(tlv.type)
    if value is None:
        return tlv
    if len(value) != len(tlv.value):
        return tlv._replace(flags=MALFORMED)
    return Tlv(0, tlv.type, value)


def read_telemetry(block: bytes) -> Telemetry:
    """What a reply's block tells, by RFC 8972's rules for a sender: U skips a field, M ends the block, I voids it all.

    Raises WireError if a field that the reflector says it knew is not what it should be.
    """
    if len(block) == len(REQUEST_TLVS):  # the answer to our own request, in one stroke
        *first, sequence, timestamp, method, flags, kind, length, epoch, received, transmitted = _ANSWER(block)
        heads = (*first, flags, kind, length)
        if heads == _ANSWER_HEADS and received < len(_SOURCES) and transmitted < len(_SOURCES):
            told = ClockEpoch(epoch, _SOURCES[received], _SOURCES[transmitted])
            return Telemetry(FollowUp(sequence, timestamp, method), told)
    follow_up: FollowUp | None = None
    clock_epoch: ClockEpoch | None = None
    for flags, kind, value in split_tlvs(block)[0]:
        if flags & INTEGRITY_FAILED:
            return Telemetry(None, None)
        if flags & MALFORMED:
            break
        if flags & UNRECOGNIZED:
            continue
        if kind == FOLLOW_UP:
            follow_up = FollowUp._make(_unpack(FOLLOW_UP_VALUE, value, "follow-up telemetry"))
        elif kind == CLOCK_EPOCH:
            clock_epoch = _clock_epoch(value)
    return Telemetry(follow_up, clock_epoch)


def _unpack(layout: struct.Struct, value: bytes, name: str) -> tuple[int, ...]:
    if len(value) != layout.size:
        raise WireError(f"{name}: {len(value)} octets instead of {layout.size}")
    return layout.unpack(value)


def _clock_epoch(value: bytes) -> ClockEpoch:
    epoch, received_by, transmitted_by = _unpack(CLOCK_EPOCH_VALUE, value, "clock epoch")
    try:
        return ClockEpoch(epoch, StampSource(received_by), StampSource(transmitted_by))
    except ValueError as error:
        raise WireError(f"clock epoch: {error}") from error
