"""Ancillary data of a received message -> kernel time stamps and packet details. Pure: octets in, values out.

Linux's numbers (include/uapi/asm-generic/socket.h, linux/in.h, linux/in6.h, linux/errqueue.h); Python 3.11 names none
of those for time stamps. All lengths are checked: what does not fit counts as not told.

A kernel stamp (SCM_TIMESTAMPING) is three times in a row: by software on CLOCK_REALTIME; disused; by the network card
on the card's own clock. The first is the clock that this program compares; the third is read where card stamps are
asked for (card_time.py).
"""

from __future__ import annotations

import struct
import sys

SOL_SOCKET, SOL_IP, SOL_IPV6 = 1, 0, 41
SCM_TIMESTAMPNS, SCM_TIMESTAMPING, SCM_TIMESTAMPING_NEW = 35, 37, 65
IP_TTL, IP_PKTINFO, IP_RECVERR = 2, 8, 11
IPV6_RECVERR, IPV6_PKTINFO, IPV6_HOPLIMIT = 25, 50, 52
ORIGIN_TIMESTAMPING = 4
"""SO_EE_ORIGIN_TIMESTAMPING."""
SENT = 0
"""SCM_TSTAMP_SND: the stamp of the packet's leaving, not of its scheduling."""

AncillaryData = list[tuple[int, int, bytes]]

_HEADER = struct.Struct("@Nii")
_ALIGN = struct.calcsize("@N")
_TIME_64 = struct.Struct("=qq").unpack_from
_TIME_32 = struct.Struct("=ii").unpack_from
# sock_extended_err: of its 16 octets the origin, the kind of stamp, and the count.
_EXTENDED_ERROR = struct.Struct("=4xB3xII").unpack_from
_PACKET_INFO_4 = struct.Struct("=i4s4s")
_HOP_LIMITS = ((SOL_IP, IP_TTL), (SOL_IPV6, IPV6_HOPLIMIT))
_ERRORS = ((SOL_IP, IP_RECVERR), (SOL_IPV6, IPV6_RECVERR))
_STAMPS = (SCM_TIMESTAMPING, SCM_TIMESTAMPING_NEW, SCM_TIMESTAMPNS)
# Where a small number's octet lies in a C int.
_LOW_OCTET = 0 if sys.byteorder == "little" else 3


# What 64-bit kernels give: a stamp and a hop limit; a stamp and an extended error.
_USUAL_RECEIVE_LENGTH = 64 + 24
_USUAL_RECEIVE = struct.Struct("@Nii qq 32x Nii" + ("B" if sys.byteorder == "little" else "3xB")).unpack_from
_USUAL_RECEIVE_HEADS = (64, SOL_SOCKET, SCM_TIMESTAMPING, 20)
_USUAL_TRANSMIT_LENGTH = 64 + 32
_USUAL_TRANSMIT = struct.Struct("@Nii qq 32x 8xii 4xB3xII").unpack_from
_USUAL_TRANSMIT_HEADS = (64, SOL_SOCKET, SCM_TIMESTAMPING, ORIGIN_TIMESTAMPING, SENT)


def _time_ns(data: bytes) -> int:
    """The first time of a stamp (one or three in a row, 64 or 32 bits wide); 0 where it is none."""
    length = len(data)
    if length in (48, 16):
        seconds, nanoseconds = _TIME_64(data)
    elif length in (24, 8):
        seconds, nanoseconds = _TIME_32(data)
    else:
        return 0
    return int(seconds) * 1_000_000_000 + int(nanoseconds)


def split(control: bytes) -> AncillaryData:
    """A buffer of ancillary data as (level, kind, data), as cmsg(3)'s macros walk it; ends at the first nonsense."""
    messages: AncillaryData = []
    position = 0
    while position + _HEADER.size <= len(control):
        length, level, kind = _HEADER.unpack_from(control, position)
        if not _HEADER.size <= length <= len(control) - position:
            break
        messages.append((level, kind, control[position + _HEADER.size : position + length]))
        position += length + -length % _ALIGN
    return messages


def join(messages: AncillaryData) -> bytes:
    """The other way round, for sending."""
    control = b""
    for level, kind, data in messages:
        length = _HEADER.size + len(data)
        control += _HEADER.pack(length, level, kind) + data + bytes(-length % _ALIGN)
    return control


