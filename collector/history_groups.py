"""An hour of a group of series in one piece of bytes: full detail, or thinned. Pure.

Full detail: all series of the group share their instants, and a mask says who was told of when. Column by column the
differences along time are sorted by the significance of their bytes, so that one series can be read without
reckoning the others; eight series share a part that is opened by itself. Thinned: few moments, each series' own, one
after the other.
"""

from __future__ import annotations

import functools
import itertools
import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.estimate import Bool, Int64
from noonmark.collector.history_codec import (
    Damaged,
    best_order,
    differences,
    from_planes,
    in_parts,
    middle,
    narrow,
    pack,
    parts_of,
    seal,
    summed,
    summed_at,
    to_planes,
    unpack,
    unseal,
    unzigzag,
)
from noonmark.collector.history_columns import COLUMNS, Kind
from noonmark.collector.history_quantise import quantise, restore

_HEAD = struct.Struct("<BIII")  # form, series, moments, size of the packed clock
_FORM = 1
_FEW = 6
"""Moments up to which it is quicker to reckon each by itself."""
PART = 8
"""Series that are packed together: one is read without the others' parts."""
_SAMPLED = 16
"""Series that the order of differences is chosen by."""


@dataclass(frozen=True, slots=True)
class Group:
    """Series numbered (S,) rising, instants (T,) rising, who was told of when (S, T), and columns (C, S, T)."""

    numbers: Int64
    at_ns: Int64
    present: Bool
    matrix: Int64


def grouped(numbers: Int64, at_ns: Int64, matrix: Int64) -> Group:
    """A group of loose moments (N,) with columns (C, N); of several of one series at one instant the last."""
    series, row = np.unique(numbers, return_inverse=True)
    instants, place = np.unique(at_ns, return_inverse=True)
    present = np.zeros((len(series), len(instants)), np.bool_)
    present[row, place] = True
    whole = np.zeros((len(matrix), len(series), len(instants)), np.int64)
    whole[:, row, place] = matrix
    return Group(series, instants, present, whole)


def joined(old: Group, new: Group) -> Group:
    """Both; where both tell of a series at one instant, the new."""
    parts = []
    for group in (old, new):
        row, place = np.nonzero(group.present)
        parts.append((group.numbers[row], group.at_ns[place], group.matrix[:, row, place]))
    numbers, at_ns, matrix = (np.concatenate(columns, axis=-1) for columns in zip(*parts, strict=True))
    return grouped(numbers, at_ns, matrix)


