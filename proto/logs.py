"""One line a log record on standard error, as key=value pairs or as JSON, the same for both programs.

Rules: a message is a short fixed text; what varies goes into `extra={"fields": {...}}`, so that a machine finds it
under a name. Times carry their zone. Nothing here is written to standard output.
"""

from __future__ import annotations

import datetime
import json
import logging
import sys
from typing import TextIO

LEVELS = ("debug", "info", "warning", "error")
FORMATS = ("text", "json")


def _parts(record: logging.LogRecord) -> dict[str, object]:
    at = datetime.datetime.fromtimestamp(record.created, datetime.UTC)
    parts: dict[str, object] = {
        "time": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "level": record.levelname.lower(),
        "part": record.name.removeprefix("noonmark."),
        "message": record.getMessage(),
    }
    parts.update(getattr(record, "fields", {}))
    return parts


class JsonFormatter(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as a JSON object; a traceback is under the key `traceback`."""
        parts = _parts(record)
        if record.exc_info:
            parts["traceback"] = self.formatException(record.exc_info)
        return _json(parts)


class TextFormatter(logging.Formatter):
    """`time level part: message key=value ...`; values with spaces or quotes are quoted as JSON strings."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line, and a traceback below it where there is one."""
        parts = _parts(record)
        head = f"{parts.pop('time')} {parts.pop('level')} {parts.pop('part')}: {parts.pop('message')}"
        line = " ".join([head, *(f"{key}={_bare(value)}" for key, value in parts.items())])
        return f"{line}\n{self.formatException(record.exc_info)}" if record.exc_info else line


def _bare(value: object) -> str:
    text = str(value)
    plain = text.isprintable() and text and not any(character in text for character in ' "=')
    return text if plain else _json(text)


def _json(value: object) -> str:
    """On one line whatever is in it: JSON leaves line separators and terminals' control characters beyond ASCII as they
    are, and some of what is logged was said by others."""
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if text.isprintable() else json.dumps(value, default=str)


def set_up(level: str, style: str, stream: TextIO | None = None) -> None:
    """Send the noonmark loggers to `stream` (standard error by default); called once by a program, never by a part."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonFormatter() if style == "json" else TextFormatter())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("noonmark").setLevel(level.upper())
