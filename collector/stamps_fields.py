"""Stamps in named fields: JSON lines (the journal's JSON among them) and logfmt. Pure.

The value is an RFC 3339 or ISO 8601 text, or an epoch number whose unit its length tells. Numbers are taken digit by
digit from the text, never through floating point. Where a line has several of the fields, the first of the options'
order counts; `--field` names another.
"""

from __future__ import annotations

import dataclasses
import json
import re
from typing import Any

from noonmark.collector import stamps_epoch, stamps_iso
from noonmark.collector.log_stamps import LogStamp, StampOptions

JOURNAL_TIME = "__REALTIME_TIMESTAMP"
JOURNAL_HOST = "_HOSTNAME"


class _Number(str):
    """A JSON number as it was written."""

    __slots__ = ()


def read_json(line: bytes, options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """One JSON object a line. Raises MissingZone."""
    fields = parse_object(line)
    if fields is None:
        return _read_cut_off(line, options)
    names = (*options.fields, JOURNAL_TIME) if JOURNAL_TIME in fields else options.fields
    for name in names:
        value = look_up(fields, name)
        stamp = _from_value(value, options)
        if stamp is not None:
            begin, end = _locate(line, name, str(value))
            return dataclasses.replace(
                stamp, begin=begin, end=end, format="json", host=_host(fields, options.host_field)
            )
    return None


def _read_cut_off(line: bytes, options: StampOptions) -> LogStamp | None:
    """A JSON line that was cut off and so does not parse still tells its time if the preferred field stands first."""
    found = re.match(
        rb"\{\"" + re.escape(options.fields[0].encode()) + rb"\":(?:\"([^\"\\]*)\"|([\d.]+)(?![\w.]))", line
    )
    if found is None:
        return None
    group = 2 if found[1] is None else 1
    stamp = _from_value(found[group].decode("utf-8", "replace"), options)
    return dataclasses.replace(stamp, begin=found.start(group), end=found.end(group), format="json") if stamp else None


def read_logfmt(line: bytes, options: StampOptions, _before_ns: int | None = None) -> LogStamp | None:
    """key=value pairs, values quoted where they hold spaces. Raises MissingZone."""
    if b"=" not in line:
        return None
    for name in options.fields:
        found = _pair(name).search(line)
        if found is None:
            continue
        group = "quoted" if found["quoted"] is not None else "bare"
        stamp = _from_value(found[group].decode("utf-8", "replace"), options)
        if stamp is not None:
            begin, end = found.span(group)
            host = _pair(options.host_field).search(line) if options.host_field else None
            text = (host["quoted"] or host["bare"] or b"").decode("utf-8", "replace") if host else None
            return dataclasses.replace(stamp, begin=begin, end=end, format="logfmt", host=text or None)
    return None


def parse_object(line: bytes) -> dict[str, Any] | None:
    """A line's JSON object, its numbers left as text; None if it is none."""
    if line.lstrip()[:1] != b"{":
        return None
    try:
        fields = json.loads(line, parse_float=_Number, parse_int=_Number)
    except (ValueError, RecursionError):
        return None
    return fields if isinstance(fields, dict) else None


def look_up(fields: dict[str, Any], name: str) -> object:
    """The value under a name; a dot steps into a nested object unless the whole name is a key."""
    if name in fields:
        return fields[name]
    value: Any = fields
    for part in name.split("."):
        if not isinstance(value, dict) or part not in value:
            return None
        value = value[part]
    return value


def logfmt_value(line: bytes, name: str) -> str | None:
    """The value of one key of a logfmt line."""
    found = _pair(name).search(line)
    if found is None:
        return None
    value = found["quoted"] if found["quoted"] is not None else found["bare"]
    return bytes(value).decode("utf-8", "replace")


def _from_value(value: object, options: StampOptions) -> LogStamp | None:
    if not isinstance(value, str):
        return None
    text = str(value).strip().encode("utf-8", "replace")
    return stamps_epoch.read_whole(text) or stamps_iso.read_whole(text, options)


def _host(fields: dict[str, Any], host_field: str | None) -> str | None:
    value = look_up(fields, host_field) if host_field else fields.get(JOURNAL_HOST) if JOURNAL_TIME in fields else None
    return str(value) if isinstance(value, str) and value else None


def _locate(line: bytes, name: str, value: str) -> tuple[int, int]:
    """Where a field's value stands in the line; (0, 0) if it is written with escapes and so not found."""
    key = re.escape(json.dumps(name.rpartition(".")[2]).encode())
    found = re.search(rb"(?:" + key + rb")\s*:\s*\"?(" + re.escape(value.encode("utf-8", "replace")) + rb")", line)
    return found.span(1) if found else (0, 0)


_PATTERNS: dict[str, re.Pattern[bytes]] = {}


def _pair(name: str) -> re.Pattern[bytes]:
    if name not in _PATTERNS:
        key = re.escape(name.encode())
        _PATTERNS[name] = re.compile(rb"(?:^|(?<=\s))" + key + rb"=(?:\"(?P<quoted>[^\"]*)\"|(?P<bare>[^\s\"]*))")
    return _PATTERNS[name]
