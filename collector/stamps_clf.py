"""The Common Log Format of web servers: host, identity, user, [25/Nov/2026:06:55:03 +0000], request. Pure.

The stamp is the request's *start* though the line is written at its end, so lines of long requests stand later in the
file than their time says; that is no clock error.
"""

from __future__ import annotations

import re

from noonmark.collector.civil import MONTH_OF, zone_offset_seconds
from noonmark.collector.log_stamps import CivilTime, LogStamp, StampOptions, at_offset

_CLF = re.compile(
    rb"\S+ \S+ .{0,256}?\[(?P<stamp>(?P<day>\d\d)/(?P<month>[A-Za-z]{3})/(?P<year>\d{4})"
    rb":(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)(?:\.(?P<fraction>\d+))? (?P<zone>[+-]\d{4}))\]"
)


def read_clf(line: bytes, _options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """The bracketed time of a Common Log Format line, or of the combined form that extends it."""
    found = _CLF.match(line)
    month = MONTH_OF.get(found["month"].lower()) if found else None
    if found is None or month is None:
        return None
    zone_seconds = zone_offset_seconds(found["zone"].decode())
    if zone_seconds is None:
        return None
    day, year, hour, minute, second = (int(found[name]) for name in ("day", "year", "hour", "minute", "second"))
    try:
        civil = CivilTime(year, month, day, hour, minute, second, found["fraction"] or b"")
        time_ns, resolution_ns = at_offset(civil, zone_seconds)
    except (ValueError, OverflowError):
        return None
    return LogStamp(
        time_ns=time_ns,
        resolution_ns=resolution_ns,
        begin=found.start("stamp"),
        end=found.end("stamp"),
        format="clf",
        zone_seconds=zone_seconds,
    )
