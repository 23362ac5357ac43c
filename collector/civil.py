"""The calendar: civil dates to days, instants to text and back. Pure integer arithmetic, no time zone data.

Instants are nanoseconds since 1970-01-01T00:00:00Z as POSIX counts them: every day has 86,400 seconds, leap seconds
are not counted. The calendar is the proleptic Gregorian one of ISO 8601. The day arithmetic works alike on Python
integers and on integer arrays; it is the era method (400 years of 146,097 days, years begun in March), which needs no
table and no branch.
"""

from __future__ import annotations

import re
from typing import TypeVar

import numpy as np

from noonmark.collector.estimate import Int64

SECOND_NS = 10**9
MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 3600 * SECOND_NS
DAY_NS = 86_400 * SECOND_NS
FIRST_NS = -62_135_596_800 * SECOND_NS
"""0001-01-01T00:00:00Z, the first instant that can be printed."""
LAST_NS = 253_402_300_800 * SECOND_NS - 1
"""The last nanosecond of the year 9999."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MONTH_OF = {name.lower().encode(): number for number, name in enumerate(MONTHS, start=1)}

Integer = TypeVar("Integer", int, Int64)


def days_from_civil(year: Integer, month: Integer, day: Integer) -> Integer:
    """Days from 1970-01-01 to a date. Does not check that the date exists."""
    early = (14 - month) // 12  # 1 in January and February, which close the year that began in March
    shifted = year - early
    era = shifted // 400
    year_of_era = shifted - era * 400
    day_of_year = (153 * (month + 12 * early - 3) + 2) // 5 + day - 1
    day_of_era = year_of_era * 365 + year_of_era // 4 - year_of_era // 100 + day_of_year
    days: Integer = era * 146_097 + day_of_era - 719_468
    return days


def civil_from_days(days: Integer) -> tuple[Integer, Integer, Integer]:
    """Undo `days_from_civil`: (year, month, day)."""
    shifted = days + 719_468
    era = shifted // 146_097
    day_of_era = shifted - era * 146_097
    year_of_era = (day_of_era - day_of_era // 1460 + day_of_era // 36_524 - day_of_era // 146_096) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    march_month = (5 * day_of_year + 2) // 153
    day = day_of_year - (153 * march_month + 2) // 5 + 1
    late = march_month // 10  # January and February
    month = march_month + 3 - 12 * late
    return year_of_era + era * 400 + late, month, day


def days_in_month(year: Integer, month: Integer) -> Integer:
    """28 to 31; the month must be 1 to 12."""
    late = month // 12
    first = month * 0 + 1
    length: Integer = days_from_civil(year + late, month + 1 - 12 * late, first) - days_from_civil(year, month, first)
    return length


def instant_ns(year: int, month: int, day: int, hour: int, minute: int, second: int, fraction_ns: int = 0) -> int:
    """The instant of a UTC date and time of day; 24:00:00 is the next day's midnight (ISO 8601).

    Raises ValueError for a date or time that does not exist. A leap second is no POSIX instant and is refused here.
    """
    if not (1 <= year <= 9999 and 1 <= month <= 12 and 1 <= day <= days_in_month(year, month)):
        raise ValueError(f"no such date: {year:04d}-{month:02d}-{day:02d}")
    midnight_of_the_next = hour == 24 and minute == second == fraction_ns == 0
    if not ((hour <= 23 and minute <= 59 and second <= 59) or midnight_of_the_next):
        raise ValueError(f"no such time of day: {hour:02d}:{minute:02d}:{second:02d}")
    seconds = ((days_from_civil(year, month, day) * 24 + hour) * 60 + minute) * 60 + second
    return seconds * SECOND_NS + fraction_ns


def print_instant(time_ns: int, digits: int = 9, zone_seconds: int = 0) -> str:
    """RFC 3339 text of an instant, cut (not rounded) to `digits` of fraction, in UTC or at an offset from it.

    >>> print_instant(1_764_053_703_123_456_789, digits=6)
    '2025-11-25T06:55:03.123456Z'
    >>> print_instant(0, digits=0, zone_seconds=-28_800)
    '1969-12-31T16:00:00-08:00'

    Raises ValueError outside the years 1 to 9999.
    """
    local_ns = time_ns + zone_seconds * SECOND_NS
    if not FIRST_NS <= local_ns <= LAST_NS:
        raise ValueError(f"{time_ns} ns is outside the years 1 to 9999")
    seconds, fraction_ns = divmod(local_ns, SECOND_NS)
    days, second_of_day = divmod(seconds, 86_400)
    year, month, day = civil_from_days(days)
    fraction = f".{fraction_ns:09d}"[: digits + 1] if digits else ""
    clock = f"{second_of_day // 3600:02d}:{second_of_day // 60 % 60:02d}:{second_of_day % 60:02d}{fraction}"
    return f"{year:04d}-{month:02d}-{day:02d}T{clock}{print_zone(zone_seconds)}"


def print_zone(zone_seconds: int, colon: str = ":") -> str:
    """`Z` for no offset from UTC, else `+hh:mm` or `-hh:mm`; whole minutes only, as RFC 3339 knows no others."""
    if zone_seconds == 0:
        return "Z"
    minutes = abs(zone_seconds) // 60
    return f"{'-' if zone_seconds < 0 else '+'}{minutes // 60:02d}{colon}{minutes % 60:02d}"


def zone_offset_seconds(text: str) -> int | None:
    """Read `Z`, `UTC`, `+hh:mm`, `-hhmm` or `+hh`; None if the text is not an offset from UTC."""
    if text in ("Z", "z", "UTC", "GMT"):
        return 0
    found = re.fullmatch(r"([+-])(\d\d)(?::?([0-5]\d))?", text, re.ASCII)
    if found is None or int(found[2]) > 23:
        return None
    size = int(found[2]) * 3600 + int(found[3] or 0) * 60
    return -size if found[1] == "-" else size


FOUR_DIGITS = np.frombuffer("".join(f"{i:04d}" for i in range(10_000)).encode(), np.uint32)
"""The numbers up to 9999 as four bytes of text."""
INSTANT = np.dtype({"names": ["second", "tenth", "us", "ns", "z"], "formats": ["S20", "u1", "u4", "u4", "S1"]})
"""Parts of one printed instant: 2026-11-25T06:55:03.123456789Z."""


def print_instants(time_ns: Int64) -> np.ndarray[tuple[int], np.dtype[np.bytes_]]:
    """RFC 3339 text of many instants at once, to the nanosecond, in UTC: an array of fixed-width byte strings.

    int64 nanoseconds span the years 1677 to 2262, so every value can be printed.
    """
    rows = np.empty(len(time_ns), dtype=INSTANT)
    rows["z"] = b"Z"
    print_into(rows, time_ns)
    return rows.view(f"S{INSTANT.itemsize}")


def print_into(rows: np.ndarray[tuple[int], np.dtype[np.void]], time_ns: Int64) -> None:
    """Write many instants into rows that have `INSTANT`'s fields among theirs, but for the Z.

    Each second met is printed once.
    """
    if not len(rows):
        return
    seconds, fraction = whole_seconds(time_ns)
    met, row = distinct(seconds)
    rows["second"] = printed_seconds(met)[row]
    print_fractions(rows, fraction)


def whole_seconds(time_ns: Int64) -> tuple[Int64, Int64]:
    """(seconds, nanoseconds beyond them)."""
    seconds = time_ns // SECOND_NS
    return seconds, time_ns - seconds * SECOND_NS


def distinct(values: Int64) -> tuple[Int64, Int64]:
    """(all values met, in rising order and perhaps some between; where among them each stands)."""
    first, last = int(values.min()), int(values.max())
    if last - first < len(values):
        return np.arange(first, last + 1), values - first
    met, row = np.unique(values, return_inverse=True)
    return met, row


def printed_seconds(seconds: Int64) -> np.ndarray[tuple[int], np.dtype[np.bytes_]]:
    """What `INSTANT` holds as `second`, of each."""
    return np.array([print_instant(second * SECOND_NS, digits=0)[:19] + "." for second in seconds.tolist()], "S20")


def print_fractions(rows: np.ndarray[tuple[int], np.dtype[np.void]], fraction_ns: Int64) -> None:
    """Write nanoseconds beyond the second into such rows."""
    fraction = fraction_ns.astype(np.int32)
    tenths = fraction // 100_000_000
    fraction -= tenths * 100_000_000
    high = fraction // 10_000
    fraction -= high * 10_000
    rows["tenth"] = tenths + ord("0")
    rows["us"], rows["ns"] = FOUR_DIGITS.take(high), FOUR_DIGITS.take(fraction)
