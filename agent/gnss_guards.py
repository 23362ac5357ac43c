"""What a satellite receiver may not do if it is to be believed: jump, stand still, travel, live in another age. Pure.

Each guard is fed in order and says what is wrong now, as notices; an empty answer is no proof that the time is right.
A receiver that is led astray slowly is caught by what other sources and the fleet say, not here.
"""

from __future__ import annotations

import math

from noonmark.agent.nmea import SECOND_NS, Position
from noonmark.proto.reference import SourceNotice

JUMP_NS = 500_000_000
"""Between two epochs the time told and the monotonic clock may part by this much: sentences are late by tenths of a
second, and not evenly."""
CONSISTENT = 3
"""So many epochs in a row must follow each other before their time is believed: a corrupted sentence that happens to
have the right checksum stands alone."""
FROZEN_NS = 2_500_000_000
WEEKS_1024_NS = 1024 * 7 * 86_400 * SECOND_NS
"""Satellite weeks are numbered modulo 1024 (a 10-bit field): a receiver that takes the wrong cycle is off by exactly
619 315 200 s."""
EARLIEST_NS = 1_767_225_600 * SECOND_NS
"""2026-01-01: no time before this software was written is the present."""
_DAY_NS = 86_400 * SECOND_NS
_LEARN_STEPS = 60
_LEARN_POSITIONS = 60
_MOVED_M = 100.0
_MOVED_IN_A_ROW = 3
_AT_HOME_AFTER = 3600


class _Chain:
    """Epochs that follow each other: the last one's time and arrival, how many, and the step that times go by."""

    def __init__(self, time_ns: int, monotonic_ns: int) -> None:
        self.time_ns, self.monotonic_ns = time_ns, monotonic_ns
        self.epochs = 1
        self._step_ns = 0
        """Greatest common divisor of the steps between told times; 0: not known yet."""
        self._lately_ns = 0

    def parted_ns(self, time_ns: int, monotonic_ns: int) -> int:
        """By how much the time told has gone ahead of the monotonic clock since the last epoch."""
        return (time_ns - self.time_ns) - (monotonic_ns - self.monotonic_ns)

    def in_step(self, time_ns: int) -> bool:
        """Whether a time lies where this receiver's times lie: on whole seconds, say."""
        return self.epochs < CONSISTENT or self._step_ns == 0 or (time_ns - self.time_ns) % self._step_ns == 0

    def add(self, time_ns: int, monotonic_ns: int) -> None:
        """The next epoch."""
        step = abs(time_ns - self.time_ns)
        self._lately_ns = math.gcd(self._lately_ns, step)
        if self.epochs < CONSISTENT or self.epochs % _LEARN_STEPS == 0:
            # Learnt anew now and then, so that one bad time among the first is not believed for ever.
            self._step_ns, self._lately_ns = self._lately_ns, self._lately_ns if self.epochs < CONSISTENT else 0
        self.time_ns, self.monotonic_ns = time_ns, monotonic_ns
        self.epochs += 1


