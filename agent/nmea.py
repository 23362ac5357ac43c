"""Sentences of NMEA 0183, as satellite receivers speak them, to frozen values. Pure.

A sentence is `$`, two letters for the talker, three for the kind, fields between commas, `*`, and the exclusive-or of
all octets between `$` and `*` as two hexadecimal digits. A sentence without that checksum is refused: serial lines
lose octets. Understood are RMC, GGA, GNS, GSA and ZDA of any satellite system's talker (GP, GL, GA, GB, BD, GQ, QZ,
GI, GN); all others are not for us. Times are of day in nanoseconds, as UTC; 23:59:60 is 86 400 s.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

SECOND_NS = 1_000_000_000
LONGEST = 120
"""The standard allows 82 octets; some receivers write more."""
TALKERS = frozenset({"GP", "GL", "GA", "GB", "BD", "GQ", "QZ", "GI", "GN"})
_TIME = re.compile(r"(\d{2})(\d{2})(\d{2})(?:\.(\d{1,9}))?")
_DEGREES = re.compile(r"(\d{1,3})(\d{2}(?:\.\d{1,9})?)")
_CENTURY_PIVOT = 80
"""Two-digit years from here on are of the twentieth century: the system's own time begins in 1980."""


class NmeaError(ValueError):
    """A line that is no sound sentence; `reason` is one word for counting."""

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Position:
    """Degrees; north and east positive."""

    latitude: float
    longitude: float

    def distance_m(self, other: Position) -> float:
        """Along a sphere of the Earth's mean radius."""
        north, east = math.radians(other.latitude - self.latitude), math.radians(other.longitude - self.longitude)
        lift = math.cos(math.radians(self.latitude)) * math.cos(math.radians(other.latitude))
        chord = math.sin(north / 2) ** 2 + lift * math.sin(east / 2) ** 2
        return 2 * 6_371_008.8 * math.asin(math.sqrt(min(1.0, chord)))


@dataclass(frozen=True, slots=True)
class Recommended:
    """RMC."""

    talker: str
    time_ns: int | None
    day: date | None
    valid: bool
    """Status A, and a mode that is measured rather than estimated, simulated or entered by hand."""
    position: Position | None


@dataclass(frozen=True, slots=True)
class FixData:
    """GGA and GNS."""

    talker: str
    time_ns: int | None
    valid: bool
    kind: str
    """none, autonomous, differential, precise, real-time-kinematic, float, estimated, manual, simulated."""
    satellites: int | None
    hdop: float | None
    position: Position | None


@dataclass(frozen=True, slots=True)
class Active:
    """GSA."""

    talker: str
    system: str
    """Number of the satellite system, where the sentence tells it."""
    dimensions: int
    """1: no fix; 2 and 3 dimensions."""
    satellites: int
    pdop: float | None
    hdop: float | None
    vdop: float | None


@dataclass(frozen=True, slots=True)
class DateTime:
    """ZDA."""

    talker: str
    time_ns: int | None
    day: date | None


Sentence = Recommended | FixData | Active | DateTime

_QUALITY = {
    "0": "none",
    "1": "autonomous",
    "2": "differential",
    "3": "precise",
    "4": "real-time-kinematic",
    "5": "float",
    "6": "estimated",
    "7": "manual",
    "8": "simulated",
}
_MODES = {
    "N": "none",
    "A": "autonomous",
    "D": "differential",
    "P": "precise",
    "R": "real-time-kinematic",
    "F": "float",
    "E": "estimated",
    "M": "manual",
    "S": "simulated",
}
_MEASURED = frozenset({"autonomous", "differential", "precise", "real-time-kinematic", "float"})
_BEST_FIRST = ("real-time-kinematic", "float", "precise", "differential", "autonomous", "estimated", "manual")


def checksum(body: bytes) -> int:
    """Exclusive-or of all octets."""
    value = 0
    for octet in body:
        value ^= octet
    return value


def parse(line: bytes) -> Sentence | None:
    """One line's sentence; None for a sound one that is not for us. Raises NmeaError.

    Line ends and anything before the `$` are ignored.
    """
    start = line.find(b"$")
    text = line[start:].rstrip(b"\r\n \x00") if start >= 0 else b""
    if not text:
        raise NmeaError("no-sentence", "a line without a sentence")
    if len(text) > LONGEST:
        raise NmeaError("too-long", f"a sentence of {len(text)} octets")
    body, star, digits = text[1:].rpartition(b"*")
    if not star or not re.fullmatch(rb"[0-9A-Fa-f]{2}", digits):
        raise NmeaError("no-checksum", "a sentence without a checksum")
    if checksum(body) != int(digits, 16):
        raise NmeaError("checksum", f"checksum {digits.decode()} where {checksum(body):02X} is right")
    if not all(32 <= octet < 127 for octet in body):
        raise NmeaError("characters", "octets that are no printable characters")
    address, *fields = body.decode("ascii").split(",")
    reader = _KINDS.get(address[2:])
    if len(address) != 5 or reader is None or address[:2] not in TALKERS:
        return None
    return reader(address[:2], fields)


