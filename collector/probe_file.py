"""Probe files for `noonmark solve`: CSV, plain or gzip, from a file or standard input. Rim: reads.

Streamed in blocks of whole lines, so that memory beyond the result stays small. What cannot be used is never silent: a
file that cannot be understood raises ProbeFileError and nothing else, rows that contradict themselves are left out and
counted by reason, with the line of the first and the paths that have most of them.
"""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

import numpy as np

from noonmark.collector.estimate import Bool, Int32, Int64, ProbeColumns
from noonmark.collector.growing_array import GrowingArray
from noonmark.collector.probe_checks import Reason, duplicates, negative_round_trips, row_faults
from noonmark.collector.probe_rows import (
    EPOCHS,
    REQUIRED,
    Block,
    Header,
    ProbeFileError,
    count_lines,
    parse_block,
    parse_header,
    stamp_flags,
)
from noonmark.proto.records import MEASURING_BIT, StampSource, pack_flags

BLOCK_BYTES = 16 << 20
MAX_LINE_BYTES = 1 << 20
WORST_PATHS = 20
GZIP_MAGIC = b"\x1f\x8b"
# Where the file does not say who took the stamps, the kernel did; and every row measures.
KERNEL_FLAGS = np.uint16(pack_flags((StampSource.KERNEL,) * 4, True))
COLUMN_TYPES = (np.int32,) * 2 + (np.int64,) * 4 + (np.uint16,) + (np.int64,) * 2
"""Source, destination, t1 to t4, flags, two epochs."""
Progress = Callable[[int, float | None], None]
"""Called with rows read, and the share of the file read where its size is known."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Rows left out for one reason."""

    reason: Reason
    rows: int
    first_line: int
    """Number of the first such line, the header being line 1."""
    worst_paths: tuple[tuple[str, str, int], ...]
    """(source, destination, rows) of the paths with most of them, at most WORST_PATHS."""


@dataclass(frozen=True, slots=True)
class ReadReport:
    """What was read, and what of it could not be used."""

    file: str
    rows_read: int
    left_out: tuple[LeftOut, ...]
    """In the order of `Reason`; only reasons that occurred."""
    ignored_columns: tuple[str, ...]
    has_stamps: bool
    has_epochs: bool
    has_measuring: bool

    @property
    def rows_left_out(self) -> int:
        """Of all reasons together."""
        return sum(part.rows for part in self.left_out)


def read_probe_file(
    name: str, *, standard_input: IO[bytes] | None = None, progress: Progress | None = None
) -> tuple[ProbeColumns, ReadReport]:
    """Read a probe file; '-' is `standard_input`. Columns: see noonmark.collector.probe_rows.

    Hosts are numbered in the order of their names. Rows keep the file's order. Rows with a negative round trip are
    counted as left out, but handed on: the estimator leaves them out, and its judge may name whose they are. Raises
    ProbeFileError, and nothing else, for whatever is wrong with the file.
    """
    label = "standard input" if name == "-" else name
    with ExitStack() as stack:
        raw, size = _open(stack, name, label, standard_input)
        return _Reader(label, progress).read(_unpacked(stack, raw, name, label), raw if size else None, size)


def _open(stack: ExitStack, name: str, label: str, standard_input: IO[bytes] | None) -> tuple[IO[bytes], int]:
    """The file's bytes as they are, and their number where it is known (else 0)."""
    if name == "-":
        if standard_input is None:
            raise ProbeFileError(label, "there is no standard input", "name a file")
        return standard_input, 0
    try:
        path = Path(name)
        if path.is_dir():
            raise ProbeFileError(label, "is a directory", "name a CSV file")
        return stack.enter_context(path.open("rb")), path.stat().st_size
    except (OSError, ValueError) as error:
        raise _unreadable(label, error) from error


