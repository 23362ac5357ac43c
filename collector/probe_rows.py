"""Probe CSV text to columns: the header, and blocks of whole lines. Pure.

Two parsers that agree: `parse_block` (pyarrow, all rows at once) and, where that one gives up, `parse_slowly` (csv
module, row by row), which either finds the exact place of the fault or, for whole numbers too large for 64 bits, reads
on. Required columns: src, dst, t1_ns, t2_ns, t3_ns, t4_ns. Known besides: `stamps` (four letters, who took t1..t4: h
network card, k kernel, u program), `src_epoch`, `dst_epoch` (clock epochs, whole numbers from 0) and `measuring` (0 or
1). Other columns are ignored. Fields may be quoted; a quoted field ends on its line.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Container, Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from pyarrow import compute
from pyarrow import csv as arrow_csv

from noonmark.collector.estimate import Int32, Int64
from noonmark.proto.records import StampSource, pack_flags

TIMES = ("t1_ns", "t2_ns", "t3_ns", "t4_ns")
REQUIRED = ("src", "dst", *TIMES)
EPOCHS = ("src_epoch", "dst_epoch")
WHOLE = (*TIMES, *EPOCHS, "measuring")
"""Columns of whole numbers."""
KNOWN = (*REQUIRED, "stamps", *EPOCHS, "measuring")
OUT_OF_RANGE = 1 << 62
"""Times at or beyond this (years 1823 and 2116) are left out; larger numbers count as this."""
MAX_NAME_LENGTH = 253
CHUNK_BYTES = 1 << 20
"""Unit of work of pyarrow's threads."""
STAMP_LETTERS = {"h": StampSource.HARDWARE, "k": StampSource.KERNEL, "u": StampSource.USER}


class ProbeFileError(Exception):
    """A probe file that cannot be used; its text names file, line, column, the text at fault, and what to do."""

    def __init__(
        self, file: str, problem: str, advice: str, *, line: int | None = None, column: str | None = None
    ) -> None:
        self.file, self.problem, self.advice, self.line, self.column = file, problem, advice, line, column
        place = [file, *([f"line {line:,}"] if line is not None else []), *([f"column {column}"] if column else [])]
        super().__init__(f"{', '.join(place)}: {problem}; {advice}")


@dataclass(frozen=True, slots=True)
class Header:
    """Names of all columns in order, and which of them are not known here."""

    columns: tuple[str, ...]
    ignored: tuple[str, ...]

    def has(self, name: str) -> bool:
        """Whether the file has that column."""
        return name in self.columns


@dataclass(frozen=True, slots=True)
class Block:
    """Parsed rows of some lines; `source` and `destination` index `names`. Optional columns may be None."""

    lines: Int64 | range
    """Number of each row's line in the file."""
    names: tuple[str, ...]
    source: Int32
    destination: Int32
    times: tuple[Int64, Int64, Int64, Int64]
    stamp_words: tuple[str, ...]
    stamps: Int32 | None
    """Indexes `stamp_words`."""
    source_epoch: Int64 | None
    destination_epoch: Int64 | None
    measuring: Int64 | None

    def __len__(self) -> int:
        return len(self.source)


