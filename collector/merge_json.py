"""The merged stream as JSON lines: every record with all that is known of its time and of its order. Pure.

Integers are nanoseconds. `order` tells how sure it is that the record came after the one before it; it is null for the
first. `group` numbers groups of open order. Raw stamps are in `stamp_ns` and in the text itself. A record's bytes that
are not UTF-8 are written as the escapes \\udc80 to \\udcff (PEP 383), so that they can be had back.

Whole stretches are laid out at once, column by column; only texts with unusual characters, and lines that claim
something of their own clock, are looked at one by one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from noonmark.collector.civil import print_instants
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64
from noonmark.collector.merge import MergedRecords
from noonmark.collector.merge_text import shown_ns
from noonmark.collector.record_text import as_bytes
from noonmark.collector.stamps_syslog import read_time_quality, structured_data
from noonmark.collector.verdicts import Certainty

SCHEMA = 1
PIECE_BYTES = 1 << 18
"""Bytes of lines laid out at once, about: few enough for the caches."""
_ESCAPES = ((b"\\", b"\\\\"), (b'"', b'\\"'), (b"\n", b"\\n"), (b"\t", b"\\t"), (b"\r", b"\\r"))
"""What JSON escapes in a usual text; the backslash first."""
_ORDERS = pa.array([json.dumps(Certainty(value).name.lower()).encode() for value in range(len(Certainty))])


class JsonWriter:
    """Numbers groups over stretches, and makes one document a record."""

    def __init__(self, hosts: Sequence[str], logs: Sequence[str]) -> None:
        """`hosts` and `logs` name the merge's hosts and sources by number; hosts may grow."""
        self._hosts = hosts
        self._logs = logs
        self._group = -1

    def lay_out(self, merged: MergedRecords) -> Iterator[memoryview]:
        """The stretch as bytes, piece by piece, one document a line.

        Raises ValueError if the merge was not asked for uncertainties.
        """
        return map(self._piece, merged.pieces(PIECE_BYTES))

    def _piece(self, merged: MergedRecords) -> memoryview:
        records = merged.records
        if records.uncertainty_ns is None:
            raise ValueError("the merge was not asked for uncertainties")
        text = records.text.array()
        known, timed, width = records.known, records.timed, records.resolution_ns
        time_ns = shown_ns(records)
        latest = np.where(records.latest_ns >= UNBOUNDED_NS, records.latest_ns, records.latest_ns + width)
        no_order = np.zeros(len(records), np.bool_)
        no_order[0] = merged.at_start
        columns = [
            b'{"schema": %d, "time": "' % SCHEMA,
            binary_rows(print_instants(time_ns)),
            b'", "time_ns": ',
            _integers(time_ns),
            b', "corrected": ',
            pc.if_else(pa.array(known), b"true", b"false"),
            b', "host": ',
            _names(self._hosts, records.host),
            b', "log": ',
            _names(self._logs, records.source),
            b', "stamp_ns": ',
            _integers(records.stamp_ns, ~timed),
            b', "resolution_ns": ',
            _integers(width, ~timed),
            b', "uncertainty_ns": ',
            _integers(_uncertainty(records.uncertainty_ns, width, known), ~known),
            b', "earliest_ns": ',
            _integers(records.earliest_ns, ~known | (records.earliest_ns <= -UNBOUNDED_NS)),
            b', "latest_ns": ',
            _integers(latest, ~known | (latest >= UNBOUNDED_NS)),
            b', "order": ',
            pc.if_else(pa.array(no_order), b"null", _ORDERS.take(positions(merged.certainty.astype(np.int64)))),
            b', "probability": ',
            _probabilities(merged.probability, no_order),
            b', "group": ',
            self._groups(merged.held, merged.held_after),
            *_claims(text),
            b', "text": "',
            _texts(text),
            b'"}\n',
        ]
        return as_bytes(pc.binary_join_element_wise(*columns, b""))

    def _groups(self, held: Bool, held_after: bool) -> pa.Array:
        """Number of each record's group, or null; carried on over stretches."""
        after = np.append(held[1:], held_after)
        number = self._group + np.cumsum(~held & after)
        self._group = int(number[-1])
        return _integers(number, ~(held | after))


def binary_rows(rows: np.ndarray[tuple[int], np.dtype[Any]]) -> pa.Array:
    """Rows of one width as byte strings, over the same memory."""
    width = rows.dtype.itemsize
    offsets = pa.py_buffer(np.arange(0, (len(rows) + 1) * width, width, dtype=np.int32))
    return pa.Array.from_buffers(pa.binary(), len(rows), [None, offsets, pa.py_buffer(rows)])


