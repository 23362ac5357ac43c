"""Reading the stamps of many lines at once, where lines share a layout. Pure.

A *layout* is what one stamp that the slow reader understood looks like, byte by byte: which bytes are digits of which
field, which are fixed. The lines of a block are held against it eight bytes at a time. Words that are the same in all
lines, as the date and the hour mostly are, are read once; of the others, every two bytes are looked up in a table of
what they are worth. A line that fits a layout gets exactly the stamp that the slow reader would give; a line that does
not fit (or fits, but names a date or time that needs thought: second 60, hour 24, the 30th of February) is left to the
slow reader.

Layouts are made for stamps whose text tells everything (zone and year) and that stand at a fixed place in the line:
RFC 3339 and ISO 8601, RFC 5424, epoch numbers, and JSON or logfmt lines that begin with the field of the time.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.civil import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, days_from_civil, days_in_month
from noonmark.collector.estimate import Bool, Int64, UInt8
from noonmark.collector.log_stamps import LogStamp
from noonmark.collector.stamps_epoch import UNIT_NS, UNIT_OF_DIGITS

UInt64 = NDArray[np.uint64]
LONGEST = 64
"""Bytes of a line that a layout may look at."""
_WORD = 8
_CIVIL = re.compile(rb"(\d{4})([-/])(\d\d)\2(\d\d)[Tt _](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?([Zz]|[+-]\d\d:?\d\d)\Z")
_EPOCH = re.compile(rb"(\d{1,19})(?:\.(\d{1,9}))?\Z")
_FIRST_FIELD = re.compile(rb"(?:\{\"[^\"\\]+\":\"?|[A-Za-z_@]+=\"?)\Z")
_EXACT = 15
"""Digits of one field: few enough that no sum of them overflows."""
_PAIR = 2
_PAIRS = _WORD // _PAIR
_GREATEST_PAIR = 9 * 256 + 9
_LOW_BITS, _HIGH_BIT = np.uint64(0x7F7F7F7F7F7F7F7F), 0x80
_TABLES_KEPT = 256
_INT64_MOST = 2**63 - 1
_INT64_SAFE = 9.2e18
_EARLIEST_YEAR, _LATEST_YEAR = 1678, 2261
"""Whole years that int64 nanoseconds can hold."""


@dataclass(frozen=True, slots=True)
class Layout:
    """One arrangement of a stamp within a line."""

    width: int
    """Bytes looked at, a multiple of eight."""
    template: UInt8
    """(width,): the fixed bytes; `0` where a digit stands."""
    greatest: UInt8
    """(width,): what template xor line may at most be: up to 9 for a digit, 0 for a fixed byte, 255 for any byte."""
    weights: Int64
    """(width, fields): what each digit is worth in its field."""
    civil: bool
    """Whether the fields are the date as yyyymmdd and the time of day in ns; else they are parts of one number."""
    scales_ns: tuple[int, ...]
    """What one unit of each part of a number is worth."""
    zone_ns: int
    resolution_ns: int


def learn(line: bytes, stamp: LogStamp, first_fields: tuple[str, ...]) -> Layout | None:
    """The layout of a line that the slow reader understood; None if its kind cannot be read at a fixed place.

    `first_fields` are the names of fields that may stand first in a JSON or logfmt line to have a layout: only the most
    preferred one, as another one further on could take precedence.
    """
    before, text = line[: stamp.begin], line[stamp.begin : stamp.end]
    after = line[stamp.end : stamp.end + 1] or b"\n"
    if not _fixed_place(before, stamp, first_fields) or not stamp.zone_known:
        return None
    civil, epoch = _CIVIL.match(text), _EPOCH.match(text)
    if civil is not None and int(civil[7]) < 60:
        return _civil_layout(before, text, after, civil, stamp)
    return _epoch_layout(before, text, after, stamp) if epoch is not None else None


def _fixed_place(before: bytes, stamp: LogStamp, first_fields: tuple[str, ...]) -> bool:
    if stamp.end + 1 > LONGEST or stamp.end <= stamp.begin:
        return False
    if stamp.format in ("json", "logfmt"):
        name = before.strip(b'{":=')
        return _FIRST_FIELD.match(before) is not None and name.decode("utf-8", "replace") in first_fields
    return stamp.format in ("rfc3339", "rfc5424", *UNIT_NS)


class _Builder:
    """Lays out templates column by column."""

    def __init__(self, before: bytes, text: bytes, after: bytes, fields: int) -> None:
        self.begin = len(before)
        used = len(before) + len(text) + 1
        self.width = -(-used // _WORD) * _WORD
        self.template = np.zeros(self.width, np.uint8)
        self.greatest = np.full(self.width, 255, np.uint8)
        self.weights = np.zeros((self.width, fields), np.int64)
        self.template[:used] = np.frombuffer(before + text + after, np.uint8)
        self.greatest[:used] = 0

    def digits(self, begin: int, count: int, field: int, worth: int, tens: int = 9) -> None:
        """So many digits from this byte of the stamp's text on; the last is worth so much, the first is at most `tens`.

        They may also be in one field with others.
        """
        first = self.begin + begin
        self.template[first : first + count] = ord("0")
        self.greatest[first : first + count] = 9
        self.greatest[first] = tens
        self.weights[first : first + count, field] = worth * 10 ** np.arange(count - 1, -1, -1)

    def layout(self, *, civil: bool, scales_ns: list[int], zone_ns: int, resolution_ns: int) -> Layout:
        return Layout(
            self.width, self.template, self.greatest, self.weights, civil, tuple(scales_ns), zone_ns, resolution_ns
        )


def _civil_layout(before: bytes, text: bytes, after: bytes, found: re.Match[bytes], stamp: LogStamp) -> Layout:
    builder = _Builder(before, text, after, fields=2)
    builder.digits(found.start(1), 4, 0, 10_000)
    builder.digits(found.start(3), 2, 0, 100)
    builder.digits(found.start(4), 2, 0, 1)
    # Tens of hours, minutes and seconds are bounded here, so that only hours 24 to 29 are left to be found out later.
    builder.digits(found.start(5), 2, 1, HOUR_NS, tens=2)
    builder.digits(found.start(6), 2, 1, MINUTE_NS, tens=5)
    builder.digits(found.start(7), 2, 1, SECOND_NS, tens=5)
    digits = len(found[8] or b"")
    if digits:
        builder.digits(found.start(8), digits, 1, 10 ** (9 - digits))
    zone_ns, resolution_ns = stamp.zone_seconds * SECOND_NS, int(10 ** (9 - digits))
    return builder.layout(civil=True, scales_ns=[], zone_ns=zone_ns, resolution_ns=resolution_ns)


def _epoch_layout(before: bytes, text: bytes, after: bytes, stamp: LogStamp) -> Layout | None:
    whole, _, fraction = text.partition(b".")
    unit = stamp.format if stamp.format in UNIT_NS else UNIT_OF_DIGITS.get(len(whole))
    if unit is None or 10 ** len(fraction) > UNIT_NS[unit]:
        return None
    parts = [  # (first byte, digits, what one unit of the last digit is worth)
        (begin + taken, min(_EXACT, digits - taken), unit_ns * 10 ** max(0, digits - taken - _EXACT))
        for begin, digits, unit_ns in (
            (0, len(whole), UNIT_NS[unit]),
            (len(whole) + 1, len(fraction), UNIT_NS[unit] // 10 ** len(fraction)),
        )
        for taken in range(0, digits, _EXACT)
    ]
    builder = _Builder(before, text, after, fields=len(parts))
    for field, (begin, digits, _) in enumerate(parts):
        builder.digits(begin, digits, field, 1)
    scales = [int(worth) for _, _, worth in parts]
    return builder.layout(civil=False, scales_ns=scales, zone_ns=0, resolution_ns=stamp.resolution_ns)


class LayoutReader:
    """Holds the layouts met so far in one log and reads what fits them."""

    def __init__(self, first_fields: tuple[str, ...], most: int = 16) -> None:
        """At most `most` layouts are kept; lines that need more are read slowly."""
        self.first_fields = first_fields
        self.most = most
        self.layouts: list[Layout] = []

    def learn(self, line: bytes, stamp: LogStamp) -> bool:
        """Keep the layout of a line that the slow reader understood; whether there is one that was not known yet."""
        if len(self.layouts) >= self.most:
            return False
        layout = learn(line, stamp, self.first_fields)
        if layout is not None:
            self.layouts.append(layout)
        return layout is not None

    def read(self, padded: UInt8, starts: Int64) -> tuple[Int64, Int64, Bool]:
        """(time_ns, resolution_ns, known) of the lines that begin at `starts`, N rows each.

        `padded` is the text and `LONGEST` more bytes. Rows that fit no layout have known False.
        """
        time_ns = np.zeros(len(starts), np.int64)
        resolution_ns = np.ones(len(starts), np.int64)
        known = np.zeros(len(starts), np.bool_)
        left: Int64 | None = None  # rows still to be read; None means all
        for layout in self.layouts:
            rows_starts = starts if left is None else starts[left]
            if not len(rows_starts):
                break
            values, fits = read_layout(layout, padded, rows_starts)
            if left is None and fits.all():
                resolution_ns.fill(layout.resolution_ns)
                return values, resolution_ns, fits
            rows = np.flatnonzero(fits) if left is None else left[fits]
            time_ns[rows], resolution_ns[rows], known[rows] = values[fits], layout.resolution_ns, True
            left = np.flatnonzero(~fits) if left is None else left[~fits]
        return time_ns, resolution_ns, known


def read_layout(layout: Layout, padded: UInt8, starts: Int64) -> tuple[Int64, Bool]:
    """(time_ns, fits) of every line against one layout; time_ns means nothing where fits is False."""
    windows = np.ndarray((len(padded) - layout.width + 1,), f"V{layout.width}", padded.data, strides=(1,))
    words = windows[starts].view(np.uint64).reshape(-1, layout.width // _WORD)
    fields: list[Int64] = [np.zeros(1, np.int64) for _ in range(layout.weights.shape[1])]
    wrong = np.zeros(1, np.uint64)
    for column in range(words.shape[1]):
        found = words[:, column]
        if len(found) and (found == found[0]).all():
            found = found[:1]
        over, added = _read_words(layout, column, found)
        wrong = wrong | over
        fields = [field if more is None else field + more for field, more in zip(fields, added, strict=True)]
    time_ns, exists = (_civil_time if layout.civil else _number_time)(layout, fields)
    fits = (wrong == 0) & exists
    if len(starts) == 1 or len(time_ns) == len(fits) == len(starts):
        return time_ns, fits
    return np.broadcast_to(time_ns, len(starts)).copy(), np.broadcast_to(fits, len(starts)).copy()


def _read_words(layout: Layout, column: int, words: UInt64) -> tuple[UInt64, list[Int64 | None]]:
    """(what in it is no digit and no fixed byte, what it adds to each field) of one word of each line, or of all."""
    bytes_of = slice(column * _WORD, (column + 1) * _WORD)
    greatest = layout.greatest[bytes_of]
    found = words ^ layout.template[bytes_of].view(np.uint64)[0]
    # A byte is too great if its high bit is set, or would be after adding what makes the least such one 128.
    over = found & _LOW_BITS
    over += (_HIGH_BIT - 1 - np.minimum(greatest, _HIGH_BIT - 1)).astype(np.uint8).view(np.uint64)[0]
    over |= found
    over &= np.where(greatest < _HIGH_BIT, np.uint8(_HIGH_BIT), np.uint8(0)).view(np.uint64)[0]
    pairs = found.view(np.uint16).reshape(-1, _PAIRS)
    weights = layout.weights[bytes_of].reshape(_PAIRS, _PAIR, -1)
    added: list[Int64 | None] = [None] * weights.shape[2]
    for place, field in np.argwhere(weights.any(axis=1)).tolist():
        # What is no pair of digits is counted wrongly here: its line does not fit.
        worth = _worth(*weights[place, :, field].tolist()).take(pairs[:, place], mode="clip")
        before = added[field]
        added[field] = worth if before is None else before + worth
    return over, added


@functools.lru_cache(_TABLES_KEPT)
def _worth(first: int, second: int) -> Int64:
    """What two neighbouring digits are worth, by their bytes as one number (the first is the low byte)."""
    pair = np.arange(_GREATEST_PAIR + 1)
    return (pair & 255) * first + (pair >> 8) * second


def _civil_time(layout: Layout, fields: list[Int64]) -> tuple[Int64, Bool]:
    """Instants from date (yyyymmdd) and time of day (ns); fields have one row for each line, or one for all."""
    dates, exists = fields[0], fields[1] < DAY_NS
    if len(dates) and (dates == dates[0]).all():  # the usual case: one block of a log lies within one day
        year, rest = divmod(int(dates[0]), 10_000)
        month, day = divmod(rest, 100)
        if not (_EARLIEST_YEAR <= year <= _LATEST_YEAR and 1 <= month <= 12 and 1 <= day <= days_in_month(year, month)):
            return fields[1], np.zeros(1, np.bool_)
        return fields[1] + (days_from_civil(year, month, day) * DAY_NS - layout.zone_ns), exists
    years, rests = np.divmod(dates, 10_000)
    months, days = np.divmod(rests, 100)
    exists = exists & (years >= _EARLIEST_YEAR) & (years <= _LATEST_YEAR) & (months >= 1) & (months <= 12)
    years, months = np.where(exists, years, 2000), np.where(exists, months, 1)
    exists &= (days >= 1) & (days <= days_in_month(years, months))
    return fields[1] + days_from_civil(years, months, days) * DAY_NS - layout.zone_ns, exists


def _number_time(layout: Layout, fields: list[Int64]) -> tuple[Int64, Bool]:
    """Instants from the parts of an epoch number; those beyond int64 do not exist here."""
    time_ns, size = np.zeros(1, np.int64), np.zeros(1, np.float64)
    with np.errstate(over="ignore"):
        for field, scale_ns in zip(fields, layout.scales_ns, strict=True):
            size = size + field.astype(np.float64) * float(scale_ns)
            if scale_ns <= _INT64_MOST:
                time_ns = time_ns + field * scale_ns
    return time_ns, size < _INT64_SAFE