def receive_details_at(control: bytes | bytearray, start: int, length: int) -> tuple[int, int]:
    """`receive_details` of ancillary data within a buffer; the usual layout is read in one stroke."""
    if length == _USUAL_RECEIVE_LENGTH:
        first, level, kind, seconds, nanoseconds, second, level2, kind2, low = _USUAL_RECEIVE(control, start)
        if (first, level, kind, second) == _USUAL_RECEIVE_HEADS and (level2, kind2) in _HOP_LIMITS:
            return seconds * 1_000_000_000 + nanoseconds, low
    return receive_details(split(bytes(control[start : start + length])))


def transmit_details_at(control: bytes | bytearray, start: int, length: int) -> tuple[int, int] | None:
    """`transmit_details` of ancillary data within a buffer; the usual layout is read in one stroke."""
    if length >= _USUAL_TRANSMIT_LENGTH:
        first, level, kind, seconds, nanoseconds, level2, kind2, origin, info, count = _USUAL_TRANSMIT(control, start)
        if (first, level, kind, origin, info) == _USUAL_TRANSMIT_HEADS and (level2, kind2) in _ERRORS and seconds:
            return count, seconds * 1_000_000_000 + nanoseconds
    return transmit_details(split(bytes(control[start : start + length])))


def receive_details(ancillary: AncillaryData) -> tuple[int, int]:
    """The kernel's receive stamp (CLOCK_REALTIME, ns) and TTL or hop limit of a received packet; 0 where not told."""
    time_ns = hop_limit = 0
    for level, kind, data in ancillary:
        if level == SOL_SOCKET:
            if kind == SCM_TIMESTAMPING and len(data) == 48:  # the usual case, without another call
                seconds, nanoseconds = _TIME_64(data)
                time_ns = seconds * 1_000_000_000 + nanoseconds
            elif kind in _STAMPS:
                time_ns = _time_ns(data)
        elif (level, kind) in _HOP_LIMITS and len(data) == 4:
            hop_limit = data[_LOW_OCTET]
    return time_ns, hop_limit


def transmit_details(ancillary: AncillaryData) -> tuple[int, int] | None:
    """Which packet left when, as a message of the error queue tells it.

    That is its count on the socket (SOF_TIMESTAMPING_OPT_ID) and CLOCK_REALTIME in ns. None if the message tells
    something else, such as an ICMP error.
    """
    time_ns = 0
    identifier = -1
    for level, kind, data in ancillary:
        if level == SOL_SOCKET:
            if kind == SCM_TIMESTAMPING and len(data) == 48:
                seconds, nanoseconds = _TIME_64(data)
                time_ns = seconds * 1_000_000_000 + nanoseconds
            elif kind in _STAMPS:
                time_ns = _time_ns(data)
        elif (level, kind) in _ERRORS and len(data) >= 16:
            origin, info, count = _EXTENDED_ERROR(data)
            if origin == ORIGIN_TIMESTAMPING and info == SENT:
                identifier = count
    return (identifier, time_ns) if identifier >= 0 and time_ns else None


def card_time(ancillary: AncillaryData) -> int:
    """The card's stamp, on the card's own clock (ns); 0 where there is none."""
    for level, kind, data in ancillary:
        if level == SOL_SOCKET and kind in (SCM_TIMESTAMPING, SCM_TIMESTAMPING_NEW):
            if len(data) == 48:
                seconds, nanoseconds = _TIME_64(data, 32)
            elif len(data) == 24:
                seconds, nanoseconds = _TIME_32(data, 16)
            else:
                continue
            return int(seconds) * 1_000_000_000 + int(nanoseconds)
    return 0


def card_departure(ancillary: AncillaryData) -> tuple[int, int] | None:
    """Which packet the card stamped when, as a message of the error queue tells it; see `transmit_details`.

    With SOF_TIMESTAMPING_OPT_TX_SWHW the kernel's stamp and the card's come in messages of their own.
    """
    time_ns = card_time(ancillary)
    for level, kind, data in ancillary:
        if (level, kind) in _ERRORS and len(data) >= 16:
            origin, info, count = _EXTENDED_ERROR(data)
            if origin == ORIGIN_TIMESTAMPING and info == SENT and time_ns:
                return count, time_ns
    return None


def reply_source(ancillary: AncillaryData) -> list[tuple[int, int, bytes]]:
    """Ancillary data that makes a reply leave from the address that its request came to; empty if not told."""
    for level, kind, data in ancillary:
        if level == SOL_IP and kind == IP_PKTINFO and len(data) == _PACKET_INFO_4.size:
            _, local, _ = _PACKET_INFO_4.unpack(data)
            return [(SOL_IP, IP_PKTINFO, _PACKET_INFO_4.pack(0, local, bytes(4)))]
        if level == SOL_IPV6 and kind == IPV6_PKTINFO:
            return [(SOL_IPV6, IPV6_PKTINFO, data)]
    return []
