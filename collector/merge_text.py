"""The merged stream as text: every line as it was, behind its corrected time and its host. Pure.

In front of each record stand two marks, the time in UTC to the nanosecond, a flag and the host:

    first mark   / | \\   first, inner, last of a group whose order is open
    second mark  ~ ?     its order to the line before is likely; is open (blank: certain)
    flag         !       no estimate of this host's clock then: the time is the line's own

Whole stretches are laid out at once: the fronts as rows of fixed width, joined to the lines by one call.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from noonmark.collector.civil import INSTANT, print_into
from noonmark.collector.estimate import Bool, Int64, UInt8
from noonmark.collector.merge import MergedRecords
from noonmark.collector.merge_source import Records
from noonmark.collector.verdicts import Certainty

_NOTHING = pa.Array.from_buffers(pa.binary(), 1, [None, pa.py_buffer(bytes(8)), pa.py_buffer(b"")])[0]
"""What stands between fronts and lines. Made of buffers, as a value of Python's makes Arrow look for pandas."""
_VERDICT = np.zeros(3, np.uint8)
_VERDICT[Certainty.CERTAIN], _VERDICT[Certainty.LIKELY], _VERDICT[Certainty.OPEN] = b" ~?"


def shown_ns(records: Records) -> Int64:
    """Corrected time: the middle of what the stamp covers, on the reference's scale; the raw stamp where unknown."""
    middle = records.reference_ns + records.resolution_ns // 2
    return np.where(records.known, middle, records.stamp_ns)


def brackets(held: Bool, held_after: bool) -> UInt8:
    """One byte a record: / | \\ for the first, inner and last of a group, a blank outside."""
    after = np.append(held[1:], held_after)
    marks = np.full(len(held), ord(" "), np.uint8)
    marks[~held & after], marks[held & after], marks[held & ~after] = ord("/"), ord("|"), ord("\\")
    return marks


class TextWriter:
    """Lays out stretches of the merged stream."""

    def __init__(self, hosts: Sequence[str]) -> None:
        """`hosts` names the merge's hosts by number; it may grow."""
        self._hosts = hosts
        self._width = 0
        self._blank = np.zeros(0, np.void)

    def fronts(self, merged: MergedRecords) -> np.ndarray[tuple[int], np.dtype[np.void]]:
        """What stands before each record, as rows of one width."""
        records = merged.records
        blanks = self._blanks()
        rows = blanks.view(f"V{blanks.itemsize}")[records.host].view(blanks.dtype)  # copied whole, not field by field
        rows["group"] = brackets(merged.held, merged.held_after)
        rows["verdict"] = _VERDICT[merged.certainty]
        if merged.at_start:
            rows["verdict"][0] = ord(" ")
        print_into(rows, shown_ns(records))
        if not records.known.all():
            rows["flag"] = np.where(records.known, ord(" "), ord("!"))
        return rows

    def _blanks(self) -> np.ndarray[tuple[int], np.dtype[np.void]]:
        """A front for each host, with all in it that does not change."""
        if len(self._blank) != len(self._hosts):
            encoded = [name.encode("utf-8", "replace") for name in self._hosts]
            self._width = max(self._width, *(len(name) for name in encoded))
            parts = [INSTANT.fields[name][0] for name in INSTANT.names] if INSTANT.fields and INSTANT.names else []
            names = ["group", "verdict", "gap", *(INSTANT.names or ()), "flag", "space", "host", "end"]
            formats = ["u1", "u1", "u1", *parts, "u1", "S1", f"S{self._width}", "S2"]
            self._blank = np.zeros(len(encoded), np.dtype({"names": names, "formats": formats}))
            self._blank["gap"] = self._blank["flag"] = ord(" ")
            self._blank["z"], self._blank["space"], self._blank["end"] = b"Z", b" ", b"  "
            self._blank["host"] = [name.ljust(self._width) for name in encoded]
        return self._blank

    def lay_out(self, merged: MergedRecords) -> memoryview:
        """The stretch as bytes, ready to be written."""
        fronts = binary_rows(self.fronts(merged))
        return as_bytes(pc.binary_join_element_wise(fronts, merged.records.text, _NOTHING))


def binary_rows(rows: np.ndarray[tuple[int], np.dtype[Any]]) -> pa.Array:
    """Rows of one width as byte strings, over the same memory."""
    width = rows.dtype.itemsize
    offsets = pa.py_buffer(np.arange(0, (len(rows) + 1) * width, width, dtype=np.int32))
    return pa.Array.from_buffers(pa.binary(), len(rows), [None, offsets, pa.py_buffer(rows)])


def as_bytes(strings: pa.Array) -> memoryview:
    """Byte strings one behind the other, as they lie in memory."""
    offsets = np.frombuffer(strings.buffers()[1], np.int32)
    begin, end = (int(value) for value in offsets[[strings.offset, strings.offset + len(strings)]])
    return memoryview(strings.buffers()[2])[begin:end]
