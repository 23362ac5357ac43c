"""NTP packets (RFC 5905 figure 8) <-> bytes, without extension fields and message digests. Pure.

48 octets, big-endian; what follows them is not read. Time stamps stay raw 64-bit integers (timestamps.py reads them).
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from noonmark.agent.timestamps import SECOND_NS, WireError

PORT = 123
LENGTH = 48
CLIENT, SERVER = 3, 4
VERSION = 4
UNSYNCHRONIZED_LEAP = 3
MOST_STRATUM = 15
_PACKET = struct.Struct("!BBbbII4sQQQQ")


class NtpPacket(NamedTuple):
    """One packet's fields, in the order of the wire."""

    leap: int = 0
    """0 none, 1 insert, 2 delete, 3 unknown: the clock is not synchronized."""
    version: int = VERSION
    mode: int = CLIENT
    stratum: int = 0
    """0: unspecified, and then the reference identifier is a kiss code; 1: primary."""
    poll: int = 0
    """Log2 seconds."""
    precision: int = 0
    """Log2 seconds."""
    root_delay: int = 0
    """Seconds in 16.16 bits, as is the next."""
    root_dispersion: int = 0
    reference_id: bytes = bytes(4)
    reference: int = 0
    origin: int = 0
    receive: int = 0
    transmit: int = 0

    @property
    def kiss_code(self) -> str:
        """Four letters of a server that wants something else than to tell the time; empty if it does not."""
        if self.stratum:
            return ""
        return "".join(chr(octet) for octet in self.reference_id if 32 < octet < 127)


def encode(packet: NtpPacket) -> bytes:
    """48 octets."""
    first = packet.leap << 6 | packet.version << 3 | packet.mode
    return _PACKET.pack(first, *packet[3:])


def decode(data: bytes) -> NtpPacket:
    """The first 48 octets. Raises WireError if there are fewer."""
    if len(data) < LENGTH:
        raise WireError(f"NTP packet of {len(data)} octets; the least is {LENGTH}")
    first, *rest = _PACKET.unpack_from(data)
    return NtpPacket(first >> 6, first >> 3 & 7, first & 7, *rest)


def short_ns(value: int) -> int:
    """A 16.16 span in nanoseconds, rounded up."""
    return -(-value * SECOND_NS >> 16)


def to_short(span_ns: int) -> int:
    """Nanoseconds as a 16.16 span, rounded up and held within its range."""
    return min(max(0, -((-span_ns << 16) // SECOND_NS)), 0xFFFF_FFFF)


def precision_ns(log2_seconds: int) -> int:
    """2^n seconds in nanoseconds, rounded up; a year at most."""
    if log2_seconds >= 0:
        return int(SECOND_NS << min(log2_seconds, 25))
    return -(-SECOND_NS >> min(-log2_seconds, 60))
