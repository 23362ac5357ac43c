"""What a log line says about its time: the types that every recogniser of a format returns. Pure.

A stamp is an integer instant and a *resolution*: a stamp printed to the whole second covers a second, because programs
cut and do not round. So the host's clock read something in [time_ns, time_ns + resolution_ns) when the line's time was
taken. Whatever widens what a stamp can mean (an hour that a time zone has twice, a leap second that POSIX counts like
the second before) widens its resolution.

A stamp without a zone or without a year is refused with `MissingZone` or `MissingYear` unless an option says which:
nothing is guessed in silence.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass

from noonmark.collector.civil import SECOND_NS, days_in_month, instant_ns


class StampError(ValueError):
    """A line has a time that cannot be used as it stands; the message says why and what to do."""


class MissingZone(StampError):  # noqa: N818 - named for what is missing
    """The time has no zone and no option gives one."""

    def __init__(self, text: str) -> None:
        super().__init__(f"the time '{text}' has no zone: say which with --tz")


class MissingYear(StampError):  # noqa: N818
    """The time has no year and no option gives one."""

    def __init__(self, text: str) -> None:
        super().__init__(f"the time '{text}' has no year: say which with --year")


@dataclass(frozen=True, slots=True)
class TimeQuality:
    """RFC 5424 section 7.1: what the sender claims of its own clock. A claim, not a measurement."""

    zone_known: bool | None = None
    synchronised: bool | None = None
    accuracy_ns: int | None = None


@dataclass(frozen=True, slots=True)
class LogStamp:
    """The time of one log line."""

    time_ns: int
    """POSIX nanoseconds; any size, as the year may be 1 to 9999."""
    resolution_ns: int
    begin: int
    """Where in the line the text of the stamp begins ..."""
    end: int
    """... and ends."""
    format: str = ""
    """Name of the format that recognised it."""
    zone_known: bool = True
    """False if the line itself does not tell its zone (an option did), or says that it does not know it."""
    zone_seconds: int = 0
    """Offset from UTC in which the stamp is written."""
    host: str | None = None
    """The host that the line names, if its format has a place for one."""
    quality: TimeQuality | None = None


@dataclass(frozen=True, slots=True)
class StampOptions:
    """What the user says of stamps that do not say it themselves."""

    zone: datetime.tzinfo | None = None
    year: int | None = None
    """Of the first line; after it the year is the one that brings a line nearest to the line before it."""
    fields: tuple[str, ...] = ("ts", "time", "timestamp", "@timestamp")
    """Names tried, in this order, in JSON lines and logfmt; a dot steps into a nested object."""
    host_field: str | None = None
    """Name of the field that tells the host, in JSON lines and logfmt."""


Recogniser = Callable[[bytes, StampOptions, "int | None"], "LogStamp | None"]
"""(line, options, instant of the line before or None) -> stamp, or None if the line is not of this format.

Raises StampError if it is, but lacks what only an option can give."""


@dataclass(frozen=True, slots=True)
class CivilTime:
    """Date, time of day and fraction as read, before a zone is applied."""

    year: int
    month: int
    day: int
    hour: int
    minute: int
    second: int
    fraction: bytes = b""
    """Digits after the point."""

    def fraction_ns(self) -> int:
        """Cut to nanoseconds."""
        return int(self.fraction[:9].ljust(9, b"0")) if self.fraction else 0

    def resolution_ns(self) -> int:
        """One unit of the last digit given; never less than a nanosecond."""
        return int(10 ** max(0, 9 - len(self.fraction)))


def at_offset(civil: CivilTime, zone_seconds: int) -> tuple[int, int]:
    """(time_ns, resolution_ns) of a time written at a known offset from UTC.

    A leap second is accepted where UTC can have one (23:59:60 on the last day of a month). POSIX has no number for it:
    the kernel repeats the second before (RFC 7164 table 1), arithmetic gives the second after; the stamp covers both.
    Raises ValueError for what does not exist.
    """
    if civil.second != 60:
        time_ns = instant_ns(
            civil.year, civil.month, civil.day, civil.hour, civil.minute, civil.second, civil.fraction_ns()
        )
        return time_ns - zone_seconds * SECOND_NS, civil.resolution_ns()
    before = instant_ns(civil.year, civil.month, civil.day, civil.hour, civil.minute, 59, civil.fraction_ns())
    before -= zone_seconds * SECOND_NS
    if not _can_be_leap(before // SECOND_NS):
        raise ValueError("second 60 is not at the end of a UTC month")
    return before, civil.resolution_ns() + SECOND_NS


def _can_be_leap(second: int) -> bool:
    """Whether this POSIX second is the last of a UTC month."""
    if (second + 1) % 86_400:
        return False
    date = datetime.date.fromordinal((second + 1) // 86_400 - 1 + datetime.date(1970, 1, 1).toordinal())
    return date.day == days_in_month(date.year, date.month)


def in_zone(civil: CivilTime, zone: datetime.tzinfo) -> tuple[int, int, int]:
    """(time_ns, resolution_ns, zone_seconds) of a local time in a named zone.

    Where the zone's clock was set back an hour occurs twice, where it was set forward one does not occur: then the
    stamp covers both readings (PEP 495's two folds), from the earlier instant on.
    """
    midnight = datetime.datetime(civil.year, civil.month, civil.day, tzinfo=zone)
    local = midnight.replace(hour=civil.hour % 24, minute=civil.minute, second=min(civil.second, 59))
    offsets = [_offset_seconds(local.replace(fold=fold)) for fold in (0, 1)]
    readings = [at_offset(civil, offset) for offset in offsets]
    earliest, resolution_ns = min(readings)
    return earliest, resolution_ns + abs(offsets[0] - offsets[1]) * SECOND_NS, offsets[0]


def _offset_seconds(local: datetime.datetime) -> int:
    offset = local.utcoffset()
    if offset is None:
        raise ValueError("the zone does not tell its offset from UTC")
    return round(offset.total_seconds())