def _unpacked(stack: ExitStack, raw: IO[bytes], name: str, label: str) -> IO[bytes]:
    """The text: unpacked if the bytes are gzip's, whatever the name; a name in .gz promises that they are."""
    buffered = raw if isinstance(raw, io.BufferedReader) else io.BufferedReader(cast(io.RawIOBase, raw))
    try:
        magic = buffered.peek(2)[:2]
    except OSError as error:
        raise _unreadable(label, error) from error
    if magic == GZIP_MAGIC:
        return cast(IO[bytes], stack.enter_context(gzip.GzipFile(fileobj=buffered)))
    if name.endswith(".gz") and magic:
        raise ProbeFileError(label, "is not gzip, though its name says so", "compress it, or rename it to .csv")
    return buffered


def _pieces(stream: IO[bytes], label: str) -> Iterator[bytes]:
    """Blocks of whole lines, line ends turned into LF. Raises ProbeFileError for a line that never ends."""
    rest = b""
    whole = 0
    while True:
        try:
            data = stream.read(BLOCK_BYTES)
        except EOFError as error:
            raise ProbeFileError(
                label,
                f"the compressed file ends too early (after {whole:,} bytes of text)",
                "it was cut short: fetch it again",
            ) from error
        except (gzip.BadGzipFile, zlib.error) as error:
            raise ProbeFileError(
                label, f"the compressed file is damaged (after {whole:,} bytes of text): {error}", "fetch it again"
            ) from error
        except OSError as error:
            raise _unreadable(label, error) from error
        if not data:
            break
        end = data.rfind(b"\n") + 1
        if not end:
            rest += data
            if len(rest) > MAX_LINE_BYTES:
                raise _endless(label, whole)
            continue
        piece, rest = rest + data[:end], data[end:]
        whole += len(piece)
        if len(rest) > MAX_LINE_BYTES:
            raise _endless(label, whole)
        yield _plain_line_ends(piece)
    if rest:
        yield _plain_line_ends(rest + b"\n")


def _unreadable(label: str, error: OSError | ValueError) -> ProbeFileError:
    reason = getattr(error, "strerror", None) or str(error)
    return ProbeFileError(label, f"cannot be read: {reason}", "check the name and its permissions")


def _endless(label: str, whole: int) -> ProbeFileError:
    return ProbeFileError(
        label, f"a line longer than a mebibyte (after {whole:,} bytes)", "give CSV text, one probe a line"
    )


def _plain_line_ends(piece: bytes) -> bytes:
    return piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in piece else piece


