"""A clock in a network card against the host's clock, from the layouts in which the kernel compares the two. Pure.

struct ptp_sys_offset_extended of linux/ptp_clock.h: the number of samples (4 octets), 12 reserved, then 25 times
three times (host before, card, host after); a time is a signed 64-bit second, a 32-bit nanosecond and 4 octets
reserved. The older struct ptp_sys_offset has 51 times in a row instead, host and card in turn, beginning and ending
with the host. The sample whose two host times lie closest together bounds the comparison best: the card was read
between them.

A card that follows PTP counts International Atomic Time (TAI), which is ahead of UTC by a whole number of seconds.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

SECOND_NS = 1_000_000_000
PTP_SYS_OFFSET_EXTENDED = 0xC4C03D09
PTP_SYS_OFFSET = 0x43403D05
PTP_SYS_OFFSET_PRECISE = 0xC0403D08
MOST_SAMPLES = 25
EXTENDED_LENGTH = 1216
BASIC_LENGTH = 832
PRECISE_LENGTH = 64
_HEAD = struct.Struct("=I12x")
_TIME = struct.Struct("=qI4x")


@dataclass(frozen=True, slots=True)
class Comparison:
    """The card was read between two readings of the host's clock; ns."""

    before_ns: int
    card_ns: int
    after_ns: int

    @property
    def width_ns(self) -> int:
        """How long the reading took; the offset is known to within half of it."""
        return self.after_ns - self.before_ns

    def offset_ns(self, card_minus_utc_s: int) -> int:
        """Host's clock minus the card's idea of UTC."""
        return (self.before_ns + self.after_ns) // 2 - (self.card_ns - card_minus_utc_s * SECOND_NS)


def encode_request(samples: int, *, extended: bool) -> bytearray:
    """The structure to hand to the kernel."""
    if not 1 <= samples <= MOST_SAMPLES:
        raise ValueError(f"{samples} samples; from 1 to {MOST_SAMPLES}")
    data = bytearray(EXTENDED_LENGTH if extended else BASIC_LENGTH)
    _HEAD.pack_into(data, 0, samples)
    return data


def decode_extended(data: bytes | bytearray) -> list[Comparison]:
    """All samples. Raises ValueError for a structure that cannot be."""
    samples = _samples(data, EXTENDED_LENGTH)
    times = [_time_ns(data, 16 + 16 * place) for place in range(3 * samples)]
    return [Comparison(*times[place : place + 3]) for place in range(0, 3 * samples, 3)]


def decode_basic(data: bytes | bytearray) -> list[Comparison]:
    """All samples; neighbours share a reading of the host's clock. Raises ValueError."""
    samples = _samples(data, BASIC_LENGTH)
    times = [_time_ns(data, 16 + 16 * place) for place in range(2 * samples + 1)]
    return [Comparison(*times[place : place + 3]) for place in range(0, 2 * samples, 2)]


def decode_precise(data: bytes | bytearray) -> Comparison:
    """struct ptp_sys_offset_precise: card, host, raw host, caught at once by hardware. Raises ValueError."""
    if len(data) != PRECISE_LENGTH:
        raise ValueError(f"{len(data)} octets; the structure has {PRECISE_LENGTH}")
    card_ns, host_ns = _time_ns(data, 0), _time_ns(data, 16)
    return Comparison(host_ns, card_ns, host_ns)


def _samples(data: bytes | bytearray, length: int) -> int:
    if len(data) != length:
        raise ValueError(f"{len(data)} octets; the structure has {length}")
    samples: int = _HEAD.unpack_from(data)[0]
    if not 1 <= samples <= MOST_SAMPLES:
        raise ValueError(f"{samples} samples; from 1 to {MOST_SAMPLES}")
    return samples


def _time_ns(data: bytes | bytearray, place: int) -> int:
    seconds, nanoseconds = _TIME.unpack_from(data, place)
    if nanoseconds >= SECOND_NS:
        raise ValueError(f"{nanoseconds} nanoseconds do not fit in a second")
    return int(seconds) * SECOND_NS + int(nanoseconds)


def narrowest(comparisons: Sequence[Comparison]) -> Comparison | None:
    """The sample that says most; None where the host's clock went backwards in all of them, so that none says any."""
    sound = [one for one in comparisons if one.width_ns >= 0]
    return min(sound, key=lambda one: one.width_ns) if sound else None


def scale_notice(offset_ns: int, tai_minus_utc_s: int, counts_tai: bool) -> str:
    """Words about a card that seems to count the other scale than it was declared to; empty if it does not."""
    apart_s = tai_minus_utc_s if counts_tai else -tai_minus_utc_s
    # Read by the wrong scale, the host seems ahead of (or behind) the card by TAI - UTC.
    if tai_minus_utc_s == 0 or abs(offset_ns - apart_s * SECOND_NS) >= SECOND_NS // 2:
        return ""
    counted, other = ("TAI", "UTC") if counts_tai else ("UTC", "TAI")
    return f"it is declared to count {counted}, and seems to count {other}: off by {abs(apart_s)} s"
