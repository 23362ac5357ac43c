"""The clock that everything is stamped with: the host's own, or, for demonstrations and tests, one with an error put
in. Rim.

A `Clock` is one host's view of time. All stamps pass through it, the kernel's too (`kernel_to_clock`), so an injected
error is seen exactly as a real one would be. `monotonic_ns` runs at the rate of `realtime_ns` (the kernel slews both
alike) and never jumps: their difference moves only when the clock is set or the host sleeps.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from noonmark.agent.kernel_clock import Discipline, read_discipline, read_kernel_clock
from noonmark.proto.reference import KernelClock

SLEW_RATE = 500e-6
"""Seconds a second at which kernels slew a clock (adjtime(3) of the BSD and System V line)."""


class Clock(Protocol):
    """What the agent needs to know of time; integer nanoseconds."""

    def realtime_ns(self) -> int:
        """CLOCK_REALTIME: what logs are written with, and what is compared."""

    def monotonic_ns(self) -> int:
        """CLOCK_MONOTONIC: for timers, and to notice that the clock was set."""

    def monotonic_raw_ns(self) -> int:
        """CLOCK_MONOTONIC_RAW: the oscillator as it is, which no discipline touches."""

    def boottime_ns(self) -> int:
        """CLOCK_BOOTTIME: monotonic, and counting while the host sleeps."""

    def kernel_to_clock(self, kernel_ns: int) -> int:
        """What this clock read at the instant that the kernel stamped so."""

    def discipline(self) -> Discipline:
        """How the clock says it is kept."""

    def kernel_clock(self) -> KernelClock | None:
        """The kernel's whole view of the clock; None where it tells none."""


def _clock_reader(identifier: int) -> Callable[[], int]:
    def read() -> int:
        return time.clock_gettime_ns(identifier)

    return read


class SystemClock:
    """The host's clock."""

    # The functions themselves, not methods around them: these are called for every packet.
    realtime_ns = staticmethod(time.time_ns)
    monotonic_ns = staticmethod(time.monotonic_ns)
    monotonic_raw_ns = staticmethod(_clock_reader(time.CLOCK_MONOTONIC_RAW))
    boottime_ns = staticmethod(_clock_reader(time.CLOCK_BOOTTIME))

    def kernel_to_clock(self, kernel_ns: int) -> int:
        """The same: the kernel stamps with this clock."""
        return kernel_ns

    def discipline(self) -> Discipline:
        """Asks the kernel."""
        return read_discipline()

    def kernel_clock(self) -> KernelClock | None:
        """Asks the kernel."""
        return read_kernel_clock()


class ErrorInjectedClock:
    """A clock that is wrong by a known amount: offset + drift * (true - epoch) + steps + slews, of a true clock.

    `drift` is in seconds a second, `epoch_ns` an instant of the true clock; positive errors are ahead. A step or a
    slew changes the error from the instant on at which it was asked for, never before it. `error_at` is the truth for
    every instant.
    """

    def __init__(self, offset_ns: int, drift: float, epoch_ns: int, true_clock: Clock | None = None) -> None:
        self._true: Clock = SystemClock() if true_clock is None else true_clock
        self._offset_ns = offset_ns
        self._drift = drift
        self._epoch_ns = epoch_ns
        self._steps: list[tuple[int, int]] = []
        self._slews: list[tuple[int, int, int]] = []

    def inject_step(self, size_ns: int) -> int:
        """Set the clock: forward by `size_ns` (backward if negative), now; which instant of the true clock that is."""
        at_ns = self._true.realtime_ns()
        self._steps.append((at_ns, size_ns))
        return at_ns

    def inject_slew(self, size_ns: int, duration_ns: int) -> int:
        """Move the clock by `size_ns` evenly over `duration_ns` from now on, without a step; which instant of the
        true clock now is."""
        if duration_ns <= 0:
            raise ValueError("a slew needs a duration above zero")
        at_ns = self._true.realtime_ns()
        self._slews.append((at_ns, size_ns, duration_ns))
        return at_ns

    def error_at(self, true_ns: int) -> int:
        """This clock minus the true one, when the true one read `true_ns`."""
        stepped = sum(size_ns for at_ns, size_ns in self._steps if at_ns <= true_ns)
        return self._offset_ns + stepped + self._slewed_at(true_ns)

    def _slewed_at(self, true_ns: int) -> int:
        """The part of the error that came without a jump, which the monotonic clock shares."""
        error_ns = round(self._drift * (true_ns - self._epoch_ns))
        for at_ns, size_ns, duration_ns in self._slews:
            error_ns += size_ns * min(max(true_ns - at_ns, 0), duration_ns) // duration_ns
        return error_ns

    def realtime_ns(self) -> int:
        """The true clock and the error."""
        true_ns = self._true.realtime_ns()
        return true_ns + self.error_at(true_ns)

    def monotonic_ns(self) -> int:
        """The true monotonic clock, slewed as the realtime clock is."""
        return self._true.monotonic_ns() + self._slewed_at(self._true.realtime_ns())

    def monotonic_raw_ns(self) -> int:
        """The true one: no discipline touches it."""
        return self._true.monotonic_raw_ns()

    def boottime_ns(self) -> int:
        """The true one, slewed as the monotonic clock is."""
        return self._true.boottime_ns() + self._slewed_at(self._true.realtime_ns())

    def kernel_to_clock(self, kernel_ns: int) -> int:
        """The kernel's stamp and the error at that instant."""
        return kernel_ns + self.error_at(kernel_ns)

    def discipline(self) -> Discipline:
        """The true clock's, with the injected error owned up to."""
        kept = self._true.discipline()
        error_ns = abs(self.error_at(self._true.realtime_ns()))
        return Discipline(kept.synchronized, kept.maximum_error_ns + error_ns, kept.tai_minus_utc_s)

    def kernel_clock(self) -> KernelClock | None:
        """The true clock's, with the injected error owned up to."""
        kept = self._true.kernel_clock()
        if kept is None:
            return None
        error_ns = abs(self.error_at(self._true.realtime_ns()))
        return replace(
            kept,
            maximum_error_ns=kept.maximum_error_ns + error_ns,
            estimated_error_ns=kept.estimated_error_ns + error_ns,
        )
