"""A small text file that is read again when it was changed. Rim.

A new content that makes no sense is told in the log once, and the last good one stays in force.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

from noonmark.proto.tls_files import TlsFileProblem

LOOK_EVERY = 1.0
_Value = TypeVar("_Value")
log = logging.getLogger("noonmark.collector.access")


class WatchedFile(Generic[_Value]):
    """`parse` makes the value from the text and raises TlsFileProblem for one that makes no sense."""

    def __init__(
        self,
        path: Path,
        parse: Callable[[str], _Value],
        *,
        missing: _Value | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Raises TlsFileProblem if the file cannot be used now; `missing` is its value where there is none."""
        self._path = path
        self._parse = parse
        self._missing = missing
        self._monotonic = monotonic
        self._signature = self._stat()
        self._value = self._read()
        self._looked = monotonic()

    def value(self) -> _Value:
        """As the file has it now, or had it a second ago."""
        now = self._monotonic()
        if now - self._looked >= LOOK_EVERY:
            self._looked = now
            signature = self._stat()
            if signature != self._signature:
                self._signature = signature
                try:
                    self._value = self._read()
                    log.info("file read again", extra={"fields": {"file": str(self._path)}})
                except TlsFileProblem as problem:
                    log.error("file not used, what it said before stays: %s", problem)
        return self._value

    def _stat(self) -> object:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size

    def _read(self) -> _Value:
        try:
            text = self._path.read_text(encoding="utf-8")
        except FileNotFoundError:
            if self._missing is not None:
                return self._missing
            raise TlsFileProblem(f"{self._path}: cannot be read: no such file") from None
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "is not UTF-8 text"
            raise TlsFileProblem(f"{self._path}: cannot be read: {reason}") from None
        return self._parse(text)