def positions(rows: Int64 | Int32) -> pa.Array:
    """Row numbers as Arrow takes them, without a copy."""
    return pa.Array.from_buffers(pa.int64(), len(rows), [None, pa.py_buffer(np.ascontiguousarray(rows, np.int64))])


def _integers(values: Int64, absent: Bool | None = None) -> pa.Array:
    """Their digits; null where they are absent."""
    found = pc.cast(pa.array(values, mask=absent), pa.string()).cast(pa.binary())
    return found if absent is None else pc.fill_null(found, b"null")


def _names(names: Sequence[str], number: Int64 | Int32) -> pa.Array:
    return pa.array([json.dumps(name).encode() for name in names]).take(positions(number))


def _uncertainty(clock_ns: Float64, width: Int64, known: Bool) -> Int64:
    """Standard, of clock and stamp together, rounded up; 0 where nothing is known."""
    both = np.hypot(np.where(known, clock_ns, 0.0), width / math.sqrt(12.0))
    return np.ceil(both).astype(np.int64)


def _probabilities(values: Float64, absent: Bool) -> pa.Array:
    texts = np.full(len(values), b"1.0", "S24")
    rows = np.flatnonzero(values != 1.0)
    texts[rows] = [b"null" if math.isnan(value) else repr(round(value, 6)).encode() for value in values[rows].tolist()]
    texts[absent] = b"null"
    return pa.array(texts.tolist(), pa.binary())


def _texts(text: pa.Array) -> pa.Array:
    """The records' texts without their last newline, as what stands between the quotes of a JSON string."""
    octets = np.frombuffer(as_bytes(text), np.uint8)
    ends = _ends(text)
    unusual = (octets > ord("~")) | (octets < ord(" ")) & ~np.isin(octets, (9, 10, 13))
    special = (octets < ord(" ")) | (octets == ord('"')) | (octets == ord("\\"))
    one_by_one = _rows_with(unusual, ends)
    found = pc.binary_slice(text, 0, -1) if (octets[ends - 1] == ord("\n")).all() else _without_newline(text)
    if np.count_nonzero(special) > len(text):  # more than the newlines at the ends
        for character, escaped in _ESCAPES:
            found = pc.replace_substring(found, character, escaped)
    if not len(one_by_one):
        return found
    mask = np.zeros(len(text), np.bool_)
    mask[one_by_one] = True
    return pc.replace_with_mask(found, pa.array(mask), pa.array([_escaped(text[row].as_py()) for row in one_by_one]))


def _ends(text: pa.Array) -> Int64:
    """Where each text ends, counted from where the first begins."""
    offsets = np.frombuffer(text.buffers()[1], np.int32)[text.offset : text.offset + len(text) + 1]
    ends: Int64 = (offsets[1:] - offsets[0]).astype(np.int64)
    return ends


def _rows_with(marked: Bool, ends: Int64) -> list[int]:
    """Rows that hold a marked octet."""
    places = np.flatnonzero(marked)
    return np.unique(np.searchsorted(ends, places, side="right")).tolist() if len(places) else []


def _without_newline(text: pa.Array) -> pa.Array:
    return pa.array([each.removesuffix(b"\n") for each in text.to_pylist()], pa.binary())


def _escaped(text: bytes) -> bytes:
    return json.dumps(text.removesuffix(b"\n").decode("utf-8", "surrogateescape"))[1:-1].encode()


def _claims(text: pa.Array) -> list[pa.Array]:
    """What RFC 5424 lines claim of their own clocks, as a member of the document; nothing where no line does."""
    found = pc.match_substring(text, b"[timeQuality") if b"[timeQuality" in as_bytes(text).tobytes() else None
    if found is None:
        return []
    rows = np.flatnonzero(found.to_numpy(zero_copy_only=False)).tolist()
    claims = [b""] * len(text)
    for row in rows:
        claims[row] = _claim(text[row].as_py())
    return [pa.array(claims, pa.binary())]


def _claim(text: bytes) -> bytes:
    place = structured_data(text)
    quality = read_time_quality(text[place[0] : place[1]]) if place else None
    if quality is None:
        return b""
    claim = {
        "zone_known": quality.zone_known,
        "synchronised": quality.synchronised,
        "accuracy_ns": quality.accuracy_ns,
    }
    return b', "claim": ' + json.dumps(claim).encode()
