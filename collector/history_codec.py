"""Integer matrices to compact bytes and back, without loss. Pure.

Of each row the differences of that order (0, 1 or 2) that are smallest, less their median, as little-endian bytes
sorted by significance, then Zstandard. A checksum (CRC-32) comes first, so that bytes which a disk has changed are
never taken for numbers.
"""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
import zstandard
from numpy.typing import NDArray

from noonmark.collector.estimate import Int64

LEVEL = 6
MAX_BYTES = 1 << 31
UInt64 = NDArray[np.uint64]
_HEAD = struct.Struct("<BHI")  # form, rows, columns
_FORM = 1
_PARTS = b"PART"
_ROW = np.dtype([("order", "u1"), ("width", "u1"), ("first", "<i8"), ("second", "<i8"), ("centre", "<i8")])


class Damaged(ValueError):  # noqa: N818 - named for what was found
    """Bytes that were not written here, or are not as they were written."""


def zigzag(values: Int64) -> UInt64:
    """Small numbers of either sign to small numbers."""
    return ((values << 1) ^ (values >> 63)).view(np.uint64)


def unzigzag(values: UInt64) -> Int64:
    """Undo `zigzag`."""
    return ((values >> np.uint64(1)) ^ (~(values & np.uint64(1)) + np.uint64(1))).view(np.int64)


def seal(body: bytes, *, level: int = LEVEL) -> bytes:
    """Compress and put a checksum in front."""
    packed = zstandard.ZstdCompressor(level=level, write_checksum=False, write_content_size=True).compress(body)
    return zlib.crc32(packed).to_bytes(4, "little") + packed


def unseal(sealed: bytes) -> bytes:
    """Undo `seal`. Raises Damaged."""
    packed = sealed[4:]
    if zlib.crc32(packed).to_bytes(4, "little") != sealed[:4]:
        raise Damaged("stored bytes are damaged: their checksum is wrong")
    try:
        return zstandard.ZstdDecompressor().decompress(packed, max_output_size=MAX_BYTES)
    except zstandard.ZstdError as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error


def in_parts(parts: Sequence[bytes]) -> bytes:
    """Several sealed pieces as one, of which each can be opened alone; in front a checksum of sizes and checksums."""
    sizes = struct.pack(f"<H{len(parts)}I", len(parts), *map(len, parts))
    return b"".join([_checksum([sizes, *parts]), _PARTS, sizes, *parts])


def _checksum(pieces: Sequence[bytes]) -> bytes:
    """Of the first whole, and of the checksums that the others begin with."""
    return zlib.crc32(b"".join([pieces[0], *(piece[:4] for piece in pieces[1:])])).to_bytes(4, "little")


def parts_of(body: bytes) -> list[bytes] | None:
    """Undo `in_parts`; None of what is one sealed piece. Raises Damaged."""
    if body[4:8] != _PARTS:  # there a sealed piece has Zstandard's own mark
        return None
    try:
        (count,) = struct.unpack_from("<H", body, 8)
        sizes = struct.unpack_from(f"<{count}I", body, 10)
    except struct.error as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error
    start = 10 + 4 * count
    edges = [start, *(start + size for size in itertools.accumulate(sizes))]
    parts = [body[first:last] for first, last in itertools.pairwise(edges)]
    if _checksum([body[8:start], *parts]) != body[:4] or len(body) != edges[-1]:
        raise Damaged("stored bytes are damaged: their checksum or their size is wrong")
    return parts


def to_planes(values: Int64) -> tuple[int, bytes]:
    """Numbers of any shape by significance of their bytes: (bytes needed for each, the bytes)."""
    folded = np.ascontiguousarray(zigzag(values)).reshape(-1)
    width = (int(folded.max()).bit_length() + 7) // 8 if len(folded) else 0
    return width, folded.view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes()


def from_planes(planes: NDArray[np.uint8]) -> Int64:
    """Undo `to_planes`, of planes (width, …) to numbers (…)."""
    width, shape = planes.shape[0], planes.shape[1:]
    if width == 1:  # most rows are so small
        small: Int64 = (planes[0] >> 1).astype(np.int64) ^ -((planes[0] & 1).astype(np.int64))
        return small
    whole = np.zeros((*shape, 8), np.uint8)
    for place in range(width):
        whole[..., place] = planes[place]
    return unzigzag(whole.view(np.uint64)[..., 0])


