"""RFC 3339 and ISO 8601 stamps, as log lines begin with them. Pure.

Read are: the extended form with `T`, `t`, a space or an underscore between date and time, with `-` or `/` in the date;
the basic form (20261125T065503Z); any number of fraction digits after a point or a comma; `Z`, `z`, `UTC`, `GMT`,
`+hh:mm`, `+hhmm`, `+hh`, or no zone; seconds left out; 24:00:00; a leap second where there can be one. RFC 3339's
`-00:00` (local offset unknown, UTC known) is UTC.
"""

from __future__ import annotations

import re

from noonmark.collector.civil import MINUTE_NS, zone_offset_seconds
from noonmark.collector.log_stamps import CivilTime, LogStamp, MissingZone, StampOptions, at_offset, in_zone

_STAMP = (
    rb"(?:(?P<year>\d{4})(?P<dash>[-/])(?P<month>\d\d)(?P=dash)(?P<day>\d\d)[Tt _]"
    rb"(?P<hour>\d\d):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:[.,](?P<fraction>\d+))?)?(?!\d)"
    rb"|(?P<byear>\d{4})(?P<bmonth>\d\d)(?P<bday>\d\d)T"
    rb"(?P<bhour>\d\d)(?P<bminute>\d\d)(?P<bsecond>\d\d)(?:[.,](?P<bfraction>\d+))?(?!\d))"
    rb"(?P<zone>[Zz](?![A-Za-z0-9])| ?(?:UTC|GMT)(?![A-Za-z0-9])| ?[+-]\d\d:?\d\d(?!\d)|[+-]\d\d(?![\d:]))?"
)
_BEFORE = rb"[\[(\"'<|]?(?:[A-Za-z]{3,9}[\]:|]?[ \t|]+[\[(]?)?"
AT_START = re.compile(_BEFORE + rb"(?P<stamp>" + _STAMP + rb")")
"""At the head of a line: after at most an opening bracket and one word, such as a level."""
INSIDE = re.compile(rb"(?<![\w.:/-])(?P<stamp>" + _STAMP + rb")")
WHOLE = re.compile(rb"(?P<stamp>" + _STAMP + rb")\Z")


def read_at_start(line: bytes, options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """The stamp that a line begins with."""
    found = AT_START.match(line)
    return _from_match(found, options) if found else None


def read_inside(line: bytes, options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """The first stamp anywhere in a line; only on request, as messages speak of other times than their own."""
    found = INSIDE.search(line)
    return _from_match(found, options) if found else None


def read_whole(text: bytes, options: StampOptions) -> LogStamp | None:
    """A text that is nothing but a stamp, such as the value of a field."""
    found = WHOLE.match(text)
    return _from_match(found, options) if found else None


def _from_match(found: re.Match[bytes], options: StampOptions) -> LogStamp | None:
    """The stamp matched; None if there is no such date or time of day. Raises MissingZone."""
    basic = "b" if found["byear"] is not None else ""
    year, month, day, hour, minute = (int(found[basic + name]) for name in ("year", "month", "day", "hour", "minute"))
    second, fraction = found[basic + "second"], found[basic + "fraction"]
    civil = CivilTime(year, month, day, hour, minute, int(second or 0), fraction or b"")
    zone_text = (found["zone"] or b"").decode().strip()
    try:
        if zone_text:
            zone_seconds = zone_offset_seconds(zone_text)
            if zone_seconds is None:
                return None
            time_ns, resolution_ns = at_offset(civil, zone_seconds)
        elif options.zone is None:
            at_offset(civil, 0)
            raise MissingZone(found["stamp"].decode())
        else:
            time_ns, resolution_ns, zone_seconds = in_zone(civil, options.zone)
    except MissingZone:
        raise
    except (ValueError, OverflowError):
        return None
    if second is None:
        resolution_ns += MINUTE_NS - civil.resolution_ns()
    return LogStamp(
        time_ns=time_ns,
        resolution_ns=resolution_ns,
        begin=found.start("stamp"),
        end=found.end("stamp"),
        format="rfc3339",
        zone_known=bool(zone_text),
        zone_seconds=zone_seconds,
    )
