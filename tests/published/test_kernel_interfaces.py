"""The kernel's interfaces that readers ask by number.

Request numbers follow from the kernel's own macros, sizes from the published structures, bits from linux/timex.h.

_IOC (include/uapi/asm-generic/ioctl.h): direction in bits 30-31, size in 16-29, letter in 8-15, number in 0-7. PPS's
macros name pointers, so their size is a pointer's (linux/pps.h); PTP's name the structures (linux/ptp_clock.h).
"""

from __future__ import annotations

import ctypes
import struct

import pytest

from noonmark.agent import hardware_clock, kernel_clock, pulses
from noonmark.proto.reference import KernelClock, Leap

WRITE, READ = 1, 2


def ioc(direction: int, letter: str, number: int, size: int) -> int:
    return direction << 30 | size << 16 | ord(letter) << 8 | number


def test_request_numbers() -> None:
    pointer = ctypes.sizeof(ctypes.c_void_p)
    assert ioc(READ | WRITE, "p", 0xA4, pointer) == pulses.PPS_FETCH
    assert ioc(READ, "p", 0xA3, pointer) == pulses.PPS_GETCAP
    assert ioc(WRITE, "=", 5, hardware_clock.BASIC_LENGTH) == hardware_clock.PTP_SYS_OFFSET
    assert ioc(READ | WRITE, "=", 9, hardware_clock.EXTENDED_LENGTH) == hardware_clock.PTP_SYS_OFFSET_EXTENDED


class PtpClockTime(ctypes.Structure):
    """struct ptp_clock_time of linux/ptp_clock.h."""

    _fields_ = (("sec", ctypes.c_int64), ("nsec", ctypes.c_uint32), ("reserved", ctypes.c_uint32))


class PtpSysOffset(ctypes.Structure):
    """struct ptp_sys_offset."""

    _fields_ = (("n_samples", ctypes.c_uint), ("rsv", ctypes.c_uint * 3), ("ts", PtpClockTime * 51))


class PtpSysOffsetExtended(ctypes.Structure):
    """struct ptp_sys_offset_extended."""

    _fields_ = (("n_samples", ctypes.c_uint), ("rsv", ctypes.c_uint * 3), ("ts", PtpClockTime * 3 * 25))


class PpsTime(ctypes.Structure):
    """struct pps_ktime of linux/pps.h."""

    _fields_ = (("sec", ctypes.c_int64), ("nsec", ctypes.c_int32), ("flags", ctypes.c_uint32))


class PpsInfo(ctypes.Structure):
    """struct pps_kinfo."""

    _fields_ = (
        ("assert_sequence", ctypes.c_uint32),
        ("clear_sequence", ctypes.c_uint32),
        ("assert_tu", PpsTime),
        ("clear_tu", PpsTime),
        ("current_mode", ctypes.c_int),
    )


class PpsData(ctypes.Structure):
    """struct pps_fdata."""

    _fields_ = (("info", PpsInfo), ("timeout", PpsTime))


def test_structures_have_their_published_sizes() -> None:
    assert ctypes.sizeof(PtpSysOffset) == hardware_clock.BASIC_LENGTH == 832
    assert ctypes.sizeof(PtpSysOffsetExtended) == hardware_clock.EXTENDED_LENGTH == 1216
    assert ctypes.sizeof(PpsData) == pulses.FETCH_LENGTH == 64


def test_a_pulse_is_read_from_the_published_structure() -> None:
    data = PpsData()
    data.info.assert_sequence, data.info.clear_sequence = 12, 13
    data.info.assert_tu = PpsTime(1_795_589_703, 1_234, 0)
    data.info.clear_tu = PpsTime(1_795_589_703, 100_001_234, 0)
    assert pulses.decode_fetch(bytes(data)) == pulses.Edge(12, 1_795_589_703_000_001_234)
    assert pulses.decode_fetch(bytes(data), clear=True) == pulses.Edge(13, 1_795_589_703_100_001_234)


def test_a_comparison_is_read_from_the_published_structure() -> None:
    data = PtpSysOffsetExtended(n_samples=2)
    for sample in range(2):
        for place in range(3):
            data.ts[sample][place] = PtpClockTime(100 + sample, place * 500, 0)
    found = hardware_clock.decode_extended(bytes(data))
    assert [(one.before_ns, one.card_ns, one.after_ns) for one in found] == [
        (100_000_000_000, 100_000_000_500, 100_000_001_000),
        (101_000_000_000, 101_000_000_500, 101_000_001_000),
    ]


def timex(**fields: int) -> bytes:
    """struct timex on 64-bit machines: 208 octets, fields at their offsets (sys/timex.h)."""
    data = bytearray(208)
    places = {"offset": (8, "q"), "freq": (16, "q"), "maxerror": (24, "q"), "esterror": (32, "q"), "status": (40, "i")}
    places |= {"tai": (160, "i")}
    for name, value in fields.items():
        place, form = places[name]
        struct.pack_into("=" + form, data, place, value)
    return bytes(data)


def test_a_machine_without_any_discipline() -> None:
    """What adjtimex says there: TIME_ERROR (5), STA_UNSYNC (0x40), 16 s."""
    assert kernel_clock.kernel_clock(5, timex(status=0x40, maxerror=16_000_000)) == KernelClock(
        False, 16_000_000_000, 0, 0.0, 0, Leap.NONE, 0, 0x40
    )


@pytest.mark.parametrize(
    ("state", "status", "synchronized", "leap"),
    [
        (0, 0x0001, True, Leap.NONE),  # STA_PLL
        (1, 0x0011, True, Leap.INSERT),  # TIME_INS, STA_INS
        (2, 0x0021, True, Leap.DELETE),  # TIME_DEL, STA_DEL
        (5, 0x0041, False, Leap.NONE),  # STA_UNSYNC
        (5, 0x1001, False, Leap.NONE),  # STA_CLOCKERR
        (5, 0x0005, False, Leap.NONE),  # TIME_ERROR for a pulse that is wanted and missing
    ],
)
def test_status_bits(state: int, status: int, synchronized: bool, leap: Leap) -> None:
    found = kernel_clock.kernel_clock(state, timex(status=status, maxerror=1))
    assert (found.synchronized, found.leap, found.status) == (synchronized, leap, status)


def test_units() -> None:
    """adjtimex(2): freq in 2^-16 ppm; offset in ns with STA_NANO (0x2000), else us; maxerror, esterror always in us."""
    fields = {"freq": 65_536 * 100, "offset": -1_500, "maxerror": 7, "esterror": 3, "tai": 37}
    found = kernel_clock.kernel_clock(0, timex(status=0x2001, **fields))
    assert found.frequency == pytest.approx(100e-6)
    assert (found.offset_ns, found.maximum_error_ns, found.estimated_error_ns) == (-1_500, 7_000, 3_000)
    assert found.tai_minus_utc_s == 37
    assert kernel_clock.kernel_clock(0, timex(status=0x0001, **fields)).offset_ns == -1_500_000
    assert kernel_clock.kernel_clock(0, timex(freq=-32_768_000)).frequency == pytest.approx(-500e-6)
