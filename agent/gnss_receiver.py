"""A satellite receiver's sentences, folded into one time an epoch and a judgement whether to believe it. Pure.

An epoch is all sentences of one time of day; its time is put at the arrival of the first of them. It is trusted only
if a fix is declared by some sentence of the last seconds and denied by none, the date is told and of this age, the
time follows from the epochs before it, and a fixed antenna is where it was. Whoever reads gets a `ReceiverTime` at
each RMC or ZDA, with what is wrong in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from noonmark.agent.gnss_guards import FROZEN_NS, AntennaGuard, TimeGuard, wrong_age
from noonmark.agent.nmea import SECOND_NS, Active, FixData, Position, Recommended, Sentence
from noonmark.proto.reference import SourceNotice

FRESH_NS = 3_000_000_000
"""A sentence's word on the fix counts for so long."""
_DAY_NS = 86_400 * SECOND_NS
_EPOCH_DAY = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class NmeaSettings:
    """How the sentences lag behind the seconds they tell; nanoseconds."""

    delay_ns: int = 400_000_000
    delay_limit_ns: int = 450_000_000
    fixed_antenna: bool = True


@dataclass(frozen=True, slots=True)
class ReceiverTime:
    """What the receiver says at one epoch."""

    time_ns: int | None
    """POSIX nanoseconds of the epoch; None where the receiver tells no whole date and time."""
    host_ns: int | None
    """The host's clock when the epoch's first sentence came; None if that is not known (a recording)."""
    monotonic_ns: int
    trusted: bool
    notices: tuple[SourceNotice, ...]
    figures: Mapping[str, float]


class GnssReceiver:
    """One receiver's state. `fixed_antenna`: its position is watched."""

    def __init__(self, *, fixed_antenna: bool = True) -> None:
        self._antenna = AntennaGuard() if fixed_antenna else None
        self._time = TimeGuard()
        self._of_day: int | None = None
        self._host_ns: int | None = None
        self._monotonic_ns = 0
        self._day: date | None = None
        self._told = False
        self._placed = False
        self._fix: dict[str, tuple[bool, int]] = {}
        self._active: dict[tuple[str, str], tuple[Active, int]] = {}
        self._fix_data: FixData | None = None
        self._moved_m = 0.0

    def feed(self, sentence: Sentence, *, host_ns: int | None, monotonic_ns: int) -> ReceiverTime | None:
        """Take the next sentence and when it came; what it completes, if anything."""
        time_of_day = None if isinstance(sentence, Active) else sentence.time_ns
        if time_of_day is not None and time_of_day != self._of_day:
            self._begin(time_of_day, host_ns, monotonic_ns)
        if isinstance(sentence, Active):
            self._active[sentence.talker, sentence.system] = (sentence, monotonic_ns)
            self._fix["GSA"] = (self._dimensions(monotonic_ns) > 1, monotonic_ns)
            return None
        if isinstance(sentence, FixData):
            self._fix["GGA"] = (sentence.valid, monotonic_ns)
            self._fix_data = sentence
            self._place(sentence.position if sentence.valid else None, sentence.hdop)
            return None
        if isinstance(sentence, Recommended):
            self._fix["RMC"] = (sentence.valid, monotonic_ns)
            self._place(sentence.position if sentence.valid else None, None)
        return self._complete(time_of_day, sentence.day, host_ns, monotonic_ns)

    def _begin(self, time_of_day: int, host_ns: int | None, monotonic_ns: int) -> None:
        self._of_day, self._host_ns, self._monotonic_ns = time_of_day, host_ns, monotonic_ns
        self._day, self._told, self._placed = None, False, False

    def _place(self, position: Position | None, hdop: float | None) -> None:
        if self._antenna is not None and position is not None and not self._placed:
            self._placed = True
            self._moved_m = self._antenna.follow(position, hdop)

    def _dimensions(self, now: int) -> int:
        fresh = [one.dimensions for one, at in self._active.values() if now - at <= FRESH_NS]
        return max(fresh, default=1)

    def _complete(
        self, time_of_day: int | None, day: date | None, host_ns: int | None, monotonic_ns: int
    ) -> ReceiverTime | None:
        if time_of_day is None or day is None:
            # A receiver without a time has no epochs: each such sentence stands for itself.
            notice = SourceNotice("no-fix", "it tells no date and time")
            return ReceiverTime(None, host_ns, monotonic_ns, False, (notice,), self._figures(monotonic_ns))
        frozen = monotonic_ns - self._monotonic_ns >= FROZEN_NS
        if self._told and not frozen:
            return None
        self._told, self._day = True, day
        time_ns = (day - _EPOCH_DAY) // timedelta(days=1) * _DAY_NS + time_of_day
        notices = self._objections(time_ns, frozen, monotonic_ns)
        trusted = not notices and self._time.steady
        at_ns = self._host_ns if not frozen else host_ns
        at = self._monotonic_ns if not frozen else monotonic_ns
        return ReceiverTime(time_ns, at_ns, at, trusted, notices, self._figures(monotonic_ns))

    def _objections(self, time_ns: int, frozen: bool, now: int) -> tuple[SourceNotice, ...]:
        notices: list[SourceNotice] = []
        if not self._has_fix(now):
            notices.append(SourceNotice("no-fix", self._why_no_fix()))
        if frozen:
            stood = (now - self._monotonic_ns) / 1e9
            notices.append(SourceNotice("time-frozen", f"its time has stood still for {stood:.0f} s"))
        elif time_ns % _DAY_NS < SECOND_NS and self._of_day is not None and self._of_day >= _DAY_NS:
            self._time.leap_second()
            notices.append(SourceNotice("leap-second", "it counts a leap second now"))
        else:
            notices += self._time.follow(time_ns, self._monotonic_ns)
        if (age := wrong_age(time_ns, self._host_ns)) is not None:
            notices.append(age)
        if self._moved_m:
            notices.append(SourceNotice("antenna-moved", f"its antenna seems to have moved by {self._moved_m:.0f} m"))
        return tuple(notices)

    def _has_fix(self, now: int) -> bool:
        words = [valid for valid, at in self._fix.values() if now - at <= FRESH_NS]
        return bool(words) and all(words)

    def _why_no_fix(self) -> str:
        if self._fix_data is not None and self._fix_data.kind in ("estimated", "manual", "simulated"):
            return f"its fix is {self._fix_data.kind}, not measured"
        return "it has no fix"

    def _figures(self, now: int) -> dict[str, float]:
        fresh = [one for one, at in self._active.values() if now - at <= FRESH_NS]
        figures: dict[str, float] = {}
        if fresh:
            figures["fix_dimensions"] = float(max(one.dimensions for one in fresh))
            dilutions = [one.pdop for one in fresh if one.pdop is not None]
            if dilutions:
                figures["pdop"] = min(dilutions)
        satellites = self._fix_data.satellites if self._fix_data is not None else None
        if satellites is None and fresh:
            satellites = sum(one.satellites for one in fresh)
        if satellites is not None:
            figures["satellites"] = float(satellites)
        if self._fix_data is not None and self._fix_data.hdop is not None:
            figures["hdop"] = self._fix_data.hdop
        if self._moved_m:
            figures["moved_m"] = self._moved_m
        return figures
