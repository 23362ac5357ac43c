"""Time stamps and error estimates as test packets carry them <-> integers. Pure: values in, values out.

Two 64-bit formats (RFC 8762 section 4.2.1, RFC 8186): NTP (RFC 5905 section 6: seconds since 1900 and a binary
fraction, 2^-32 s a step) and truncated PTP (RFC 8186 section 2.2: seconds of International Atomic Time since 1970,
nanoseconds). Both drop the higher bits of the seconds, so decoding needs a *pivot*: the answer is the instant within
68 years of it.

Nanoseconds survive both ways: encoding into NTP's format rounds down, decoding rounds to the nearest nanosecond.
"""

from __future__ import annotations

from dataclasses import dataclass

SECOND_NS = 1_000_000_000
NTP_TO_UNIX_S = 2_208_988_800
"""From 1900-01-01 to 1970-01-01 (RFC 5905 figure 4)."""
TAI_MINUS_UTC_S = 37
"""Since 2017-01-01; used where the host does not tell."""

_NTP_TO_UNIX = NTP_TO_UNIX_S << 32
_MASK_64 = 0xFFFF_FFFF_FFFF_FFFF
_MASK = 0xFFFF_FFFF
_HALF = 0x8000_0000


class WireError(ValueError):
    """Octets from outside that are no valid packet, or part of one; the text says which part."""


def encode_ntp(time_ns: int) -> int:
    """POSIX nanoseconds to NTP's 64-bit format, rounded down."""
    return ((time_ns << 32) // SECOND_NS + _NTP_TO_UNIX) & _MASK_64


def decode_ntp(stamp: int, pivot_ns: int) -> int:
    """NTP's 64-bit format to POSIX nanoseconds, rounded to the nearest, in the era that is nearest to the pivot."""
    seconds = _nearest((stamp >> 32) - NTP_TO_UNIX_S, pivot_ns // SECOND_NS)
    return seconds * SECOND_NS + (((stamp & _MASK) * SECOND_NS + _HALF) >> 32)


def encode_ptp(time_ns: int, tai_minus_utc_s: int = TAI_MINUS_UTC_S) -> int:
    """POSIX nanoseconds to the truncated PTP format."""
    seconds, nanoseconds = divmod(time_ns, SECOND_NS)
    return ((seconds + tai_minus_utc_s) & _MASK) << 32 | nanoseconds


def decode_ptp(stamp: int, pivot_ns: int, tai_minus_utc_s: int = TAI_MINUS_UTC_S) -> int:
    """Truncated PTP format to POSIX nanoseconds. Raises WireError where the nanoseconds make a second or more."""
    nanoseconds = stamp & _MASK
    if nanoseconds >= SECOND_NS:
        raise WireError(f"time stamp: {nanoseconds} nanoseconds do not fit in a second")
    return _nearest((stamp >> 32) - tai_minus_utc_s, pivot_ns // SECOND_NS) * SECOND_NS + nanoseconds


def _nearest(seconds: int, pivot_s: int) -> int:
    """The number congruent to `seconds` modulo 2^32 that is nearest to the pivot."""
    return pivot_s + ((seconds - pivot_s + _HALF) & _MASK) - _HALF


@dataclass(frozen=True, slots=True)
class ErrorEstimate:
    """How far a stamp may be from true time (RFC 4656 section 4.1.2): multiplier * 2^(scale - 32) seconds."""

    synchronized: bool
    """The clock is set from a source outside the host (bit S)."""
    ptp: bool
    """The packet's own time stamps are in PTP's format, not NTP's (bit Z, RFC 8186)."""
    scale: int
    multiplier: int

    @property
    def error_ns(self) -> int:
        """The estimate in nanoseconds, rounded up."""
        return -((-self.multiplier * SECOND_NS << self.scale) >> 32)


def encode_error_estimate(error_ns: int, *, synchronized: bool, ptp: bool = False) -> int:
    """The least 16-bit error estimate that is not below `error_ns` (nor the format's step, 0.23 ns)."""
    units = max(1, -((-error_ns << 32) // SECOND_NS))
    scale = max(0, units.bit_length() - 8)
    multiplier = -(-units >> scale)
    if multiplier > 255:
        scale, multiplier = scale + 1, 128
    if scale > 63:
        scale, multiplier = 63, 255
    return synchronized << 15 | ptp << 14 | scale << 8 | multiplier


def decode_error_estimate(field: int) -> ErrorEstimate:
    """Raises WireError for the multiplier zero, which RFC 4656 calls corrupt."""
    multiplier = field & 0xFF
    if not multiplier:
        raise WireError("error estimate: the multiplier is zero")
    return ErrorEstimate(bool(field & 0x8000), bool(field & 0x4000), field >> 8 & 0x3F, multiplier)


def decode_timestamp(stamp: int, error_estimate: int, pivot_ns: int, tai_minus_utc_s: int = TAI_MINUS_UTC_S) -> int:
    """A stamp in the format that its packet's error estimate names. Raises WireError as `decode_ptp` does."""
    if error_estimate & 0x4000:
        return decode_ptp(stamp, pivot_ns, tai_minus_utc_s)
    return decode_ntp(stamp, pivot_ns)