class _Reader:
    """Gathers blocks: names to numbers, rows that pass the row checks, and the line of each row."""

    def __init__(self, label: str, progress: Progress | None) -> None:
        self._label, self._progress = label, progress
        self._number: dict[str, int] = {}
        self._columns = [GrowingArray(dtype) for dtype in COLUMN_TYPES]
        self._lines: list[Int64 | range] = []
        self._faults: dict[Reason, list[tuple[Int64, Int32, Int32]]] = {}
        self._rows_read = 0

    def read(self, stream: IO[bytes], raw: IO[bytes] | None, size: int) -> tuple[ProbeColumns, ReadReport]:
        pieces = _pieces(stream, self._label)
        first = next(pieces, None)
        if first is None:
            raise ProbeFileError(self._label, "is empty", f"the first line must name the columns: {','.join(REQUIRED)}")
        head, _, body = first.partition(b"\n")
        header = parse_header(self._label, head)
        line = 2
        for piece in self._with(body, pieces):
            if piece:
                block = parse_block(self._label, header, piece, line, known=self._number)
                self._take(block)
                line += count_lines(piece)
            if self._progress is not None:
                self._progress(self._rows_read, raw.tell() / size if raw is not None else None)
        return self._finish(header)

    @staticmethod
    def _with(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
        yield first
        yield from rest

    def _take(self, block: Block) -> None:
        """Keep what is sound of a block."""
        rows = len(block)
        self._rows_read += rows
        number = self._numbers_of(block.names)
        source, destination = number[block.source], number[block.destination]
        keep: Bool | slice = slice(None)
        for reason, found in row_faults(source, destination, block.times).items():
            # What speaks against the answerer is for the judge; the estimator leaves it out by itself.
            if reason is not Reason.REPLY_BEFORE_RECEIPT:
                keep = (~found) if isinstance(keep, slice) else keep & ~found
            at = np.flatnonzero(found)
            self._faults.setdefault(reason, []).append((np.asarray(block.lines)[at], source[at], destination[at]))
        flags = KERNEL_FLAGS if block.stamps is None else stamp_flags(block.stamp_words)[block.stamps] | MEASURING_BIT
        flags = np.broadcast_to(flags, (rows,)).astype(np.uint16)
        if block.measuring is not None:
            flags[block.measuring == 0] &= ~np.uint16(MEASURING_BIT)
        row_columns = (source, destination, *block.times, flags, block.source_epoch, block.destination_epoch)
        for column, part in zip(self._columns, row_columns, strict=True):
            if part is not None:
                column.append(part[keep])
        self._lines.append(block.lines if isinstance(keep, slice) else np.asarray(block.lines)[keep])

    def _numbers_of(self, names: tuple[str, ...]) -> Int32:
        """Numbers of some names; new ones are numbered next."""
        number = self._number
        return np.array([number.setdefault(name, len(number)) for name in names], np.int32)

    def _finish(self, header: Header) -> tuple[ProbeColumns, ReadReport]:
        names = list(self._number)
        order = sorted(range(len(names)), key=names.__getitem__)
        rank = np.empty(len(names), np.int32)
        rank[order] = np.arange(len(names), dtype=np.int32)
        source, destination, t1, t2, t3, t4, flags, *told = (column.take() for column in self._columns)
        nothing = np.broadcast_to(np.zeros(1, np.int64), t1.shape)
        epochs = [column if header.has(name) else nothing for name, column in zip(EPOCHS, told, strict=True)]
        times = (t1, t2, t3, t4)
        early = t3 < t2
        drop = negative_round_trips(len(names), source, destination, times) & ~early
        self._note(Reason.NEGATIVE_ROUND_TRIP, drop, source, destination)
        repeated = duplicates(source, destination, times)
        self._note(Reason.DUPLICATE, repeated & ~(drop | early), source, destination)
        columns = [rank[source], rank[destination], t1, t2, t3, t4, flags, *epochs]
        if repeated.any():
            columns = [column[~repeated] for column in columns]
        report = ReadReport(
            file=self._label,
            rows_read=self._rows_read,
            left_out=tuple(self._left_out(reason, names) for reason in Reason if reason in self._faults),
            ignored_columns=header.ignored,
            has_stamps=header.has("stamps"),
            has_epochs=header.has("src_epoch") or header.has("dst_epoch"),
            has_measuring=header.has("measuring"),
        )
        return ProbeColumns(tuple(names[index] for index in order), *columns), report

    def _note(self, reason: Reason, found: Bool, source: Int32, destination: Int32) -> None:
        if not found.any():
            return
        at = np.flatnonzero(found)
        lengths = np.cumsum([0, *map(len, self._lines)])
        block = np.searchsorted(lengths, at, side="right") - 1
        lines = np.empty(len(at), np.int64)
        for number in np.unique(block):
            mine = block == number
            lines[mine] = np.asarray(self._lines[number])[at[mine] - lengths[number]]
        self._faults[reason] = [(lines, source[at], destination[at])]

    def _left_out(self, reason: Reason, names: list[str]) -> LeftOut:
        parts = self._faults[reason]
        lines, source, destination = (np.concatenate([part[column] for part in parts]) for column in range(3))
        code, counts = np.unique(source.astype(np.int64) * len(names) + destination, return_counts=True)
        worst = np.lexsort((code, -counts))[:WORST_PATHS]
        return LeftOut(
            reason=reason,
            rows=len(lines),
            first_line=int(lines.min()),
            worst_paths=tuple(
                (names[code[row] // len(names)], names[code[row] % len(names)], int(counts[row])) for row in worst
            ),
        )