def pack_group(group: Group, kind: Kind) -> bytes:
    """Full detail as bytes, each number as fine as history_quantise.py says."""
    matrix = _filled(group.matrix, group.present)
    exponents, codes = quantise(group.at_ns, matrix, group.present, kind)
    count, moments = group.present.shape
    clock = pack(group.at_ns[None, :])
    heads = np.zeros((COLUMNS, 3, count), np.int64)
    shapes = bytearray()
    parts = [list[bytes]() for _ in range(0, count, PART)]
    for column in range(COLUMNS):
        values = codes[column]
        order = best_order(values[:: max(1, count // _SAMPLED)])
        found = differences(values, order)
        centre = middle(found)
        heads[column, 0] = values[:, 0] if order else 0
        heads[column, 1] = values[:, 1] - values[:, 0] if order == 2 else 0
        heads[column, 2] = centre[:, 0]
        width, plane = to_planes(found - centre)
        shapes += bytes([order, width])
        octets = (
            np.frombuffer(plane, np.uint8).reshape(width, count, -1) if width else np.zeros((0, count, 0), np.uint8)
        )
        for number, part in enumerate(parts):
            part.append(octets[:, number * PART : (number + 1) * PART].tobytes())
    head_width, head_planes = to_planes(heads)
    body = b"".join(
        [
            _HEAD.pack(_FORM, count, moments, len(clock)),
            clock,
            group.numbers.astype("<i8").tobytes(),
            np.packbits(group.present).tobytes(),
            exponents.astype(np.uint8).tobytes(),
            bytes([head_width]),
            head_planes,
            bytes(shapes),
        ]
    )
    return in_parts([seal(body), *(seal(b"".join(part)) for part in parts)])


def unpack_group(body: bytes, kind: Kind, number: int | None = None) -> Group:
    """Undo `pack_group`: all of it, or one series (none of it, if that is not in the group). Raises Damaged."""
    try:
        return _read_group(_Packed(body), kind, number)
    except (struct.error, ValueError, IndexError) as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error


def unpack_beside(body: bytes, kind: Kind, at_ns: int) -> tuple[Int64, Group]:
    """Of a packed group only what is beside an instant: every series' last moment up to then and its first after.

    All instants, and the group as of `unpack_group` with these moments alone; it serves all questions between the same
    two instants. Raises Damaged.
    """
    try:
        packed = _Packed(body)
        whole = packed.outline
        places = _places_beside(whole.present, int(np.searchsorted(whole.at_ns, at_ns, side="right")))
        if len(places) > _FEW:
            return whole.at_ns, _read_group(packed, kind, None)
        count, moments = whole.present.shape
        codes = np.empty((COLUMNS, count, len(places)), np.int64)
        for column, (order, size) in enumerate(whole.shapes):
            length = max(0, moments - order)
            planes = packed.planes(size, length)
            values = narrow(planes[:, :, : places[-1] + 1])
            first, second, centre = whole.heads[column]
            for row, place in enumerate(places):
                codes[column, :, row] = summed_at(values, centre, order, first, second, place)
        instants = whole.at_ns[places]
        matrix = restore(instants, whole.exponents, codes, kind)
        return whole.at_ns, Group(whole.numbers, instants, whole.present[:, places], matrix)
    except (struct.error, ValueError, IndexError) as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error


def _places_beside(present: Bool, place: int) -> list[int]:
    """Places of every series' nearest moments before `place`, and from it on."""
    found: set[int] = set()
    for part, away in ((present[:, :place][:, ::-1], -1), (present[:, place:], 1)):
        nearest = np.argmax(part[part.any(axis=1)], axis=1) if part.shape[1] else np.zeros(0, np.int64)
        start = place - 1 if away < 0 else place
        found.update(start + away * step for step in set(nearest.tolist()))
    return sorted(found)


@dataclass(frozen=True, slots=True)
class _Outline:
    """What stands before the planes of a packed group."""

    numbers: Int64
    at_ns: Int64
    present: Bool
    exponents: Int64
    heads: Int64
    """First value, first difference and middle of the differences, (C, 3, S)."""
    shapes: list[list[int]]
    """Order of differences and bytes of each, by column."""


class _Packed:
    """A packed group, opened as far as need be: its outline, then the planes, column by column."""

    def __init__(self, body: bytes) -> None:
        parts = parts_of(body)
        plain = unseal(body if parts is None else parts[0])
        reader = _Reader(plain, _HEAD.size)
        self.outline = _read_outline(plain, reader)
        self._parts = parts[1:] if parts is not None else None
        self._readers = [reader] if parts is None else None
        self._first, self._last = 0, len(self.outline.numbers)

    def only(self, place: int) -> int:
        """Open no more than the part that holds a series; returns how many come before it there."""
        if self._parts is None:
            return place
        self._first = place // PART * PART
        self._last = min(self._first + PART, self._last)
        return place - self._first

    def planes(self, width: int, length: int) -> NDArray[np.uint8]:
        """The next column's planes (width, series, length)."""
        if self._readers is None:
            assert self._parts is not None
            chosen = range(self._first // PART, -(-self._last // PART))
            self._readers = [_Reader(unseal(self._parts[part]), 0) for part in chosen]
        taken = []
        for number, reader in enumerate(self._readers):
            count = self._last - self._first
            if self._parts is not None:
                count = min(PART, count - number * PART)
            taken.append(reader.take(width * count * length).reshape(width, count, length))
        return taken[0] if len(taken) == 1 else np.concatenate(taken, axis=1)


def _read_outline(plain: bytes, reader: _Reader) -> _Outline:
    form, count, moments, clock_size = _HEAD.unpack_from(plain)
    if form != _FORM:
        raise Damaged(f"stored bytes have the form {form}, which is unknown here")
    at_ns = _clock(bytes(reader.take(clock_size)))
    numbers = reader.take(8 * count).view("<i8").astype(np.int64)
    bits = reader.take((count * moments + 7) // 8)
    present = np.unpackbits(bits, count=count * moments).reshape(count, moments).astype(np.bool_)
    exponents = reader.take(COLUMNS * count).reshape(COLUMNS, count).astype(np.int64)
    width = int(reader.take(1)[0])
    heads = from_planes(reader.take(width * COLUMNS * 3 * count).reshape(width, COLUMNS, 3, count))
    shapes = reader.take(2 * COLUMNS).reshape(COLUMNS, 2).tolist()
    return _Outline(numbers, at_ns, present, exponents, heads, shapes)


@functools.lru_cache(32)
def _clock(packed: bytes) -> Int64:
    """Instants; all bundles of an hour have the same, as a rule."""
    at_ns: Int64 = unpack(packed)[0]
    at_ns.flags.writeable = False
    return at_ns


def _read_group(packed: _Packed, kind: Kind, number: int | None) -> Group:
    whole = packed.outline
    if number is not None:
        place = int(np.searchsorted(whole.numbers, number))
        there = place < len(whole.numbers) and whole.numbers[place] == number
        return _read_one(packed, kind, place) if there else _nobody(whole.at_ns)
    moments = whole.present.shape[1]
    codes = np.empty((COLUMNS, *whole.present.shape), np.int64)
    for column, (order, size) in enumerate(whole.shapes):
        first, second, centre = whole.heads[column][:, :, None]
        values = from_planes(packed.planes(size, max(0, moments - order))) + centre
        codes[column] = summed(values, order, first, second)
    return Group(whole.numbers, whole.at_ns, whole.present, restore(whole.at_ns, whole.exponents, codes, kind))


def _nobody(at_ns: Int64) -> Group:
    none = np.zeros((COLUMNS, 0, len(at_ns)), np.int64)
    return Group(np.zeros(0, np.int64), at_ns, np.zeros((0, len(at_ns)), np.bool_), none)


def _read_one(packed: _Packed, kind: Kind, place: int) -> Group:
    """One series by its place: all columns are reckoned together."""
    whole, inside = packed.outline, packed.only(place)
    moments = len(whole.at_ns)
    folded = np.zeros((COLUMNS, moments), np.uint64)
    for column, (order, size) in enumerate(whole.shapes):
        planes = packed.planes(size, max(0, moments - order))
        for significance in range(size):
            octets = planes[significance, inside]
            if significance == 0:
                folded[column, order:] = octets
            else:
                folded[column, order:] |= octets.astype(np.uint64) << np.uint64(8 * significance)
    first, second, centre = whole.heads[:, :, place].T
    values = unzigzag(folded) + centre[:, None]
    orders = np.array([order for order, _ in whole.shapes])
    twice, summed_up = np.flatnonzero(orders == 2), np.flatnonzero(orders > 0)
    if len(twice):
        values[twice, 1] = second[twice]
        values[twice, 1:] = np.cumsum(values[twice, 1:], axis=1)
    if len(summed_up):
        values[summed_up, 0] = first[summed_up]
        values[summed_up] = np.cumsum(values[summed_up], axis=1)
    chosen = slice(place, place + 1)
    matrix = restore(whole.at_ns, whole.exponents[:, chosen], values[:, None, :], kind)
    return Group(whole.numbers[chosen], whole.at_ns, whole.present[chosen], matrix)


class _Reader:
    """Takes bytes off one after the other."""

    def __init__(self, plain: bytes, start: int) -> None:
        self._bytes = np.frombuffer(plain, np.uint8)
        self._at = start

    def take(self, count: int) -> NDArray[np.uint8]:
        """The next so many. Raises ValueError if there are fewer."""
        taken = self._bytes[self._at : self._at + count]
        if len(taken) != count:
            raise ValueError("they end too soon")
        self._at += count
        return taken


def _filled(matrix: Int64, present: Bool) -> Int64:
    """Where a series was not told of: what it last was, or first will be, which packs to nothing."""
    if present.all():
        return matrix
    place = np.where(present, np.arange(present.shape[1]), -1)
    place = np.maximum.accumulate(place, axis=1)
    first = np.argmax(present, axis=1)[:, None]
    place = np.where(place < 0, first, place)
    return np.take_along_axis(matrix, place[None], axis=2)


def pack_thinned(parts: Sequence[tuple[int, Int64, Int64]], kind: Kind) -> bytes:
    """Thinned series as bytes: of each its number, instants (T,) and columns (C, T)."""
    rows = []
    for number, at_ns, matrix in parts:
        present = np.ones((1, len(at_ns)), np.bool_)
        exponents, codes = quantise(at_ns, matrix[:, None, :], present, kind)
        steps = np.repeat(exponents, len(at_ns), axis=1)
        rows.append(np.vstack([np.full(len(at_ns), number), at_ns, steps, codes[:, 0]]))
    return pack(np.concatenate(rows, axis=1) if rows else np.zeros((2 + 2 * COLUMNS, 0), np.int64))


def unpack_thinned(body: bytes, kind: Kind) -> list[tuple[int, Int64, Int64]]:
    """Undo `pack_thinned`. Raises Damaged."""
    whole = unpack(body)
    if len(whole) != 2 + 2 * COLUMNS:
        raise Damaged("stored bytes are damaged: they do not fit their place")
    at_ns, steps, codes = whole[1], whole[2 : 2 + COLUMNS], whole[2 + COLUMNS :]
    if len(at_ns) and not 0 <= steps.min() <= steps.max() < 63:
        raise Damaged("stored bytes are damaged: a step is out of range")
    # One moment a series of its own: each has its own steps here.
    matrix = restore(at_ns[:, None], steps, codes[:, :, None].copy(), kind)[:, :, 0]
    edges = [0, *(np.flatnonzero(np.diff(whole[0])) + 1).tolist(), len(at_ns)]
    pairs = itertools.pairwise(edges) if len(at_ns) else ()
    return [(int(whole[0, start]), at_ns[start:stop], matrix[:, start:stop]) for start, stop in pairs]