def _padded(kind: str, fields: list[str], least: int, whole: int) -> list[str]:
    if len(fields) < least:
        raise NmeaError("fields", f"{kind} with {len(fields)} fields; at least {least}")
    return fields + [""] * (whole - len(fields))


def _time_ns(text: str) -> int | None:
    if not text:
        return None
    match = _TIME.fullmatch(text)
    if not match:
        raise NmeaError("time", f"time {text!r}")
    hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3])
    leap = hours == 23 and minutes == 59 and seconds == 60
    if hours > 23 or minutes > 59 or (seconds > 59 and not leap):
        raise NmeaError("time", f"time {text!r}")
    return (hours * 3600 + minutes * 60 + seconds) * SECOND_NS + int((match[4] or "").ljust(9, "0"))


def _date(day: str, month: str, year: str) -> date | None:
    if not (day or month or year):
        return None
    try:
        if not (day.isdecimal() and month.isdecimal() and year.isdecimal() and len(year) in (2, 4)):
            raise ValueError
        number = int(year)
        if len(year) == 2:
            number += 1900 if number >= _CENTURY_PIVOT else 2000
        return date(number, int(month), int(day))
    except ValueError:
        raise NmeaError("date", f"date {day!r}, {month!r}, {year!r}") from None


def _position(latitude: str, north: str, longitude: str, east: str) -> Position | None:
    if not (latitude and longitude):
        return None
    up, right = _DEGREES.fullmatch(latitude), _DEGREES.fullmatch(longitude)
    if not up or not right or north not in ("N", "S") or east not in ("E", "W"):
        raise NmeaError("position", f"position {latitude!r} {north!r} {longitude!r} {east!r}")
    angles = (int(up[1]) + float(up[2]) / 60, int(right[1]) + float(right[2]) / 60)
    if angles[0] > 90 or angles[1] > 180 or float(up[2]) >= 60 or float(right[2]) >= 60:
        raise NmeaError("position", f"position {latitude!r} {north!r} {longitude!r} {east!r}")
    return Position(angles[0] if north == "N" else -angles[0], angles[1] if east == "E" else -angles[1])


def _number(text: str) -> float | None:
    if not text:
        return None
    if not re.fullmatch(r"-?\d{1,6}(\.\d{0,9})?", text):
        raise NmeaError("number", f"number {text!r}")
    return float(text)


def _count(text: str) -> int | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,3}", text):
        raise NmeaError("number", f"count {text!r}")
    return int(text)


def _rmc(talker: str, fields: list[str]) -> Recommended:
    part = _padded("RMC", fields, 9, 13)
    day = None
    if part[8]:
        if not re.fullmatch(r"\d{6}", part[8]):
            raise NmeaError("date", f"date {part[8]!r}")
        day = _date(part[8][:2], part[8][2:4], part[8][4:])
    if part[1] not in ("A", "V"):
        raise NmeaError("status", f"status {part[1]!r}")
    # The mode came with version 2.3; without it the status alone counts.
    measured = part[11] == "" or _MODES.get(part[11], "none") in _MEASURED
    place = _position(*part[2:6])
    return Recommended(talker, _time_ns(part[0]), day, part[1] == "A" and measured, place)


def _gga(talker: str, fields: list[str]) -> FixData:
    part = _padded("GGA", fields, 9, 14)
    kind = _QUALITY.get(part[5] or "0")
    if kind is None:
        raise NmeaError("quality", f"fix quality {part[5]!r}")
    place = _position(*part[1:5])
    return FixData(talker, _time_ns(part[0]), kind in _MEASURED, kind, _count(part[6]), _number(part[7]), place)


def _gns(talker: str, fields: list[str]) -> FixData:
    part = _padded("GNS", fields, 8, 12)
    if not re.fullmatch(r"[A-Z]{0,10}", part[5]):
        raise NmeaError("quality", f"modes {part[5]!r}")
    kinds = {_MODES.get(letter, "none") for letter in part[5]}
    kind = "simulated" if "simulated" in kinds else next((best for best in _BEST_FIRST if best in kinds), "none")
    place = _position(*part[1:5])
    return FixData(talker, _time_ns(part[0]), kind in _MEASURED, kind, _count(part[6]), _number(part[7]), place)


def _gsa(talker: str, fields: list[str]) -> Active:
    part = _padded("GSA", fields, 17, 18)
    if part[1] not in ("1", "2", "3"):
        raise NmeaError("fix", f"fix {part[1]!r}")
    used = sum(1 for satellite in part[2:14] if satellite)
    return Active(talker, part[17], int(part[1]), used, _number(part[14]), _number(part[15]), _number(part[16]))


def _zda(talker: str, fields: list[str]) -> DateTime:
    part = _padded("ZDA", fields, 4, 6)
    if len(part[3]) == 2:
        raise NmeaError("date", f"year {part[3]!r} of a ZDA")
    return DateTime(talker, _time_ns(part[0]), _date(part[1], part[2], part[3]))


_KINDS: dict[str, Callable[[str, list[str]], Sentence]] = {
    "RMC": _rmc,
    "GGA": _gga,
    "GNS": _gns,
    "GSA": _gsa,
    "ZDA": _zda,
}
