"""Notices that the host's clock was set or that the host slept, and numbers the stretches between: clock epochs.

Reads only through a `Clock`. CLOCK_REALTIME minus CLOCK_MONOTONIC moves only when the clock is set or the host wakes
from sleep: both are slewed alike. CLOCK_BOOTTIME minus CLOCK_MONOTONIC moves by the time slept. `check` costs two
readings of a clock as long as nothing happened; it must run after a stamp was read and before the stamp is believed:
then a stamp that passed is of the epoch that `epoch` tells. Small steps add up until they are noticed; nothing creeps
by.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from noonmark.agent.clocks import Clock
from noonmark.proto.records import ClockEvent, ClockEventKind

SMALLEST_STEP_NS = 1_000
"""A change of the difference below this may be the reading's own doing."""
_BRACKETS = 9
_TIGHT_NS = 400
_SECOND_LOOKS = 3
_READINGS = 7
_RATE_SPAN_NS = 100_000_000


class ClockWatch:
    """Watches one clock.

    Epochs are 32-bit, never 0, and start at random: a program that restarts begins another epoch.
    """

    def __init__(self, clock: Clock, rng: random.Random) -> None:
        self._clock = clock
        self._read_realtime = clock.realtime_ns
        self._read_monotonic = clock.monotonic_ns
        self.epoch = rng.randrange(1, 1 << 32)
        self.realtime_ns = 0
        """The clock at the last check."""
        self.monotonic_ns = 0
        """The monotonic clock at the last check."""
        self._set_ns, _ = self._bracketed(clock.realtime_ns)
        self._slept_ns, _ = self._bracketed(clock.boottime_ns)
        self._expected_ns = self._typical()
        self._rate_from = (clock.monotonic_ns(), clock.monotonic_raw_ns())

    def _read(self) -> int:
        self.realtime_ns = self._read_realtime()
        self.monotonic_ns = self._read_monotonic()
        return self.realtime_ns - self.monotonic_ns

    def _typical(self) -> int:
        """What `_read` gives while nothing happens: the clocks' difference and the time between two readings."""
        return sorted(self._read() for _ in range(_READINGS))[_READINGS // 2]

    def _bracketed(self, read: Callable[[], int]) -> tuple[int, int]:
        """A clock minus the monotonic one, and how sure that is: the tightest of some bracketed readings."""
        best_ns, least_width = 0, 1 << 62
        for _ in range(_BRACKETS):
            before = self._read_monotonic()
            value = read()
            after = self._read_monotonic()
            if after - before < least_width:
                least_width = after - before
                best_ns = value - (before + after) // 2
                if least_width < _TIGHT_NS:
                    break
        return best_ns, least_width

    def check(self) -> Sequence[ClockEvent]:
        """What happened since the last check, mostly nothing. Each event begins an epoch."""
        self.realtime_ns = realtime_ns = self._read_realtime()
        self.monotonic_ns = monotonic_ns = self._read_monotonic()
        if -SMALLEST_STEP_NS < realtime_ns - monotonic_ns - self._expected_ns < SMALLEST_STEP_NS:
            return ()
        return self._examine()

    def _examine(self) -> Sequence[ClockEvent]:
        """Tell a true change from a slow reading."""
        if any(abs(self._read() - self._expected_ns) < SMALLEST_STEP_NS for _ in range(_SECOND_LOOKS)):
            return ()
        set_ns, set_width = self._bracketed(self._clock.realtime_ns)
        moved_ns = set_ns - self._set_ns
        if abs(moved_ns) < SMALLEST_STEP_NS + set_width:
            # Readings may have become slower. What the clock has moved so far is not forgotten: `_set_ns` stays.
            self._expected_ns = self._typical()
            return ()
        slept_total_ns, slept_width = self._bracketed(self._clock.boottime_ns)
        slept_ns = slept_total_ns - self._slept_ns
        self._set_ns, self._slept_ns = set_ns, slept_total_ns
        self._expected_ns += moved_ns
        events: list[ClockEvent] = []
        if slept_ns >= SMALLEST_STEP_NS + slept_width:
            # The kernel moves the realtime clock by the same amount on waking: that much is not a step.
            events.append(self._begin(ClockEventKind.SUSPEND, slept_ns))
            moved_ns -= slept_ns
        if abs(moved_ns) >= SMALLEST_STEP_NS + set_width + (slept_width if events else 0):
            events.append(self._begin(ClockEventKind.STEP, moved_ns))
        self._read()
        return events

    def _begin(self, kind: ClockEventKind, size_ns: int) -> ClockEvent:
        self.epoch = self.epoch % 0xFFFF_FFFF + 1
        return ClockEvent(kind, self.epoch, self._clock.realtime_ns(), size_ns)

    def rate_against_raw(self) -> float | None:
        """How much faster the clock runs than its bare oscillator (s/s), since the last call; None if just now.

        It is what the host's own discipline does to the rate; a change of it is a change of frequency, not a step.
        """
        monotonic_ns, raw_ns = self._clock.monotonic_ns(), self._clock.monotonic_raw_ns()
        span_ns = raw_ns - self._rate_from[1]
        if span_ns < _RATE_SPAN_NS:
            return None
        rate = (monotonic_ns - self._rate_from[0] - span_ns) / span_ns
        self._rate_from = (monotonic_ns, raw_ns)
        return rate
