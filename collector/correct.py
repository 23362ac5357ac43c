"""A log with its times corrected, or with the sender's honest claim about its clock beside them. Pure.

`rewrite` replaces the text of a stamp by the corrected instant, in the form of the stamp: same layout, same zone, same
number of digits (RFC 3164's included), so that what read the log before reads it still. `with_time_quality` leaves the
time as it is and writes the structured data of RFC 5424 section 7.1: `tzKnown`, `isSynced` and `syncAccuracy`, whole
microseconds within which the time is true, rounded up. The standard allows no accuracy where isSynced is 0, and
nothing that is not known; so a clock without limits is isSynced="0".

A stamp covers [time, time + resolution); the corrected one covers the same width, so it is rounded to the nearest unit
of its own last digit.
"""

from __future__ import annotations

import re

from noonmark.collector.civil import MONTHS, SECOND_NS, civil_from_days, print_instant
from noonmark.collector.log_stamps import LogStamp
from noonmark.collector.stamps_epoch import UNIT_NS, UNIT_OF_DIGITS
from noonmark.collector.stamps_syslog import structured_data, time_quality_element


class CannotRewrite(ValueError):  # noqa: N818 - named for what the caller tells
    """A stamp's form has no room for the corrected time."""


def rewrite(line: bytes, stamp: LogStamp, offset_ns: int) -> bytes:
    """The line with its stamp moved by -offset. Raises CannotRewrite where the text cannot be found or does not fit."""
    if stamp.end <= stamp.begin:
        raise CannotRewrite("where the time stands in the line is not known")
    text = line[stamp.begin : stamp.end]
    return line[: stamp.begin] + _moved(text, stamp, offset_ns) + line[stamp.end :]


def _moved(text: bytes, stamp: LogStamp, offset_ns: int) -> bytes:
    number = re.fullmatch(rb"(\d+)(?:\.(\d+))?", text)
    try:
        if number is not None:
            return _epoch(number, stamp, offset_ns)
        unit = _unit(text)
        exact = stamp.time_ns - offset_ns
        local = (2 * exact + unit) // (2 * unit) * unit + stamp.zone_seconds * SECOND_NS
        return _in_form(text, local)
    except (ValueError, OverflowError) as error:
        raise CannotRewrite(str(error)) from error


def _epoch(number: re.Match[bytes], stamp: LogStamp, offset_ns: int) -> bytes:
    whole, fraction = number[1], number[2] or b""
    unit = UNIT_NS[stamp.format if stamp.format in UNIT_NS else UNIT_OF_DIGITS[len(whole)]]
    digits = len(fraction)
    step = max(1, unit // 10**digits)
    corrected = (2 * (stamp.time_ns - offset_ns) + step) // (2 * step) * step
    if corrected < 0:
        raise CannotRewrite("the corrected time lies before 1970, which this form cannot tell")
    seconds, rest = divmod(corrected, unit)
    point = f".{rest * 10**digits // unit:0{digits}d}" if digits else ""
    return f"{seconds:0{len(whole)}d}{point}".encode()


def _unit(text: bytes) -> int:
    """One unit of the last digit of a civil time, ns; whole seconds at the finest where there is no fraction."""
    fraction = re.search(rb":\d\d[.,](\d+)|T\d{6}[.,](\d+)", text)
    if fraction is not None:
        return int(10 ** max(0, 9 - len(fraction[1] or fraction[2])))
    seconds = re.search(rb"\d\d:\d\d:\d\d|T\d{6}", text)
    return SECOND_NS if seconds else 60 * SECOND_NS


def _in_form(text: bytes, local_ns: int) -> bytes:
    """A local civil time written over another's text: each group of digits by what it means, all else as it was."""
    printed = print_instant(local_ns)  # yyyy-mm-ddThh:mm:ss.fffffffff
    day_number = local_ns // (86_400 * SECOND_NS)
    _, month, day = civil_from_days(day_number)
    parts = {"Y": printed[:4], "m": printed[5:7], "d": printed[8:10], "H": printed[11:13], "M": printed[14:16]}
    parts |= {"S": printed[17:19], "f": printed[20:29], "b": MONTHS[month - 1], "e": f"{day:2d}"}
    for pattern, names in _FORMS:
        found = pattern.match(text)
        if found is None:
            continue
        out, position = bytearray(), 0
        for group, name in enumerate(names, start=1):
            if found[group] is None:
                continue
            value = parts[name][: len(found[group])] if name == "f" else parts[name]
            if name == "f":
                value = value.ljust(len(found[group]), "0")
            out += text[position : found.start(group)] + value.encode()
            position = found.end(group)
        return bytes(out + text[position:])
    raise CannotRewrite(f"no known form of a time: {text.decode('utf-8', 'replace')}")


_CLOCK = rb"(\d\d):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?"
_FORMS = (
    (re.compile(rb"(\d{4})[-/](\d\d)[-/](\d\d)[Tt _]" + _CLOCK), "YmdHMSf"),
    (re.compile(rb"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)(?:[.,](\d+))?"), "YmdHMSf"),
    (re.compile(rb"(\d\d)/([A-Za-z]{3})/(\d{4}):" + _CLOCK), "dbYHMSf"),
    (re.compile(rb"([A-Za-z]{3}) ([ \d]\d) " + _CLOCK), "beHMSf"),
    (re.compile(rb"(\d\d)(\d\d) +" + _CLOCK), "mdHMSf"),
)


def time_quality(zone_known: bool, lower_ns: int | None, upper_ns: int | None, resolution_ns: int = 1) -> bytes:
    """The timeQuality element for a clock whose error lies within limits (positive: ahead).

    syncAccuracy is symmetric (the standard's example: 60000000 means within 60 s either way), so the wider side counts,
    and the stamp's own resolution with it.
    """
    known = b'tzKnown="%d"' % zone_known
    if lower_ns is None or upper_ns is None:
        return b"[timeQuality " + known + b' isSynced="0"]'
    accuracy = -(-(max(abs(lower_ns), abs(upper_ns)) + resolution_ns - 1) // 1000)
    return b"[timeQuality " + known + b' isSynced="1" syncAccuracy="%d"]' % max(1, accuracy)


def with_time_quality(line: bytes, element: bytes) -> bytes:
    """An RFC 5424 line with the element among its structured data, in place of one that is there.

    Raises CannotRewrite for a line that is not RFC 5424.
    """
    place = structured_data(line)
    if place is None:
        raise CannotRewrite("not an RFC 5424 line: only its structured data can hold a timeQuality element")
    begin, end = place
    old = line[begin:end]
    if old == b"-":
        return line[:begin] + element + line[end:]
    there = time_quality_element(old)
    data = old[: there[0]] + element + old[there[1] :] if there else element + old
    return line[:begin] + data + line[end:]
