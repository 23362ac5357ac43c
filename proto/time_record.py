"""The record that tells programs on a host what the reference time is: its layout, and what it says. Pure.

A file of `SIZE` octets, little-endian, to be mapped; one agent writes it, anybody reads it.

======  ====  =================================================================================================
offset  type  meaning
======  ====  =================================================================================================
0       8s    magic, "NOONTIME"
8       u32   version of this layout, 1; a reader refuses another one
12      u32   octets of the record, 144
16      u64   sequence: odd while the record is being written, even and higher by two after it
24      i64   as-of, CLOCK_MONOTONIC, ns: the moment that all numbers speak of
32      i64   as-of, CLOCK_BOOTTIME, ns
40      i64   as-of, CLOCK_REALTIME, ns: what the host's clock read then
48      i64   offset, ns: the host's clock minus the reference, then; positive: ahead
56      i64   standard uncertainty of it (k = 1), ns; -1: nothing is known (then offset and limits mean nothing)
64      i64   lower certain limit of the offset, ns; -2^62: none
72      i64   upper certain limit of the offset, ns; 2^62: none
80      f64   drift: what CLOCK_MONOTONIC gains on the reference in a second
88      f64   standard uncertainty of the drift
96      f64   limits widen by so many seconds a second from as-of on, on either side
104     i64   CLOCK_MONOTONIC when the collector last told something, ns
112     u32   state of the host: 0 unknown, 1 reference, 2 measured, 3 no-route, 4 stale
116     u32   state of the references it rests on: 0 not told, 1 free-run, 2 holdover, 3 locked
120     16s   identifier of the boot that the monotonic times belong to (RFC 9562 octets); zeros: not told
136     u32   CRC-32 (ISO-HDLC, as in zlib) of octets 16 to 135, with the even sequence
140     u32   zero
======  ====  =================================================================================================

Reading: copy the record; if its sequence is odd or its CRC does not fit, copy again. The CRC makes this safe on
machines that reorder memory accesses as well. Then, with m = CLOCK_MONOTONIC now, t = (m - as-of)/1e9 seconds:

    reference time = as-of realtime - offset + (m - as-of) (1 - drift)
    its standard uncertainty = hypot(uncertainty, t * uncertainty of the drift)
    earliest = reference time - (upper - offset) - t * widening
    latest = reference time + (offset - lower) + t * widening

so nothing depends on whether somebody set CLOCK_REALTIME since. Where the boot is another, or CLOCK_BOOTTIME gained on
CLOCK_MONOTONIC since as-of (the host slept), nothing is known.
"""

from __future__ import annotations

import struct
import zlib
from typing import NamedTuple

MAGIC = b"NOONTIME"
VERSION = 1
HEAD = struct.Struct("<8sIIQ")
BODY = struct.Struct("<qqqqqqqdddqII16s")
TAIL = struct.Struct("<II")
SIZE = HEAD.size + BODY.size + TAIL.size
SEQUENCE_AT = 16
BODY_AT = HEAD.size
TAIL_AT = HEAD.size + BODY.size
SEQUENCE = struct.Struct("<Q")
UNKNOWN = -1
"""An uncertainty that says that nothing is known."""
NO_LIMIT_NS = 1 << 62
HOST_STATES = ("unknown", "reference", "measured", "no-route", "stale")
REFERENCE_STATES = ("not told", "free-run", "holdover", "locked")


class TimeRecord(NamedTuple):
    """The body, field by field; see the table above."""

    monotonic_ns: int
    boottime_ns: int
    realtime_ns: int
    offset_ns: int
    uncertainty_ns: int
    lower_ns: int
    upper_ns: int
    drift: float
    drift_uncertainty: float
    widening: float
    told_ns: int
    host_state: int
    reference_state: int
    boot: bytes


NOTHING = TimeRecord(0, 0, 0, 0, UNKNOWN, -NO_LIMIT_NS, NO_LIMIT_NS, 0.0, 0.0, 0.0, 0, 0, 0, bytes(16))
"""What an agent says before it was told anything."""


class BadRecord(ValueError):  # noqa: N818 - named for what the catcher holds
    """Octets that are no record of this layout; the text says why."""


