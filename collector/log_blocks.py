"""A log as blocks of records: lines with the lines that continue them, and their times as arrays. Pure but for the
stream that it is handed and reads.

A *record* is a line with a readable time and all lines after it that have none. Lines that begin with a space or a tab
continue a record by their form; other lines without a readable time are kept with it too, and counted, never dropped.
What stands before the first readable time belongs to the first record. A log without any readable time is one record
without a time.

Bytes are never decoded here, and a record's bytes are those of the log (a newline is added where the log's last line
lacks one).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS
from noonmark.collector.estimate import Bool, Int64, UInt8
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_stamps import LogStamp, StampError
from noonmark.collector.stamp_layouts import LONGEST, LayoutReader

BLOCK_BYTES = 1 << 20
_SEARCHED = 1 << 17
"""Bytes searched for newlines at once: few enough for the caches."""
MOST_TAIL = 16 << 20
"""A record longer than this is cut."""
_NEWLINE = ord("\n")


class ByteStream(Protocol):
    """What a log is read from."""

    def read(self, size: int = ..., /) -> bytes:
        """Up to so many bytes; none at the end."""

    def readinto(self, buffer: memoryview, /) -> int:
        """The same into a buffer: how many bytes were put there."""


@dataclass(slots=True)
class LogCounts:
    """What a log was made of."""

    lines: int = 0
    records: int = 0
    continued: int = 0
    """Lines that continue a record by their form."""
    unreadable: int = 0
    """Other lines without a readable time; kept with the line before."""
    refused: int = 0
    """Of these: lines with a time that lacks its zone or year."""
    first_refusal: str = ""


@dataclass(frozen=True, slots=True)
class RecordBlock:
    """Whole records, in the log's order; N rows."""

    data: bytes | memoryview
    ends: Int64
    """Where each record ends in `data`; it begins where the one before ends, the first at 0. More bytes may follow."""
    time_ns: Int64
    resolution_ns: Int64
    timed: Bool
    """False: no time could be read; the row carries the time of the record before (or 0)."""
    hosts: tuple[str | None, ...] | None = None
    """The hosts that the records name, if these were asked for."""


