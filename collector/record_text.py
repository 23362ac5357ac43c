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
import pyarrow.compute as pc

from noonmark.collector.estimate import Bool, Int32, Int64, UInt8

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
    def of_rows(
        cls, rows: np.ndarray[tuple[int], np.dtype[Any]], begins: Int64 | None = None, lengths: Int64 | None = None
    ) -> RecordTexts:
        """Rows of one width as byte strings, over the same memory; of each only from `begins` on, or only `lengths`."""
        width = rows.dtype.itemsize
        places = np.arange(0, len(rows) * width, width)
        data = np.ascontiguousarray(rows).view(np.uint8).data
        if begins is not None:
            places, lengths = places + begins, (width - begins if lengths is None else lengths)
        return cls(
            _views(data, places, np.full(len(rows), width) if lengths is None else lengths), (pa.py_buffer(data),)
        )

    @classmethod
    def of_choices(cls, choices: Sequence[bytes], chosen: Int64 | Int32 | UInt8) -> RecordTexts:
        """Of a few byte strings the one with each number."""
        return cls.of_block(b"".join(choices), np.cumsum([len(choice) for choice in choices])).rows(chosen)

    @classmethod
    def same(cls, text: bytes, count: int) -> RecordTexts:
        """One byte string so many times."""
        return cls.of_choices([text], np.zeros(count, np.int64))

    @classmethod
    def of_array(cls, strings: pa.Array) -> RecordTexts:
        """Byte strings that lie as Arrow's."""
        offsets = np.frombuffer(strings.buffers()[1], np.int32)[strings.offset : strings.offset + len(strings) + 1]
        return cls.of_block(as_bytes(strings), (offsets[1:] - offsets[0]).astype(np.int64))

    @classmethod
    def joined(cls, several: Sequence[RecordTexts]) -> RecordTexts:
        """One behind the other. Raises ValueError for none."""
        return cls(np.concatenate(_renumbered(several)), tuple(buffer for texts in several for buffer in texts.buffers))

    def with_rows(self, rows: Int64, others: RecordTexts) -> RecordTexts:
        """The same, but with others in some rows."""
        own, fresh = _renumbered([self, others])
        views = own.copy()
        views[rows] = fresh
        return RecordTexts(views, (*self.buffers, *others.buffers))

    def replaced(self, rows: Int64, texts: Sequence[bytes]) -> RecordTexts:
        """The same, but with other byte strings in some rows."""
        others = RecordTexts.of_block(b"".join(texts), np.cumsum([len(text) for text in texts]))
        return self.with_rows(rows, others)

    def where(self, absent: Bool, text: bytes) -> RecordTexts:
        """The same, but with another byte string where it is absent."""
        if not absent.any():
            return self
        rows = np.flatnonzero(absent)
        return self.with_rows(rows, RecordTexts.same(text, len(rows)))

    def without_last_byte(self) -> RecordTexts:
        """Each cut by one byte."""
        lengths = self.lengths()
        if len(lengths) and lengths.min() <= SHORT + 1:
            return RecordTexts.of_array(pc.binary_slice(self.array(), 0, -1))
        numbers = self.views.copy().view(np.int32).reshape(-1, 4)
        numbers[:, _LENGTH] -= 1
        return RecordTexts(numbers.ravel().view(self.views.dtype), self.buffers)

    def rows(self, chosen: Int64 | Int32 | UInt8 | slice) -> RecordTexts:
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

    def together(self) -> memoryview:
        """The bytes of all of them, one behind the other; Arrow copies them without the interpreter."""
        return as_bytes(self.array())


def interleaved(several: Sequence[RecordTexts]) -> RecordTexts:
    """The first of each, the second of each, and so on; all must be of equal length."""
    views = np.empty((len(several[0]), len(several)), several[0].views.dtype)
    for place, renumbered in enumerate(_renumbered(several)):
        views[:, place] = renumbered
    return RecordTexts(views.ravel(), tuple(buffer for texts in several for buffer in texts.buffers))


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
    if len(short) and len(data):
        places = begins[short, None] + np.arange(SHORT)
        octets = np.frombuffer(data, np.uint8)
        within = places < (begins + lengths)[short, None]
        held = numbers.view(np.uint8)
        held[short[:, None], VIEW_BYTES - SHORT + np.arange(SHORT)] = np.where(
            within, octets[np.where(within, places, 0)], 0
        )
    views: Views = numbers.ravel().view(f"V{VIEW_BYTES}")
    return views