def narrow(planes: NDArray[np.uint8]) -> NDArray[np.signedinteger[Any]]:
    """As `from_planes`, in the narrowest integers that hold the numbers: much quicker where these are only added up."""
    width = planes.shape[0]
    if width > 2:
        return from_planes(planes)
    if width == 2:
        wide = planes[1].astype(np.uint16)
        wide <<= 8
        wide |= planes[0]
        return np.asarray((wide >> 1).view(np.int16) ^ -((wide & 1).view(np.int16)))
    small = planes[0] if width else np.zeros(planes.shape[1:], np.uint8)
    return np.asarray((small >> 1).view(np.int8) ^ -((small & 1).view(np.int8)))


def middle(values: Int64) -> Int64:
    """Median along the last axis (the upper one of two), kept as an axis of one; zeros where there are no values."""
    count = values.shape[-1]
    if count == 0:
        return np.zeros((*values.shape[:-1], 1), np.int64)
    return np.partition(values, count // 2, axis=-1)[..., count // 2 : count // 2 + 1]


def differences(values: Int64, order: int) -> Int64:
    """Differences of an order along the last axis; they wrap around where they do not fit."""
    for _ in range(order):
        values = values[..., 1:] - values[..., :-1]
    return values


def best_order(values: Int64) -> int:
    """The order (0, 1, 2) whose differences about their median take the fewest bits."""
    if values.shape[-1] < 3:
        return 0
    costs = []
    for order in range(3):
        found = differences(values, order)
        costs.append(float(np.log2(np.abs((found - middle(found)).astype(np.float64)) + 1.0).sum()))
    return costs.index(min(costs))


def summed(values: Int64, order: int, first: Int64, second: Int64) -> Int64:
    """Undo `differences` along the last axis, from first values and first first differences (…, 1)."""
    for start in (second, first)[2 - order :]:
        values = np.cumsum(np.concatenate([start, values], axis=-1), axis=-1)
    return values


def summed_at(
    values: NDArray[np.signedinteger[Any]], centre: Int64, order: int, first: Int64, second: Int64, place: int
) -> Int64:
    """What `summed` of ``values + centre`` has at one place of the last axis: values (S, T - order), heads (S,)."""
    if order == 0:
        return np.asarray(values[:, place] + centre, np.int64)
    if order == 1:
        return np.asarray(first + place * centre + values[:, :place].sum(axis=1, dtype=np.int64), np.int64)
    if place == 0:
        return first
    ways = place - 1 - np.arange(place - 1)
    moved = (values[:, : place - 1] * ways).sum(axis=1, dtype=np.int64) if place > 1 else 0
    found: Int64 = first + place * second + place * (place - 1) // 2 * centre + moved
    return found


def pack(matrix: Int64, *, level: int = LEVEL, ordered: bool = True) -> bytes:
    """A matrix of int64 (rows, columns) as bytes; not `ordered`: neighbours have nothing in common."""
    rows, columns = matrix.shape
    heads = np.zeros(rows, _ROW)
    planes: list[bytes] = []
    for number, row in enumerate(np.ascontiguousarray(matrix)):
        order = best_order(row) if ordered else 0
        found = differences(row, order)
        heads["order"][number] = order
        heads["first"][number] = row[0] if order else 0
        heads["second"][number] = (row[1:2] - row[:1])[0] if order == 2 else 0
        centre = middle(found)
        heads["centre"][number] = centre[0]
        heads["width"][number], plane = to_planes(found - centre)
        planes.append(plane)
    return seal(_HEAD.pack(_FORM, rows, columns) + heads.tobytes() + b"".join(planes), level=level)


def unpack(body: bytes) -> Int64:
    """Undo `pack`. Raises Damaged."""
    plain = unseal(body)
    try:
        form, rows, columns = _HEAD.unpack_from(plain)
        if form != _FORM:
            raise Damaged(f"stored bytes have the form {form}, which is unknown here")
        heads = np.frombuffer(plain, _ROW, rows, _HEAD.size)
        matrix = np.empty((rows, columns), np.int64)
        start = _HEAD.size + rows * _ROW.itemsize
        for number, (order, width, first, second, centre) in enumerate(heads.tolist()):
            count = max(0, columns - order)
            planes = np.frombuffer(plain, np.uint8, count * width, start).reshape(width, count)
            start += count * width
            values = from_planes(planes) + np.int64(centre)
            matrix[number] = summed(values, order, np.array([first]), np.array([second]))
    except (struct.error, ValueError) as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error
    return matrix
