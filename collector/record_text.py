"""Records' bytes where they lie in the blocks of their logs: gathered once, when they are written. Pure.

Each record is a *view* as Arrow lays them out (https://arrow.apache.org/docs/format/Columnar.html, Variable-size Binary
View): its length, and then number and offset of the buffer that holds it; a short one lies in the view itself. To put
records in order only their views are moved; Arrow copies the bytes together in the end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from noonmark.collector.estimate import Int32, Int64

VIEW_BYTES = 16
SHORT = 12
"""Bytes that lie in the view itself."""
_LENGTH, _BUFFER, _OFFSET = 0, 2, 3
"""Places of a view's 32-bit numbers; between them stand four bytes of the text that serve comparisons."""
Views = np.ndarray[tuple[int], np.dtype[np.void]]


@dataclass(frozen=True, slots=True)
class RecordTexts:
    """Byte strings, N of them."""

    views: Views
    buffers: tuple[pa.Buffer, ...]

    def __len__(self) -> int:
        return len(self.views)

    @classmethod
    def of_block(cls, data: bytes | memoryview, ends: Int64) -> RecordTexts:
        """Byte strings that lie one behind the other; `ends` is where each ends."""
        begins = np.concatenate([[0], ends[:-1]])
        return cls(_views(data, begins, ends - begins), (pa.py_buffer(data),))

    @classmethod
    def of_rows(cls, rows: np.ndarray[tuple[int], np.dtype[Any]]) -> RecordTexts:
        """Rows of one width as byte strings, over the same memory."""
        width = rows.dtype.itemsize
        begins = np.arange(0, len(rows) * width, width)
        data = memoryview(np.ascontiguousarray(rows).view(np.uint8).data)
        return cls(_views(data, begins, np.full(len(rows), width)), (pa.py_buffer(data),))

    @classmethod
    def joined(cls, several: Sequence[RecordTexts]) -> RecordTexts:
        """One behind the other. Raises ValueError for none."""
        return cls(np.concatenate(_renumbered(several)), tuple(buffer for texts in several for buffer in texts.buffers))

    def rows(self, chosen: Int64 | slice) -> RecordTexts:
        """Some of them."""
        return RecordTexts(self.views[chosen] if isinstance(chosen, slice) else self.views.take(chosen), self.buffers)

    def lengths(self) -> Int32:
        """Of each, in bytes."""
        lengths: Int32 = self.views.view(np.int32)[_LENGTH::4]
        return lengths

    def array(self) -> pa.Array:
        """The byte strings one behind the other in memory of their own."""
        buffers = [None, pa.py_buffer(np.ascontiguousarray(self.views)), *self.buffers]
        return pa.Array.from_buffers(pa.binary_view(), len(self), buffers).cast(pa.binary())


def interleaved(several: Sequence[RecordTexts]) -> RecordTexts:
    """The first of each, the second of each, and so on; all must be of equal length."""
    views = np.stack(_renumbered(several), axis=1).ravel()
    return RecordTexts(views, tuple(buffer for texts in several for buffer in texts.buffers))


def as_bytes(strings: pa.Array) -> memoryview:
    """Byte strings one behind the other, as they lie in memory."""
    offsets = np.frombuffer(strings.buffers()[1], np.int32)
    begin, end = (int(value) for value in offsets[[strings.offset, strings.offset + len(strings)]])
    return memoryview(strings.buffers()[2])[begin:end]


def _renumbered(several: Sequence[RecordTexts]) -> list[Views]:
    """The views, their buffers' numbers as when all buffers stand one behind the other."""
    found, before = [], 0
    for texts in several:
        views = texts.views
        if before and len(views):
            numbers = views.copy().view(np.int32).reshape(-1, 4)
            short = numbers[:, _LENGTH] <= SHORT
            if short.any():
                numbers[~short, _BUFFER] += before
            else:
                numbers[:, _BUFFER] += before
            views = numbers.ravel().view(views.dtype)
        found.append(views)
        before += len(texts.buffers)
    return found


def _views(data: bytes | memoryview, begins: Int64, lengths: Int64) -> Views:
    numbers = np.zeros((len(begins), VIEW_BYTES // 4), np.int32)
    numbers[:, _LENGTH], numbers[:, _OFFSET] = lengths, begins
    short = np.flatnonzero(lengths <= SHORT)
    if len(short):
        places = begins[short, None] + np.arange(SHORT)
        octets = np.frombuffer(data, np.uint8)
        within = places < (begins + lengths)[short, None]
        held = numbers.view(np.uint8)
        held[short[:, None], VIEW_BYTES - SHORT + np.arange(SHORT)] = np.where(
            within, octets[np.where(within, places, 0)], 0
        )
    views: Views = numbers.ravel().view(f"V{VIEW_BYTES}")
    return views
