"""Syslog lines: RFC 5424 (with the sender's own claim of its clock's quality) and RFC 3164. Pure.

RFC 5424 section 6.2.3 is narrower than RFC 3339: upper-case T and Z, at most six digits of fraction, no leap second,
`-` where the sender had no clock. Lines that break it are not read as RFC 5424. RFC 3164 has neither year nor zone:
both must come from options; after the first line the year is the one nearest to the line before.
The header of glog-like writers (`I1125 06:55:03.123456`) lacks the same two and is read the same way.
"""

from __future__ import annotations

import re

from noonmark.collector.civil import MONTH_OF
from noonmark.collector.log_stamps import (
    CivilTime,
    LogStamp,
    MissingYear,
    MissingZone,
    StampOptions,
    TimeQuality,
    at_offset,
    in_zone,
)

_RFC5424 = re.compile(
    rb"<(?P<priority>\d{1,3})>(?P<version>[1-9]\d{0,2}) "
    rb"(?P<stamp>(?P<year>\d{4})-(?P<month>\d\d)-(?P<day>\d\d)T"
    rb"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>[0-5]\d)(?:\.(?P<fraction>\d{1,6}))?"
    rb"(?P<zone>Z|[+-]\d\d:[0-5]\d)) "
    rb"(?P<host>[!-~]{1,255})(?: [!-~]{1,48} [!-~]{1,128} [!-~]{1,32} (?P<data>-|\[))?"
)
_QUALITY = re.compile(rb"\[timeQuality((?: [!#-<>-\[^-~]+=\"(?:[^\"\\\]]|\\.)*\")*)\]")
_PARAMETER = re.compile(rb" ([!#-<>-\[^-~]+)=\"((?:[^\"\\\]]|\\.)*)\"")
_ELEMENTS = re.compile(rb"(?:\[[^ \]=\"]+(?: [^ \]=\"]+=\"(?:[^\"\\\]]|\\.)*\")*\])+")
_RFC3164 = re.compile(
    rb"(?:<\d{1,3}>)?(?P<stamp>(?P<month>[A-Z][a-z]{2}) (?P<day>[ \d]\d) "
    rb"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)(?:\.(?P<fraction>\d{1,9}))?)(?: (?P<host>[!-~]+))?"
)
_GLOG = re.compile(
    rb"[IWEFD](?P<stamp>(?P<month>\d\d)(?P<day>\d\d) +"
    rb"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)\.(?P<fraction>\d{1,9}))(?=\s)"
)


def read_rfc5424(line: bytes, _options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """RFC 5424; None for the nil time `-`."""
    found = _RFC5424.match(line)
    if found is None or int(found["priority"]) > 191:
        return None
    zone = found["zone"].decode()
    zone_seconds = 0 if zone == "Z" else (int(zone[1:3]) * 60 + int(zone[4:6])) * (-60 if zone[0] == "-" else 60)
    try:
        time_ns, resolution_ns = at_offset(_civil(found, int(found["year"]), int(found["month"])), zone_seconds)
    except (ValueError, OverflowError):
        return None
    quality = read_time_quality(line[found.start("data") :]) if found["data"] == b"[" else None
    return LogStamp(
        time_ns=time_ns,
        resolution_ns=resolution_ns,
        begin=found.start("stamp"),
        end=found.end("stamp"),
        format="rfc5424",
        zone_known=quality is None or quality.zone_known is not False,
        zone_seconds=zone_seconds,
        host=None if found["host"] == b"-" else found["host"].decode("ascii"),
        quality=quality,
    )


def structured_data(line: bytes) -> tuple[int, int] | None:
    """Where in an RFC 5424 line its STRUCTURED-DATA stands (begin, end), be it `-`; None if it is not one."""
    found = _RFC5424.match(line)
    if found is None or found["data"] is None:
        return None
    begin = found.start("data")
    if found["data"] == b"-":
        return begin, begin + 1
    elements = _ELEMENTS.match(line, begin)
    return (begin, elements.end()) if elements else None


def time_quality_element(structured: bytes) -> tuple[int, int] | None:
    """Where in structured data the timeQuality element stands; None if there is none."""
    found = _QUALITY.search(structured)
    return found.span() if found else None


def read_time_quality(structured: bytes) -> TimeQuality | None:
    """The timeQuality element of RFC 5424 section 7.1; parameters that break the standard count as not given."""
    elements = _ELEMENTS.match(structured)
    found = _QUALITY.search(structured, 0, elements.end()) if elements else None
    if found is None:
        return None
    given = dict(_PARAMETER.findall(found[1]))
    truth = {b"0": False, b"1": True}
    synchronised = truth.get(given.get(b"isSynced", b""))
    accuracy = given.get(b"syncAccuracy", b"")
    # The standard forbids an accuracy beside isSynced="0".
    usable = re.fullmatch(rb"\d{1,18}", accuracy) is not None and synchronised is not False
    return TimeQuality(
        zone_known=truth.get(given.get(b"tzKnown", b"")),
        synchronised=synchronised,
        accuracy_ns=int(accuracy) * 1000 if usable else None,
    )


def read_rfc3164(line: bytes, options: StampOptions, before_ns: int | None = None) -> LogStamp | None:
    """RFC 3164, the BSD form. Raises MissingYear, MissingZone."""
    found = _RFC3164.match(line)
    if found is None:
        return None
    month = MONTH_OF.get(found["month"].lower())
    return None if month is None else _without_year(found, month, options, before_ns, "rfc3164")


def read_glog(line: bytes, options: StampOptions, before_ns: int | None = None) -> LogStamp | None:
    """A level letter, month and day in four digits, time of day. Raises MissingYear, MissingZone."""
    found = _GLOG.match(line)
    return None if found is None else _without_year(found, int(found["month"]), options, before_ns, "glog")


def _without_year(
    found: re.Match[bytes], month: int, options: StampOptions, before_ns: int | None, form: str
) -> LogStamp | None:
    """Take the year from the line before or else from the option; the zone from the option."""
    try:
        at_offset(_civil(found, 2000, month), 0)  # a leap year: does the day exist at all?
    except (ValueError, OverflowError):
        if int(found["second"]) != 60:
            return None
    if options.year is None:
        raise MissingYear(found["stamp"].decode())
    if options.zone is None:
        raise MissingZone(found["stamp"].decode())
    readings = []
    for year in (options.year,) if before_ns is None else _years_near(before_ns):
        try:
            readings.append(in_zone(_civil(found, year, month), options.zone))
        except (ValueError, OverflowError):
            continue
    if not readings:
        return None
    time_ns, resolution_ns, zone_seconds = min(
        readings, key=lambda reading: 0 if before_ns is None else abs(reading[0] - before_ns)
    )
    host = found.groupdict().get("host")
    return LogStamp(
        time_ns=time_ns,
        resolution_ns=resolution_ns,
        begin=found.start("stamp"),
        end=found.end("stamp"),
        format=form,
        zone_known=False,
        zone_seconds=zone_seconds,
        host=host.decode("ascii") if host else None,
    )


def _years_near(time_ns: int) -> tuple[int, int, int]:
    """The year of an instant to within a day, and its neighbours."""
    year = 1970 + int(time_ns // 31_556_952_000_000_000)
    return year - 1, year, year + 1


def _civil(found: re.Match[bytes], year: int, month: int) -> CivilTime:
    return CivilTime(
        year,
        month,
        int(found["day"]),
        int(found["hour"]),
        int(found["minute"]),
        int(found["second"]),
        found["fraction"] or b"",
    )
