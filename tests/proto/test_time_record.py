from __future__ import annotations

import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.proto.time_record import (
    NO_LIMIT_NS,
    NOTHING,
    SIZE,
    BadRecord,
    TimeRecord,
    check_head,
    pack,
    read_at,
    unpack,
)

BOOT = bytes(range(16))
M0, B0, R0 = 5_000_000_000, 6_000_000_000, 1_795_589_703_000_000_000
RECORD = TimeRecord(M0, B0, R0, 1_500, 300, 1_000, 2_500, 2e-6, 1e-9, 15e-6, M0 + 10, 2, 3, BOOT)
i64 = st.integers(-(1 << 63), (1 << 63) - 1)
reals = st.floats(allow_nan=False, allow_infinity=False)
records = st.builds(
    TimeRecord, i64, i64, i64, i64, i64, i64, i64, reals, reals, reals, i64,
    st.integers(0, 9), st.integers(0, 9), st.binary(min_size=16, max_size=16),
)  # fmt: skip


def test_the_layout_is_as_documented() -> None:
    """Offsets of the table in the module's docstring, read with struct by themselves."""
    octets = pack(RECORD, 8)
    assert len(octets) == SIZE == 144
    assert octets[:8] == b"NOONTIME"
    assert struct.unpack_from("<IIQ", octets, 8) == (1, 144, 8)
    for at, value in ((24, M0), (32, B0), (40, R0), (48, 1_500), (56, 300), (64, 1_000), (72, 2_500), (104, M0 + 10)):
        assert struct.unpack_from("<q", octets, at) == (value,)
    assert struct.unpack_from("<ddd", octets, 80) == (2e-6, 1e-9, 15e-6)
    assert struct.unpack_from("<II", octets, 112) == (2, 3)
    assert octets[120:136] == BOOT
    assert struct.unpack_from("<II", octets, 136) == (zlib.crc32(octets[16:136]), 0)


@given(records, st.integers(0, 1 << 62))
def test_what_is_packed_is_read_back(record: TimeRecord, half: int) -> None:
    octets = pack(record, 2 * half)
    check_head(octets)
    assert unpack(octets) == record


@given(st.integers(16, 139), st.integers(1, 255))
def test_a_changed_octet_is_never_taken(place: int, change: int) -> None:
    octets = bytearray(pack(RECORD, 8))
    octets[place] ^= change
    assert unpack(bytes(octets)) is None


def test_a_record_that_is_being_written_is_not_taken() -> None:
    octets = bytearray(pack(RECORD, 8))
    octets[16] = 9
    assert unpack(bytes(octets)) is None
    with pytest.raises(ValueError, match="even"):
        pack(RECORD, 9)


@pytest.mark.parametrize(
    ("octets", "words"),
    [
        (b"", "0 octets"),
        (b"NOONTIME", "8 octets"),
        (b"SOMETIME" + bytes(136), "not a time record"),
        (b"NOONTIME" + struct.pack("<II", 2, 144) + bytes(128), "version 2"),
    ],
)
def test_other_files_are_refused(octets: bytes, words: str) -> None:
    with pytest.raises(BadRecord, match=words):
        check_head(octets)


def later(seconds: float, record: TimeRecord = RECORD, *, set_by_ns: int = 0, slept_ns: int = 0, boot: bytes = BOOT):
    gone = round(seconds * 1e9)
    return read_at(record, M0 + gone, B0 + gone + slept_ns, R0 + gone + set_by_ns, boot)


def test_at_the_moment_itself() -> None:
    reading = later(0)
    assert reading.known
    assert reading.reference_ns == R0 - 1_500
    assert reading.offset_ns == 1_500
    assert reading.uncertainty_ns in (300, 301)
    # The offset lies from 1000 to 2500 ns, so reference time from R0 - 2500 to R0 - 1000; a nanosecond for rounding.
    assert (reading.earliest_ns, reading.latest_ns) == (R0 - 2_500 - 1, R0 - 1_000 + 1)
    assert (reading.host_state, reading.reference_state) == ("measured", "locked")


def test_a_thousand_seconds_later_everything_is_wider() -> None:
    reading = later(1_000)
    # The clock gained 2 us a second: 2 ms; limits widen by 15 us a second: 15 ms (RFC 5905's PHI).
    assert reading.reference_ns == R0 + 10**12 - 1_500 - 2_000_000
    assert reading.offset_ns == 1_500 + 2_000_000
    assert reading.uncertainty_ns == pytest.approx((300**2 + 1_000**2) ** 0.5, abs=2)
    assert reading.earliest_ns is not None
    assert reading.latest_ns is not None
    assert reading.latest_ns - reading.reference_ns == pytest.approx(15_000_000 + 500, abs=2)
    assert reading.reference_ns - reading.earliest_ns == pytest.approx(15_000_000 + 1_000, abs=2)
    assert reading.age_ns == 10**12 - 10


@given(st.floats(0, 1e5), st.floats(0, 1e5))
def test_limits_never_shrink(one: float, other: float) -> None:
    early, late = (later(span) for span in sorted((one, other)))
    for reading in (early, late):
        assert reading.earliest_ns <= reading.reference_ns <= reading.latest_ns
    assert late.latest_ns - late.reference_ns >= early.latest_ns - early.reference_ns
    assert late.uncertainty_ns >= early.uncertainty_ns


def test_setting_the_clock_changes_its_offset_and_not_the_time() -> None:
    before, after = later(7), later(7, set_by_ns=3_600 * 10**9)
    assert after.reference_ns == before.reference_ns
    assert after.offset_ns == before.offset_ns + 3_600 * 10**9


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (later(5, slept_ns=30 * 10**9), "slept"),
        (later(5, boot=bytes(16)), "earlier boot"),
        (later(5, NOTHING), "nothing is known"),
        (later(5, RECORD._replace(uncertainty_ns=-1, host_state=3)), "no-route"),
    ],
)
def test_what_cannot_be_known_is_not_told(reading, words: str) -> None:
    assert not reading.known
    assert words in reading.reason
    assert reading.earliest_ns is None
    assert reading.latest_ns is None


def test_no_limits_and_states_of_a_newer_agent() -> None:
    reading = later(1, RECORD._replace(lower_ns=-NO_LIMIT_NS, upper_ns=NO_LIMIT_NS, host_state=77, reference_state=77))
    assert reading.known
    assert (reading.earliest_ns, reading.latest_ns) == (None, None)
    assert (reading.host_state, reading.reference_state) == ("unknown", "not told")