@dataclass(slots=True)
class LineLog:
    """Cuts a stream of lines into blocks of records."""

    stream: ByteStream
    reader: StampReader
    hosts_from_lines: bool = False
    block_bytes: int = BLOCK_BYTES
    counts: LogCounts = field(default_factory=LogCounts)
    _layouts: LayoutReader = field(init=False)
    _last_ns: int = 0

    def __post_init__(self) -> None:
        """Where lines must name their host, all of them are read slowly: layouts tell times only."""
        self._layouts = LayoutReader(self.reader.options.fields[:1], most=0 if self.hosts_from_lines else 16)

    def blocks(self) -> Iterator[RecordBlock]:
        """Blocks in the order of the log, each about `block_bytes` long. Errors of the stream pass through."""
        tail = memoryview(b"")
        while True:
            # Zeros follow, so that layouts may look past the last line, and a newline has room.
            data = np.empty(len(tail) + self.block_bytes + 1 + LONGEST, np.uint8).data
            data[: len(tail)] = tail
            size = len(tail)
            more = self.stream.readinto(data[size : size + self.block_bytes])
            size += more
            data[size : size + 1 + LONGEST] = bytes(1 + LONGEST)
            if not size:
                return
            if not more and data[size - 1] != _NEWLINE:
                data[size] = _NEWLINE
                size += 1
            block, used = self._block(data, size, final=not more or size >= MOST_TAIL)
            if block is not None:
                yield block
            tail = data[used:size]
            if not more:
                return

    def _block(self, data: memoryview, size: int, final: bool) -> tuple[RecordBlock | None, int]:
        """(records, bytes used) of so many bytes. Unless final, the last record is left: it may go on."""
        text = np.frombuffer(data, np.uint8)
        line_ends = _line_ends(text[:size])
        if final and (not len(line_ends) or line_ends[-1] < size):
            line_ends = np.append(line_ends, size)
        if not len(line_ends):
            return None, 0
        starts = np.empty_like(line_ends)
        starts[0], starts[1:] = 0, line_ends[:-1]
        time_ns, resolution_ns, known = self._layouts.read(text, starts)
        hosts: list[tuple[int, str | None]] = []
        if not known.all():
            hosts = self._read_slowly(data, text, starts, line_ends, time_ns, resolution_ns, known)
        known &= (time_ns > -LATEST_NS) & (time_ns < LATEST_NS)
        heads = np.flatnonzero(known)
        used_lines = len(starts)
        if not final:
            if len(heads) < 2:
                return None, 0
            used_lines, heads = int(heads[-1]), heads[:-1]
        used = int(line_ends[used_lines - 1])
        self._count(text, starts[:used_lines], heads)
        return self._cut(data, starts, heads, used, time_ns, resolution_ns, hosts), used

    def _cut(
        self,
        data: memoryview,
        starts: Int64,
        heads: Int64,
        used: int,
        time_ns: Int64,
        resolution_ns: Int64,
        hosts: list[tuple[int, str | None]],
    ) -> RecordBlock:
        """Records from the lines that have a time."""
        if not len(heads):
            return self._without_time(data, used)
        names = dict(hosts)
        self._last_ns = int(time_ns[heads[-1]])
        return RecordBlock(
            data=data,
            ends=np.append(starts[heads[1:]], used),
            time_ns=time_ns[heads],
            resolution_ns=resolution_ns[heads],
            timed=np.ones(len(heads), np.bool_),
            hosts=tuple(names.get(row) for row in heads.tolist()) if self.hosts_from_lines else None,
        )

    def _without_time(self, data: memoryview, used: int) -> RecordBlock:
        one = np.ones(1, np.int64)
        hosts = (None,) if self.hosts_from_lines else None
        return RecordBlock(data, one * used, one * self._last_ns, one, np.zeros(1, np.bool_), hosts)

    def _count(self, text: UInt8, starts: Int64, heads: Int64) -> None:
        self.counts.lines += len(starts)
        self.counts.records += max(1, len(heads))
        if len(heads) == len(starts):
            return
        others = np.setdiff1d(starts, starts[heads], assume_unique=True)
        by_form = int(np.isin(text[others], (ord(" "), ord("\t"))).sum())
        self.counts.continued += by_form
        self.counts.unreadable += len(others) - by_form

    def _read_slowly(
        self,
        data: memoryview,
        text: UInt8,
        starts: Int64,
        line_ends: Int64,
        time_ns: Int64,
        resolution_ns: Int64,
        known: Bool,
    ) -> list[tuple[int, str | None]]:
        """Fill in what no layout fits, line by line; once a line teaches a new layout, what is left is tried again."""
        hosts: list[tuple[int, str | None]] = []
        for row in range(len(starts)):
            if known[row]:
                continue
            line = bytes(data[starts[row] : line_ends[row]]).removesuffix(b"\n")
            stamp = self._read_line(line)
            if stamp is None or not -LATEST_NS < stamp.time_ns < LATEST_NS:
                continue
            time_ns[row], resolution_ns[row], known[row] = stamp.time_ns, stamp.resolution_ns, True
            hosts.append((row, stamp.host))
            if self._layouts.learn(line, stamp):
                left = row + 1 + np.flatnonzero(~known[row + 1 :])
                found_ns, found_resolution, fits = self._layouts.read(text, starts[left])
                rows = left[fits]
                time_ns[rows], resolution_ns[rows], known[rows] = found_ns[fits], found_resolution[fits], True
        return hosts

    def _read_line(self, line: bytes) -> LogStamp | None:
        if line[:1] in (b" ", b"\t"):
            return None
        try:
            return self.reader.read(line)
        except StampError as error:
            self.counts.refused += 1
            self.counts.first_refusal = self.counts.first_refusal or str(error)
            return None


def _line_ends(text: UInt8) -> Int64:
    """Where each line ends, past its newline."""
    pieces = [
        np.flatnonzero(text[begin : begin + _SEARCHED] == _NEWLINE) + (begin + 1)
        for begin in range(0, len(text), _SEARCHED)
    ]
    return np.concatenate(pieces) if pieces else np.zeros(0, np.int64)
