"""What only a C library call tells of the kernel's clock: its discipline, and a notice when it is set. Rim.

Python has no adjtimex (read here without any right to change) nor, before 3.13, timerfd. Where the C library lacks
them, or a sandbox refuses them, the answer is None and the caller does without.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import time
from dataclasses import dataclass

from noonmark.agent.timestamps import TAI_MINUS_UTC_S
from noonmark.proto.reference import KernelClock, Leap

STA_INS, STA_DEL, STA_UNSYNC, STA_CLOCKERR, STA_NANO = 0x10, 0x20, 0x40, 0x1000, 0x2000
TIME_ERROR = 5
MAXIMUM_ERROR_NS = 16_000_000_000
"""Where the kernel stops counting; what an undisciplined clock shows (NTP_PHASE_LIMIT of linux/timex.h)."""
_TFD_TIMER_ABSTIME, _TFD_TIMER_CANCEL_ON_SET = 1, 2
_LONG_BITS = ctypes.sizeof(ctypes.c_long) * 8
# A moment that never comes: the year 2255, or 2038 where time is 32 bits wide.
_FAR_S = 9_000_000_000 if _LONG_BITS == 64 else 2**31 - 1


@dataclass(frozen=True, slots=True)
class Discipline:
    """How the kernel says its clock is kept (adjtimex(2))."""

    synchronized: bool
    maximum_error_ns: int
    tai_minus_utc_s: int


UNKNOWN_DISCIPLINE = Discipline(False, MAXIMUM_ERROR_NS, TAI_MINUS_UTC_S)


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time", ctypes.c_long * 2),
        ("tick", ctypes.c_long),
        ("ppsfreq", ctypes.c_long),
        ("jitter", ctypes.c_long),
        ("shift", ctypes.c_int),
        ("stabil", ctypes.c_long),
        ("jitcnt", ctypes.c_long),
        ("calcnt", ctypes.c_long),
        ("errcnt", ctypes.c_long),
        ("stbcnt", ctypes.c_long),
        ("tai", ctypes.c_int),
        ("reserved", ctypes.c_int * 11),
    )


class _Itimerspec(ctypes.Structure):
    _fields_ = (("interval", ctypes.c_long * 2), ("value", ctypes.c_long * 2))


_LIBRARY = ctypes.CDLL(None, use_errno=True)


def read_discipline() -> Discipline:
    """Ask the kernel; `UNKNOWN_DISCIPLINE`, which claims nothing, where it does not answer."""
    state = _Timex()
    try:
        failed = _LIBRARY.adjtimex(ctypes.byref(state)) < 0
    except AttributeError:
        failed = True
    if failed:
        return UNKNOWN_DISCIPLINE
    return Discipline(not state.status & STA_UNSYNC, state.maxerror * 1000, state.tai or TAI_MINUS_UTC_S)


def read_kernel_clock() -> KernelClock | None:
    """The kernel's own view of its clock; None where it does not answer."""
    state = _Timex()
    try:
        clock_state = _LIBRARY.adjtimex(ctypes.byref(state))
    except AttributeError:
        return None
    return None if clock_state < 0 else kernel_clock(clock_state, bytes(state))


def kernel_clock(clock_state: int, timex: bytes) -> KernelClock:
    """What adjtimex(2) returned and wrote into struct timex, decoded. Raises ValueError for another length.

    `freq` is in 2^-16 ppm; `offset` in ns with STA_NANO, else us; `maxerror` and `esterror` always in us.
    """
    if len(timex) != ctypes.sizeof(_Timex):
        raise ValueError(f"{len(timex)} octets; struct timex has {ctypes.sizeof(_Timex)}")
    state = _Timex.from_buffer_copy(timex)
    bad = state.status & (STA_UNSYNC | STA_CLOCKERR)
    leap = Leap.INSERT if state.status & STA_INS else Leap.DELETE if state.status & STA_DEL else Leap.NONE
    return KernelClock(
        synchronized=not bad and clock_state != TIME_ERROR,
        maximum_error_ns=max(0, state.maxerror) * 1000,
        estimated_error_ns=max(0, state.esterror) * 1000,
        frequency=state.freq / 65_536e6,
        offset_ns=state.offset * (1 if state.status & STA_NANO else 1000),
        leap=leap,
        tai_minus_utc_s=state.tai,
        status=state.status & 0xFFFF,
    )


class SetNotice:
    """A descriptor that becomes readable when CLOCK_REALTIME is set (or the host wakes from sleep)."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    @classmethod
    def open(cls) -> SetNotice | None:
        """None where the kernel has no such timer."""
        try:
            descriptor = _LIBRARY.timerfd_create(time.CLOCK_REALTIME, os.O_NONBLOCK | os.O_CLOEXEC)
        except AttributeError:
            return None
        if descriptor < 0:
            return None
        notice = cls(descriptor)
        if notice._arm():
            return notice
        notice.close()
        return None

    def _arm(self) -> bool:
        value = _Itimerspec((0, 0), (_FAR_S, 0))
        flags = _TFD_TIMER_ABSTIME | _TFD_TIMER_CANCEL_ON_SET
        return bool(_LIBRARY.timerfd_settime(self._descriptor, flags, ctypes.byref(value), None) == 0)

    def fileno(self) -> int:
        """Descriptor to watch for reading."""
        return self._descriptor

    def acknowledge(self) -> None:
        """Take the notice and wait for the next; a read answers ECANCELED."""
        with contextlib.suppress(OSError):
            os.read(self._descriptor, 8)
        self._arm()

    def close(self) -> None:
        """Give the descriptor back."""
        os.close(self._descriptor)