class TimeGuard:
    """Follows the time told against the monotonic clock.

    `jump_ns` is by how much they may part between two epochs; `in_steps`: a receiver tells times that go by equal
    steps, and one between them is corrupt. An epoch that does not fit is passed over; when `CONSISTENT` of them fit
    each other they are the new truth.
    """

    def __init__(self, jump_ns: int = JUMP_NS, *, in_steps: bool = True) -> None:
        self._most_ns = jump_ns
        self._in_steps = in_steps
        self._known: _Chain | None = None
        self._other: _Chain | None = None
        self._jump_ns = 0
        self._leap_seconds = 0

    @property
    def steady(self) -> bool:
        """Whether the last epoch fits, and enough before it did."""
        return self._known is not None and self._other is None and self._known.epochs >= CONSISTENT

    def leap_second(self) -> None:
        """The second 23:59:60 was told: POSIX time will have stood still for it."""
        if self._known is not None and not self._leap_seconds:
            self._known.monotonic_ns += SECOND_NS
        self._leap_seconds = 1

    def follow(self, time_ns: int, monotonic_ns: int) -> tuple[SourceNotice, ...]:
        """The next epoch's time (POSIX ns) and when it came."""
        self._leap_seconds = 0
        if self._known is None:
            self._known = _Chain(time_ns, monotonic_ns)
            return ()
        if self._fits(self._known, time_ns, monotonic_ns):
            self._known.add(time_ns, monotonic_ns)
            self._other = None
            return ()
        self._jump_ns = self._known.parted_ns(time_ns, monotonic_ns)
        if self._other is not None and self._fits(self._other, time_ns, monotonic_ns):
            self._other.add(time_ns, monotonic_ns)
            if self._other.epochs >= CONSISTENT:
                self._known, self._other = self._other, None
                return ()
        else:
            self._other = _Chain(time_ns, monotonic_ns)
        way = "forward" if self._jump_ns > 0 else "back"
        text = f"its time jumped {way} by {abs(self._jump_ns) / 1e9:.3f} s"
        return (SourceNotice("time-jump", text, self._jump_ns),)

    def _fits(self, chain: _Chain, time_ns: int, monotonic_ns: int) -> bool:
        if abs(chain.parted_ns(time_ns, monotonic_ns)) >= self._most_ns:
            return False
        return not self._in_steps or chain.in_step(time_ns)


class AntennaGuard:
    """Watches the position of an antenna that is fixed."""

    def __init__(self) -> None:
        self._seen = 0
        self._home: Position | None = None
        self._elsewhere: Position | None = None
        self._moved = 0

    def follow(self, position: Position, hdop: float | None) -> float:
        """The next position of a valid fix; metres from where the antenna is known to be, 0 while it is at home."""
        if self._home is None:
            self._home = position
        away = self._home.distance_m(position)
        allowed = _MOVED_M * max(1.0, hdop or 1.0)
        if self._seen < _LEARN_POSITIONS and away <= allowed:
            self._seen += 1
            share = 1.0 / self._seen
            self._home = Position(
                self._home.latitude + share * (position.latitude - self._home.latitude),
                self._home.longitude + share * _turn(position.longitude - self._home.longitude),
            )
        if away <= allowed:
            self._moved, self._elsewhere = 0, None
            return 0.0
        if self._elsewhere is None or self._elsewhere.distance_m(position) > allowed:
            self._elsewhere, self._moved = position, min(self._moved, _MOVED_IN_A_ROW)
        self._moved += 1
        if self._moved >= _AT_HOME_AFTER:
            # It was carried to another roof: that is where it lives now.
            self._home, self._elsewhere, self._moved, self._seen = self._elsewhere, None, 0, 1
            return 0.0
        return away if self._moved >= _MOVED_IN_A_ROW else 0.0


def _turn(degrees: float) -> float:
    """A difference of longitudes the short way round."""
    return (degrees + 180.0) % 360.0 - 180.0


def wrong_age(time_ns: int, host_ns: int | None) -> SourceNotice | None:
    """A time that belongs to another cycle of 1024 weeks, or to the past of this software; None if neither."""
    if host_ns is not None:
        cycles = round((host_ns - time_ns) / WEEKS_1024_NS)
        if cycles and abs(host_ns - time_ns - cycles * WEEKS_1024_NS) < _DAY_NS:
            return _rollover(cycles)
    if time_ns >= EARLIEST_NS:
        return None
    return SourceNotice(
        "date-past", "its date lies before this software was written", time_ns - (host_ns or EARLIEST_NS)
    )


def _rollover(cycles: int) -> SourceNotice:
    way = "behind" if cycles > 0 else "ahead of"
    text = f"its date is {abs(cycles) * 1024} weeks {way} this host's: the receiver lost count of the satellites' weeks"
    return SourceNotice("week-rollover", text, -cycles * WEEKS_1024_NS)