def pack(record: TimeRecord, sequence: int) -> bytes:
    """The whole file with an even sequence. Raises ValueError for an odd one."""
    if sequence % 2:
        raise ValueError("a record that is whole has an even sequence")
    body = BODY.pack(*record)
    check = zlib.crc32(body, zlib.crc32(SEQUENCE.pack(sequence)))
    return HEAD.pack(MAGIC, VERSION, SIZE, sequence) + body + TAIL.pack(check, 0)


def check_head(octets: bytes) -> None:
    """Raises BadRecord if these are no record that this layout describes."""
    if len(octets) < SIZE:
        raise BadRecord(f"{len(octets)} octets are too few for a time record; there are {SIZE}")
    magic, version, size, _ = HEAD.unpack_from(octets)
    if magic != MAGIC:
        raise BadRecord("not a time record: its first octets are not NOONTIME")
    if version != VERSION or size != SIZE:
        raise BadRecord(f"a time record of version {version} with {size} octets; this reader knows version {VERSION}")


def unpack(octets: bytes) -> TimeRecord | None:
    """The record in a copy of the file, whose head was checked before; None if it was torn or is being written."""
    (sequence,) = SEQUENCE.unpack_from(octets, SEQUENCE_AT)
    if sequence & 1:
        return None
    (check, _) = TAIL.unpack_from(octets, TAIL_AT)
    if zlib.crc32(octets[SEQUENCE_AT:TAIL_AT]) != check:
        return None
    return TimeRecord._make(BODY.unpack_from(octets, BODY_AT))


class TimeReading(NamedTuple):
    """What the time is; times in ns since 1970 (POSIX) on the reference's scale, at the moment of the question."""

    known: bool
    """False: the rest means nothing but the states and `age_ns`; see `reason`."""
    reason: str
    reference_ns: int
    """Reference time now, as estimated."""
    uncertainty_ns: int
    """Standard (k = 1)."""
    earliest_ns: int | None
    """It is certainly not earlier than this; None: no limit is known."""
    latest_ns: int | None
    """Nor later than this."""
    offset_ns: int
    """CLOCK_REALTIME minus reference time, now; positive: the host's clock is ahead."""
    host_state: str
    reference_state: str
    """locked, holdover or free-run: of the references that all this rests on; `not told`."""
    age_ns: int
    """How long ago the collector last told something; the numbers are as much wider for it."""


def read_at(record: TimeRecord, monotonic_ns: int, boottime_ns: int, realtime_ns: int, boot: bytes) -> TimeReading:
    """What a record says at a moment of the host's clocks, read together."""
    (
        as_of_ns, as_of_boot_ns, as_of_real_ns, offset_ns, uncertainty_ns, lower_ns, upper_ns,
        drift, drift_uncertainty, widening, told_ns, host_state, reference_state, of_boot,
    ) = record  # fmt: skip
    host = HOST_STATES[host_state] if host_state < len(HOST_STATES) else HOST_STATES[0]
    states = REFERENCE_STATES
    resting_on = states[reference_state] if reference_state < len(states) else states[0]
    age_ns = monotonic_ns - told_ns
    reason = ""
    if uncertainty_ns < 0:
        reason = "nothing is known of this host's clock yet" if not told_ns else f"this host's clock is {host}"
    elif of_boot != boot and any(of_boot):
        reason = "the record is of an earlier boot: no agent has told anything since"
    elif boottime_ns - monotonic_ns - (as_of_boot_ns - as_of_ns) > SLEPT_NS:
        reason = "the host has slept since the clock was last measured"
    if reason:
        return TimeReading(False, reason, 0, 0, None, None, 0, host, resting_on, max(0, age_ns))
    elapsed_ns = monotonic_ns - as_of_ns
    reference_ns = as_of_real_ns - offset_ns + elapsed_ns - round(drift * elapsed_ns)
    spread = drift_uncertainty * elapsed_ns
    widened = int(widening * abs(elapsed_ns)) + 1
    return TimeReading(
        True,
        "",
        reference_ns,
        int((uncertainty_ns * uncertainty_ns + spread * spread) ** 0.5) + 1,
        None if upper_ns >= NO_LIMIT_NS else reference_ns - (upper_ns - offset_ns) - widened,
        None if lower_ns <= -NO_LIMIT_NS else reference_ns + (offset_ns - lower_ns) + widened,
        realtime_ns - reference_ns,
        host,
        resting_on,
        max(0, age_ns),
    )


SLEPT_NS = 10_000_000
"""CLOCK_BOOTTIME and CLOCK_MONOTONIC, read one after the other, differ by less than this unless the host slept."""