def excerpt(text: str) -> str:
    """A piece of the file, quoted for a one-line message: short, and with nothing that would upset a terminal."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def parse_header(file: str, line: bytes) -> Header:
    """Check the first line. Raises ProbeFileError if it does not name each required column exactly once."""
    wanted = ",".join(REQUIRED)
    try:
        text = line.decode("utf-8-sig").rstrip("\r\n")
    except UnicodeDecodeError as error:
        raise ProbeFileError(
            file, "the first line is not UTF-8 text", f"give CSV text that begins with {wanted}", line=1
        ) from error
    fields = _fields(text)
    if fields is None:
        problem = f"the first line {excerpt(text)} cannot be split into fields"
        raise ProbeFileError(file, problem, f"it must name the columns: {wanted}", line=1)
    columns = tuple(name.strip() for name in fields)
    if not any(columns):
        raise ProbeFileError(file, "the first line is empty", f"it must name the columns: {wanted}", line=1)
    for name in columns:
        if name in KNOWN and columns.count(name) > 1:
            raise ProbeFileError(file, f"column {name} is there twice", "keep one of them", line=1)
    missing = [name for name in REQUIRED if name not in columns]
    if missing:
        other = next((mark for mark in (";", "\t") if len(columns) == 1 and mark in text), None)
        advice = "separate columns by commas" if other else f"the first line must name at least {wanted}"
        problem = f"no column {', '.join(missing)} in the first line {excerpt(text)}"
        raise ProbeFileError(file, problem, advice, line=1)
    return Header(columns, tuple(name for name in columns if name not in KNOWN))


def parse_block(
    file: str, header: Header, block: bytes, first_line: int, *, known: Container[str] = frozenset()
) -> Block:
    """Parse whole lines, each ending in LF, the first of them numbered `first_line`.

    `known` holds hosts' names that need no checking again. Raises ProbeFileError at the first faulty line.
    """
    types = {name: pa.int64() for name in WHOLE} | dict.fromkeys(
        ("src", "dst", "stamps"), pa.dictionary(pa.int32(), pa.string())
    )
    # Columns are numbered, as unknown ones may have any name, even twice.
    labels = {name: f"{index}" for index, name in enumerate(header.columns) if name in KNOWN}
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(block),
            read_options=arrow_csv.ReadOptions(
                column_names=[f"{index}" for index in range(len(header.columns))], block_size=CHUNK_BYTES
            ),
            parse_options=arrow_csv.ParseOptions(newlines_in_values=False),
            convert_options=arrow_csv.ConvertOptions(
                include_columns=list(labels.values()),
                column_types={label: types[name] for name, label in labels.items()},
                null_values=[],
                strings_can_be_null=False,
            ),
        )
    except pa.ArrowInvalid:
        return parse_slowly(file, header, block, first_line)
    lines = _line_numbers(block, first_line, table.num_rows)
    # A quoted field may have swallowed the end of a line.
    if len(lines) == table.num_rows:
        parsed = _from_table(table, labels, lines)
        if _sound(parsed, known):
            return parsed
    return parse_slowly(file, header, block, first_line)


def count_lines(block: bytes) -> int:
    """Number of line ends (several times faster than bytes.count)."""
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord("\n")))


def _line_numbers(block: bytes, first_line: int, rows: int) -> Int64 | range:
    """Numbers of the lines that are not empty."""
    if b'"' not in block and count_lines(block) == rows:
        return range(first_line, first_line + rows)
    ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
    return first_line + np.flatnonzero(np.diff(ends, prepend=-1) > 1)


def _from_table(table: pa.Table, labels: dict[str, str], lines: Int64 | range) -> Block:
    def words(name: str) -> tuple[Int32, pa.Array]:
        column = table.column(labels[name]).combine_chunks()
        return column.indices.to_numpy(), compute.utf8_trim_whitespace(column.dictionary)

    def whole(name: str) -> Int64 | None:
        return table.column(labels[name]).to_numpy() if name in labels else None

    (source, sources), (destination, destinations) = words("src"), words("dst")
    names = pa.concat_arrays([sources, destinations]).dictionary_encode()
    index = names.indices.to_numpy()
    stamps, stamp_words = words("stamps") if "stamps" in labels else (None, pa.array([], pa.string()))
    t1, t2, t3, t4 = (table.column(labels[name]).to_numpy() for name in TIMES)
    return Block(
        lines=lines,
        names=tuple(names.dictionary.to_pylist()),
        source=index[: len(sources)][source],
        destination=index[len(sources) :][destination],
        times=(t1, t2, t3, t4),
        stamp_words=tuple(stamp_words.to_pylist()),
        stamps=stamps,
        source_epoch=whole("src_epoch"),
        destination_epoch=whole("dst_epoch"),
        measuring=whole("measuring"),
    )


def _sound(block: Block, known: Container[str]) -> bool:
    """Whether names, stamp words and small numbers are such as `parse_slowly` would accept."""
    return (
        all(name in known or _name_fault(name) is None for name in block.names)
        and all(_stamps_fault(word) is None for word in block.stamp_words)
        and all(
            column is None or not len(column) or (column.min() >= 0 and column.max() <= greatest)
            for column, greatest in (
                (block.measuring, 1),
                (block.source_epoch, OUT_OF_RANGE - 1),
                (block.destination_epoch, OUT_OF_RANGE - 1),
            )
        )
    )


def parse_slowly(file: str, header: Header, block: bytes, first_line: int) -> Block:
    """Parse row by row. Raises ProbeFileError with line, column and text of the first fault."""
    columns: dict[str, list[str]] = {name: [] for name in header.columns if name in KNOWN}
    numbers: dict[str, list[int]] = {name: [] for name in columns if name in WHOLE}
    lines: list[int] = []
    for line, fields in _lines(file, block, first_line):
        if len(fields) != len(header.columns):
            problem = f"{len(fields)} fields where the header has {len(header.columns)}: {excerpt(','.join(fields))}"
            raise ProbeFileError(file, problem, "each line needs one field a column", line=line)
        lines.append(line)
        for name, field in zip(header.columns, fields, strict=True):
            if name in numbers:
                numbers[name].append(_whole(file, line, name, field))
            elif name in columns:
                columns[name].append(field.strip())
                fault = _stamps_fault(field.strip()) if name == "stamps" else _name_fault(field.strip())
                if fault is not None:
                    raise ProbeFileError(file, f"{excerpt(field)} {fault[0]}", fault[1], line=line, column=name)

    def whole(name: str) -> Int64 | None:
        return np.array(numbers[name], np.int64) if name in numbers else None

    names = {name: index for index, name in enumerate(dict.fromkeys(columns["src"] + columns["dst"]))}
    words = {word: index for index, word in enumerate(dict.fromkeys(columns.get("stamps", [])))}
    t1, t2, t3, t4 = (np.array(numbers[name], np.int64) for name in TIMES)
    return Block(
        lines=np.array(lines, np.int64),
        names=tuple(names),
        source=np.array([names[name] for name in columns["src"]], np.int32),
        destination=np.array([names[name] for name in columns["dst"]], np.int32),
        times=(t1, t2, t3, t4),
        stamp_words=tuple(words),
        stamps=np.array([words[word] for word in columns["stamps"]], np.int32) if "stamps" in columns else None,
        source_epoch=whole("src_epoch"),
        destination_epoch=whole("dst_epoch"),
        measuring=whole("measuring"),
    )


def _fields(line: str) -> list[str] | None:
    """Split one line; None for one that no CSV reader understands, [] for an empty one."""
    try:
        return next(csv.reader([line], strict=True), [])
    except csv.Error:
        return None


def _lines(file: str, block: bytes, first_line: int) -> Iterator[tuple[int, list[str]]]:
    """Number and fields of each line that is not empty."""
    for line, raw in zip(itertools.count(first_line), block.split(b"\n"), strict=False):
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            problem = f"{raw[max(0, error.start - 10) : error.start + 10]!r} is not UTF-8 text"
            raise ProbeFileError(file, problem, "save the file as UTF-8", line=line) from error
        if not text:
            continue
        fields = _fields(text)
        if fields is None:
            problem = f"{excerpt(text)} cannot be split into fields"
            raise ProbeFileError(file, problem, "close each quote on its line", line=line)
        yield line, fields


def _whole(file: str, line: int, name: str, field: str) -> int:
    text = field.strip()
    if not (text.removeprefix("-").isascii() and text.removeprefix("-").isdigit()):
        advice = "give whole nanoseconds" if name in TIMES else "give a whole number"
        raise ProbeFileError(file, f"{excerpt(field)} is not a whole number", advice, line=line, column=name)
    # More digits than 64 bits can hold; and Python refuses to convert thousands of them.
    value = int(text) if len(text) <= 40 else OUT_OF_RANGE
    if name not in TIMES and not 0 <= value <= (1 if name == "measuring" else OUT_OF_RANGE - 1):
        advice = "give 0 or 1" if name == "measuring" else "give the number of a clock epoch, from 0"
        raise ProbeFileError(file, f"{excerpt(field)} is out of range", advice, line=line, column=name)
    return max(-OUT_OF_RANGE, min(OUT_OF_RANGE, value))


def _name_fault(name: str) -> tuple[str, str] | None:
    if not name:
        return "is no host's name", "name the host"
    if len(name) > MAX_NAME_LENGTH:
        return "is too long for a host's name", f"use at most {MAX_NAME_LENGTH} characters"
    if not name.isprintable():
        return "holds characters that cannot be printed", "name hosts with letters, digits and marks"
    return None


def _stamps_fault(word: str) -> tuple[str, str] | None:
    if len(word) == 4 and set(word) <= set(STAMP_LETTERS):
        return None
    return "does not tell four stamps", "give four letters of h, k and u, such as kkkk"


def stamp_flags(words: tuple[str, ...]) -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    """Flags (as `pack_flags`, measuring mark clear) of each word of four letters."""
    packed = []
    for word in words:
        first, second, third, fourth = (STAMP_LETTERS[letter] for letter in word)
        packed.append(pack_flags((first, second, third, fourth), False))
    return np.array(packed, np.uint16)
