"""The id that a log line carries in a named field: JSON, logfmt, or `name=value` in free text. Pure."""

from __future__ import annotations

import re

from noonmark.collector.stamps_fields import look_up, parse_object

_PATTERNS: dict[str, re.Pattern[bytes]] = {}


def field_value(record: bytes, field: str) -> bytes | None:
    """The value, without its quotes; None if the record has no such field or an empty one."""
    if record.startswith(b"{"):
        fields = parse_object(record.partition(b"\n")[0])
        if fields is not None:
            value = look_up(fields, field)
            return str(value).encode("utf-8", "replace") if isinstance(value, str) and value else None
    found = _pattern(field).search(record)
    if found is None:
        return None
    return found["quoted"] or found["bare"] or None


def _pattern(field: str) -> re.Pattern[bytes]:
    if field not in _PATTERNS:
        name = re.escape(field.encode())
        _PATTERNS[field] = re.compile(
            rb"(?<![\w.-])\"?" + name + rb"\"?(?:=|: ?)(?:\"(?P<quoted>[^\"\n]*)\"|(?P<bare>[^\s\",;)\]}]+))"
        )
    return _PATTERNS[field]
