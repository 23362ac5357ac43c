"""Instants as people write them, to integer nanoseconds and back. Pure, integers throughout, free of numpy.

What `parse_instant` reads:

- ``now``;
- an age: ``-90s``, ``-15m``, ``-2h``, ``-1d``, ``-1h30m``, ``-1.5h``, ``-250ms`` (units ns us µs ms s m or min h d w);
- RFC 3339: ``2026-11-25T06:55:03.123456789+01:00``. The zone must be given: a time without one means something else on
  every host. A space may stand for the T, a comma for the point, the seconds may be left out;
- seconds, milliseconds, microseconds or nanoseconds since 1970, told apart by magnitude of the whole part:
  below 10^11 seconds (to the year 5138), below 10^14 milliseconds, below 10^17 microseconds, else nanoseconds. So the
  last three read instants from 1973-03-03T09:46:40Z on; earlier ones need a unit (``@5ms``). ``@`` in front is allowed.

Digits finer than a nanosecond are dropped. POSIX time has no room for a leap second: 23:59:60 is the same instant as
the 00:00:00 that follows, as clock_gettime counts it; it is read only at the end of a UTC month (RFC 3339, 5.7).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

SECOND_NS = 10**9
UNITS_NS = {
    "ns": 1,
    "us": 10**3,
    "µs": 10**3,
    "μs": 10**3,
    "ms": 10**6,
    "s": SECOND_NS,
    "m": 60 * SECOND_NS,
    "min": 60 * SECOND_NS,
    "h": 3600 * SECOND_NS,
    "d": 86_400 * SECOND_NS,
    "w": 7 * 86_400 * SECOND_NS,
}
_UNIT = "|".join(sorted(UNITS_NS, key=len, reverse=True))
_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_SPAN = re.compile(rf"(?:(?:{_NUMBER})(?:{_UNIT}))+")
_SPAN_PART = re.compile(rf"({_NUMBER})({_UNIT})")
_EPOCH = re.compile(rf"(@?)(-?)(\d+)(?:\.(\d*))?({_UNIT})?")
_CIVIL = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?:[Tt ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?[ ]?([Zz]|[+-]\d\d:?\d\d)?)?")
_EPOCH_START = datetime(1970, 1, 1, tzinfo=UTC)


class BadInstant(ValueError):  # noqa: N818 - named for what the catcher holds
    """Text that names no instant; its message says why, and what would."""


def _decimal_ns(number: str, unit_ns: int) -> int:
    """An unsigned decimal number of units in whole ns, exactly, what is finer dropped."""
    whole, _, fraction = number.partition(".")
    scale: int = 10 ** len(fraction)
    return int(whole or "0") * unit_ns + int(fraction or "0") * unit_ns // scale


def parse_span(text: str) -> int:
    """A length of time such as ``90s`` or ``1h30m`` in ns. Raises BadInstant."""
    if re.fullmatch(_NUMBER, text):
        raise BadInstant(f"{text!r} is no length of time: it needs a unit; write {text}s, {text}ms or {text}m")
    if not _SPAN.fullmatch(text):
        raise BadInstant(f"{text!r} is no length of time: write 90s, 15m, 1h30m, 250ms or 2d")
    return sum(_decimal_ns(number, UNITS_NS[unit]) for number, unit in _SPAN_PART.findall(text))


def parse_instant(text: str, *, now_ns: int) -> int:
    """Nanoseconds since 1970-01-01T00:00:00Z (POSIX). Raises BadInstant, naming what is wrong."""
    stripped = text.strip()
    if stripped.lower() == "now":
        return now_ns
    if stripped.startswith("-") and _SPAN.fullmatch(stripped[1:]):
        return now_ns - parse_span(stripped[1:])
    if epoch := _EPOCH.fullmatch(stripped):
        return _from_epoch(epoch, text)
    if civil := _CIVIL.fullmatch(stripped):
        return _from_civil(civil, text)
    raise BadInstant(
        f"{text!r} is no instant: write 2026-11-25T06:55:03Z, seconds since 1970, now, or an age such as -15m"
    )


def _from_epoch(match: re.Match[str], text: str) -> int:
    at, sign, whole, fraction, unit = match.groups()
    if (sign or unit) and not at:
        hint = f"an age needs a unit: {text}s" if sign else f"an age begins with a minus: -{text}"
        raise BadInstant(f"{text!r} is ambiguous: {hint}; an instant since 1970 begins with @")
    size = len(whole.lstrip("0"))
    guessed = "s" if size <= 11 else "ms" if size <= 14 else "us" if size <= 17 else "ns"
    value = _decimal_ns(f"{whole}.{fraction or ''}", UNITS_NS[unit or guessed])
    if value >= 1 << 62:
        raise BadInstant(f"{text!r} is later than the year 2116, the last that noonmark reckons with")
    return -value if sign else value


def _from_civil(match: re.Match[str], text: str) -> int:
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    if zone is None:
        date = f"{year}-{month}-{day}T{hour or '00'}:{minute or '00'}:{second or '00'}"
        raise BadInstant(f"{text!r} does not say its time zone: write {date}Z for UTC, or {date}+01:00")
    leap = second == "60"
    try:
        local = datetime(
            int(year), int(month), int(day), int(hour), int(minute), 59 if leap else int(second or 0), tzinfo=UTC
        )
    except ValueError as error:
        raise BadInstant(f"{text!r} is no instant: {error}") from error
    seconds = (local - _EPOCH_START) // timedelta(seconds=1) - _zone_seconds(zone, text)
    if leap:
        utc = _EPOCH_START + timedelta(seconds=seconds)
        after = utc + timedelta(seconds=1)
        if (utc.hour, utc.minute) != (23, 59) or after.day != 1:
            raise BadInstant(f"{text!r} is no instant: a second 60 comes only at the end of a UTC month")
        seconds += 1
    nanoseconds = int((fraction or "0")[:9].ljust(9, "0"))
    return seconds * SECOND_NS + nanoseconds


def _zone_seconds(zone: str, text: str) -> int:
    if zone in "Zz":
        return 0
    hours, minutes = int(zone[1:3]), int(zone[-2:])
    if hours > 23 or minutes > 59:
        raise BadInstant(f"{text!r} is no instant: the zone {zone} does not exist")
    seconds = hours * 3600 + minutes * 60
    return -seconds if zone[0] == "-" else seconds


def format_instant(at_ns: int, *, digits: int | None = None) -> str:
    """RFC 3339 in UTC; `digits` of fraction (cut, not rounded), or as many groups of three as are needed.

    Outside the years 1 to 9999: ``@`` and nanoseconds since 1970 with their unit, which `parse_instant` reads too.
    """
    seconds, nanoseconds = divmod(at_ns, SECOND_NS)
    try:
        civil = _EPOCH_START + timedelta(seconds=seconds)
    except OverflowError:
        return f"@{at_ns}ns"
    fraction = f"{nanoseconds:09d}"
    if digits is None:
        digits = next(n for n in (0, 3, 6, 9) if not fraction[n:].strip("0"))
    text = f"{civil:%H:%M:%S}"
    point = "." if digits else ""
    return f"{civil.year:04d}-{civil.month:02d}-{civil.day:02d}T{text}{point}{fraction[:digits]}Z"
