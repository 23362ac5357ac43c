"""Opening logs: files, folders of files, gzip, standard input; and what must be known of a log before it is read.

The rim of ordering. A log that cannot be used as it stands is refused before anything is written, with one line that
says which log, which line and what to do (`LogError`); a log that breaks while it is read (cut-off gzip, a bad disk)
ends there, is reported, and stops no other.
"""

from __future__ import annotations

import gzip
import sys
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from noonmark.collector.log_blocks import BLOCK_BYTES, ByteStream, LineLog, LogCounts, RecordBlock
from noonmark.collector.log_formats import JOURNAL_EXPORT, StampReader
from noonmark.collector.log_journal import JournalLog
from noonmark.collector.log_stamps import StampError, StampOptions

HEAD_BYTES = 1 << 16
HEAD_LINES = 200
_GZIP = b"\x1f\x8b"
_PIECE = 1 << 18
"""Bytes asked for at once."""
_READ_ERRORS = (OSError, EOFError, zlib.error)


class LogError(ValueError):
    """A log cannot be used as it stands; the message is one line for its owner."""


@dataclass(frozen=True, slots=True)
class LogName:
    """One log as asked for: where it is, and whose it is (None: its lines say)."""

    path: str
    """`-` is standard input."""
    host: str | None


@dataclass(slots=True)
class OpenLog:
    """A log ready to be read."""

    name: LogName
    stream: ByteStream
    source: LineLog | JournalLog
    hosts_from_lines: bool
    trouble: list[str] = field(default_factory=list)
    """What went wrong while it was read."""

    @property
    def counts(self) -> LogCounts:
        """What was read so far."""
        return self.source.counts

    def blocks(self) -> Iterator[RecordBlock]:
        """Its records; trouble ends them and is kept."""
        try:
            yield from self.source.blocks()
        except _READ_ERRORS as error:
            self.trouble.append(f"{self.name.path}: {error}; what was read up to there is in the output")
        finally:
            self.close()

    def close(self) -> None:
        """Close what is below; may be called twice."""
        if isinstance(self.stream, _HeadFirst):
            self.stream.close()


class _HeadFirst:
    """A stream whose beginning has been read already, and the file below it.

    What can be read before an error is given out before the error is.
    """

    def __init__(self, stream: ByteStream, file: BinaryIO, size: int) -> None:
        # readinto1 gives what there is before it meets an error.
        self._into: Callable[[memoryview], int] = getattr(stream, "readinto1", stream.readinto)
        self._file = file
        self._error: Exception | None = None
        self._left = b""
        self.head = self._left = self.read(size)

    def read(self, size: int = BLOCK_BYTES, /) -> bytes:
        buffer = bytearray(size)
        return bytes(memoryview(buffer)[: self.readinto(memoryview(buffer))])

    def readinto(self, buffer: memoryview, /) -> int:
        """Fill a buffer as far as there is anything; returns how far."""
        filled = min(len(self._left), len(buffer))
        buffer[:filled], self._left = self._left[:filled], self._left[filled:]
        while filled < len(buffer) and self._error is None:
            try:
                more = self._into(buffer[filled : filled + _PIECE])
            except _READ_ERRORS as error:
                self._error = error
                break
            if not more:
                break
            filled += more
        if not filled and self._error is not None:
            raise self._error
        return filled

    def close(self) -> None:
        """Close the file below; standard input is left open."""
        if self._file is not sys.stdin.buffer:
            self._file.close()


def log_names(arguments: Sequence[str]) -> list[LogName]:
    """Logs from the command line: `HOST=FILE`, `HOST=FOLDER` (all its files), `FOLDER` (a folder a host within), FILE.

    Files of a folder are taken in the order of their names. Raises LogError for a folder without files.
    """
    names: list[LogName] = []
    for argument in arguments:
        host, path = _split(argument)
        if path == "-" or not Path(path).is_dir():
            names.append(LogName(path, host))
            continue
        if host is not None:
            found = [LogName(str(file), host) for file in _files(Path(path))]
        else:
            folders = sorted(entry for entry in Path(path).iterdir() if entry.is_dir())
            found = [LogName(str(file), folder.name) for folder in folders for file in _files(folder)]
            found += [LogName(str(file), None) for file in _files(Path(path))]
        if not found:
            raise LogError(f"{path}: the folder holds no logs")
        names += found
    return names


def _split(argument: str) -> tuple[str | None, str]:
    """HOST=PATH, unless the whole argument is a path that exists."""
    host, equals, path = argument.partition("=")
    if not equals or not host or "/" in host or Path(argument).exists():
        return None, argument
    return host, path


def _files(folder: Path) -> list[Path]:
    return sorted(entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith("."))


def open_log(
    name: LogName, options: StampOptions, formats: Sequence[str] = (), *, block_bytes: int = BLOCK_BYTES
) -> OpenLog:
    """Open a log and look at its beginning.

    Raises LogError if it cannot be opened, if a line's time lacks a zone or a year that no option gives, or if nobody
    says whose log it is.
    """
    try:
        stream = _open(name.path)
    except _READ_ERRORS as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise LogError(f"{name.path}: {reason}") from error
    try:
        return _prepared(name, stream, options, formats, block_bytes)
    except ValueError as error:
        stream.close()
        raise error if isinstance(error, LogError) else LogError(str(error)) from error


def _prepared(
    name: LogName, stream: _HeadFirst, options: StampOptions, formats: Sequence[str], block_bytes: int
) -> OpenLog:
    if JOURNAL_EXPORT in formats or (not formats and _looks_like_export(stream.head)):
        field_name = next((each for each in options.fields if each.startswith("_")), "__REALTIME_TIMESTAMP")
        own = name.host is None
        return OpenLog(name, stream, JournalLog(stream, name.host or "?", field_name, own, block_bytes), own)
    hosts_from_lines = _check_head(name, stream.head, StampReader(options, formats))
    reader = StampReader(options, formats)
    return OpenLog(name, stream, LineLog(stream, reader, hosts_from_lines, block_bytes), hosts_from_lines)


def _open(path: str) -> _HeadFirst:
    file = cast(BinaryIO, sys.stdin.buffer if path == "-" else Path(path).open("rb"))  # noqa: SIM115 - see OpenLog.close
    try:
        plain = _HeadFirst(cast(ByteStream, file), file, len(_GZIP))
        unpacked = cast(ByteStream, gzip.GzipFile(fileobj=cast(BinaryIO, plain))) if plain.head == _GZIP else plain
        return _HeadFirst(unpacked, file, HEAD_BYTES)
    except _READ_ERRORS:
        if path != "-":
            file.close()
        raise


def _looks_like_export(head: bytes) -> bool:
    return head.startswith((b"__CURSOR=", b"__REALTIME_TIMESTAMP="))


def _check_head(name: LogName, head: bytes, reader: StampReader) -> bool:
    """Whether the log's lines must tell their host. Raises LogError; see `open_log`."""
    hosts = 0
    for number, line in enumerate(head.split(b"\n")[:HEAD_LINES], start=1):
        if line[:1] in (b" ", b"\t", b""):
            continue
        try:
            stamp = reader.read(line)
        except StampError as error:
            raise LogError(f"{name.path}, line {number}: {error}") from error
        hosts += stamp is not None and stamp.host is not None
    if name.host is None and not hosts:
        raise LogError(
            f"{name.path}: nobody says whose clock wrote this log: write HOST={name.path}, "
            "or name the field that tells it with --host-field"
        )
    return name.host is None
