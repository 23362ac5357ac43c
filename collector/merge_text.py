"""The merged stream as text: every line as it was, behind its corrected time and its host. Pure.

In front of each record stand two marks, the time in UTC to the nanosecond, a flag and the host:

    first mark   / | \\   first, inner, last of a group whose order is open
    second mark  ~ ?     its order to the line before is likely; is open (blank: certain)
    flag         !       no estimate of this host's clock then: the time is the line's own

Many records are laid out at once: the fronts as rows of fixed width, then fronts and lines in turn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from noonmark.collector.civil import INSTANT, distinct, print_fractions, printed_seconds, whole_seconds
from noonmark.collector.estimate import Bool, Int64, UInt8
from noonmark.collector.merge import MergedRecords
from noonmark.collector.merge_source import Records
from noonmark.collector.record_text import RecordTexts, interleaved
from noonmark.collector.verdicts import Certainty

PIECE_BYTES = 1 << 20
"""Bytes of lines laid out at once, about: they are still in the caches when they are written."""
_BRACKETS = np.frombuffer(b" \\/|", np.uint8)
"""By twice whether the next record is held to this one, and whether this one is to the one before."""
_VERDICT = np.zeros(3, np.uint8)
_VERDICT[Certainty.CERTAIN], _VERDICT[Certainty.LIKELY], _VERDICT[Certainty.OPEN] = b" ~?"


def shown_ns(records: Records) -> Int64:
    """Corrected time: the middle of what the stamp covers, on the reference's scale; the raw stamp where unknown."""
    middle = records.reference_ns + records.resolution_ns // 2
    return middle if records.known.all() else np.where(records.known, middle, records.stamp_ns)


def brackets(held: Bool, held_after: bool) -> UInt8:
    """One byte a record: / | \\ for the first, inner and last of a group, a blank outside."""
    if not held_after and not held.any():
        return np.full(len(held), _BRACKETS[0])
    return _BRACKETS.take(2 * np.append(held[1:], held_after) + held)


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
        seconds, fraction = whole_seconds(shown_ns(records))
        # A template for each host and second met: rows are copied whole, not field by field.
        met, template = distinct(seconds * len(blanks) + records.host)
        templates = blanks[met % len(blanks)]
        shown, row = distinct(met // len(blanks))
        templates["second"] = printed_seconds(shown)[row]
        rows = templates.view(f"V{blanks.itemsize}").take(template).view(blanks.dtype)
        print_fractions(rows, fraction)
        rows["group"] = brackets(merged.held, merged.held_after)
        rows["verdict"] = _VERDICT.take(merged.certainty)
        if merged.at_start:
            rows["verdict"][0] = ord(" ")
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

    def lay_out(self, merged: MergedRecords) -> Iterator[Callable[[], memoryview]]:
        """The stretch piece by piece; each gives its bytes when it is called, which any thread may do."""
        whole = interleaved([RecordTexts.of_rows(self.fronts(merged)), merged.records.text])
        for begin, end in merged.cuts(PIECE_BYTES):
            yield whole.rows(slice(2 * begin, 2 * end)).together
