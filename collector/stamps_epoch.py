"""Epoch numbers as stamps: seconds, milliseconds, microseconds or nanoseconds since 1970. Pure.

The unit follows from the number of digits before the point, and only where that is plain: 9 or 10 digits are seconds
(1973 to 2286), 12 or 13 milliseconds, 15 or 16 microseconds, 18 or 19 nanoseconds. Other lengths are not recognised
rather than guessed. A forced unit takes any length.
"""

from __future__ import annotations

import re

from noonmark.collector.civil import SECOND_NS
from noonmark.collector.log_stamps import LogStamp, Recogniser, StampOptions

UNIT_NS = {"epoch-s": SECOND_NS, "epoch-ms": 10**6, "epoch-us": 10**3, "epoch-ns": 1}
UNIT_OF_DIGITS = {9: "epoch-s", 10: "epoch-s", 12: "epoch-ms", 13: "epoch-ms", 15: "epoch-us", 16: "epoch-us"} | {
    18: "epoch-ns",
    19: "epoch-ns",
}
_NUMBER = rb"(?P<whole>\d{1,24})(?:\.(?P<fraction>\d{1,24}))?"
AT_START = re.compile(rb"[\[(\"']?(?P<stamp>" + _NUMBER + rb")(?=[\s\])\"',;|]|\Z)")
WHOLE = re.compile(rb"(?P<stamp>" + _NUMBER + rb")\Z")


def read_at_start(line: bytes, _options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """The number that a line begins with, its unit told by its length."""
    found = AT_START.match(line)
    return _from_match(found, None) if found else None


def read_whole(text: bytes) -> LogStamp | None:
    """A text that is nothing but an epoch number, such as the value of a field."""
    found = WHOLE.match(text)
    return _from_match(found, None) if found else None


def in_unit(unit: str) -> Recogniser:
    """A recogniser for lines that begin with a number of a known unit (a key of `UNIT_NS`)."""

    def read(line: bytes, _options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
        found = AT_START.match(line)
        return _from_match(found, unit) if found else None

    return read


def _from_match(found: re.Match[bytes], unit: str | None) -> LogStamp | None:
    whole, fraction = found["whole"], found["fraction"] or b""
    unit = unit or UNIT_OF_DIGITS.get(len(whole))
    if unit is None:
        return None
    scale = UNIT_NS[unit]
    digits = len(str(scale)) - 1  # so many digits of fraction reach one nanosecond
    time_ns = int(whole) * scale + int(fraction[:digits].ljust(digits, b"0") or b"0")
    return LogStamp(
        time_ns=time_ns,
        resolution_ns=max(1, scale // 10 ** len(fraction)),
        begin=found.start("stamp"),
        end=found.end("stamp"),
        format=unit,
    )
