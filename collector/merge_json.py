"""The merged stream as JSON lines: every record with all that is known of its time and of its order. Pure.

Integers are nanoseconds. `order` tells how sure it is that the record came after the one before it; it is null for the
first. `group` numbers groups of open order. Raw stamps are in `stamp_ns` and in the text itself. A record's bytes that
are not UTF-8 are written as the escapes \\udc80 to \\udcff (PEP 383), so that they can be had back.

Many records are laid out at once: each member of the document is a column of byte strings, and the columns are put
together in turn. Only texts with unusual characters, and lines that claim something of their own clock, are looked at
one by one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from noonmark.collector.civil import INSTANT, print_into
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int64, UInt8
from noonmark.collector.merge import MergedRecords
from noonmark.collector.merge_source import Records
from noonmark.collector.merge_text import shown_ns
from noonmark.collector.printed_numbers import integers, shares
from noonmark.collector.record_text import RecordTexts, as_bytes, interleaved
from noonmark.collector.stamps_syslog import read_time_quality, structured_data
from noonmark.collector.verdicts import Certainty

SCHEMA = 1
PIECE_BYTES = 3 << 17
"""Bytes of lines laid out at once, about: few enough for the caches."""
_ESCAPES = ((b"\\", b"\\\\"), (b'"', b'\\"'), (b"\n", b"\\n"), (b"\t", b"\\t"), (b"\r", b"\\r"))
"""What JSON escapes in a usual text; the backslash first."""
_ORDERS = [f'{json.dumps(each.name.lower())}, "probability": '.encode() for each in Certainty]
_ORDERS.append(b'null, "probability": ')
"""By certainty; the last is for the first record of all."""
_RESOLUTION, _UNCERTAINTY, _ORDER = b', "resolution_ns": ', b', "uncertainty_ns": ', b', "order": '
_EARLIEST, _LATEST = b', "earliest_ns": ', b', "latest_ns": '
_TIME = np.dtype([("before", "S23"), *[(name, INSTANT[name]) for name in INSTANT.names or ()], ("after", "S14")])


class JsonWriter:
    """Numbers groups over stretches, and makes one document a record."""

    def __init__(self, hosts: Sequence[str], logs: Sequence[str]) -> None:
        """`hosts` and `logs` name the merge's hosts and sources by number; hosts may grow."""
        self._hosts = hosts
        self._logs = logs
        self._group = -1

    def lay_out(self, merged: MergedRecords) -> Iterator[Callable[[], memoryview]]:
        """The stretch as bytes, piece by piece, one document a line.

        Raises ValueError if the merge was not asked for uncertainties.
        """
        return map(self._piece, merged.pieces(PIECE_BYTES))

    def _piece(self, merged: MergedRecords) -> Callable[[], memoryview]:
        records = merged.records
        if records.uncertainty_ns is None:
            raise ValueError("the merge was not asked for uncertainties")
        known, untimed, width = records.known, ~records.timed, records.resolution_ns
        time_ns, unknown = shown_ns(records), ~known
        latest = np.where(records.latest_ns >= UNBOUNDED_NS, records.latest_ns, records.latest_ns + width)
        order = merged.certainty.astype(np.int64)
        if merged.at_start:
            order[0] = len(Certainty)
        text = records.text.array()
        octets = np.frombuffer(as_bytes(text), np.uint8)
        columns = [
            _times(time_ns),
            integers(time_ns),
            self._origins(records),
            _or_null(integers(records.stamp_ns, _RESOLUTION), untimed, _RESOLUTION),
            _or_null(integers(width, _UNCERTAINTY), untimed, _UNCERTAINTY),
            _or_null(integers(_uncertainty(records.uncertainty_ns, width, known), _EARLIEST), unknown, _EARLIEST),
            _or_null(integers(records.earliest_ns, _LATEST), unknown | (records.earliest_ns <= -UNBOUNDED_NS), _LATEST),
            _or_null(integers(latest, _ORDER), unknown | (latest >= UNBOUNDED_NS), _ORDER),
            RecordTexts.of_choices(_ORDERS, order),
            _probabilities(merged),
            RecordTexts.same(b', "group": ', len(records)),
            self._groups(merged.held, merged.held_after),
            *_claims(text, octets),
            RecordTexts.same(b', "text": "', len(records)),
            _texts(records.text, text, octets),
            RecordTexts.same(b'"}\n', len(records)),
        ]
        return interleaved(columns).together

    def _origins(self, records: Records) -> RecordTexts:
        """Whether each is corrected, its host, its log."""
        logs = len(self._logs)
        code = (records.host.astype(np.int64) * logs + records.source) * 2 + records.known
        met, row = np.unique(code, return_inverse=True)
        choices = []
        for value in met.tolist():
            place, corrected = divmod(value, 2)
            host, log = divmod(place, logs)
            names = json.dumps(self._hosts[host]), json.dumps(self._logs[log])
            told = f', "corrected": {json.dumps(bool(corrected))}, "host": {names[0]}, "log": {names[1]}, "stamp_ns": '
            choices.append(told.encode())
        return RecordTexts.of_choices(choices, row)

    def _groups(self, held: Bool, held_after: bool) -> RecordTexts:
        """Number of each record's group, or null; carried on over stretches."""
        after = np.append(held[1:], held_after)
        number = self._group + np.cumsum(~held & after)
        self._group = int(number[-1])
        rows = np.flatnonzero(held | after)
        found = RecordTexts.same(b"null", len(held))
        return found.with_rows(rows, integers(number[rows])) if len(rows) else found


def _times(time_ns: Int64) -> RecordTexts:
    """Where a document begins: up to its time and what follows it."""
    rows = np.empty(len(time_ns), _TIME)
    rows["before"], rows["z"], rows["after"] = b'{"schema": %d, "time": "' % SCHEMA, b"Z", b'", "time_ns": '
    print_into(rows, time_ns)
    return RecordTexts.of_rows(rows)


def _or_null(found: RecordTexts, absent: Bool, after: bytes = b"") -> RecordTexts:
    return found.where(absent, b"null" + after)


def _uncertainty(clock_ns: Float64, width: Int64, known: Bool) -> Int64:
    """Standard, of clock and stamp together, rounded up; 0 where nothing is known."""
    both = np.hypot(np.where(known, clock_ns, 0.0), width / math.sqrt(12.0))
    return np.ceil(both).astype(np.int64)


def _probabilities(merged: MergedRecords) -> RecordTexts:
    values = merged.probability
    rows = np.flatnonzero(values != 1.0)
    found = RecordTexts.same(b"1.0", len(values))
    if len(rows):
        found = found.with_rows(rows, shares(values[rows]))
    first = np.zeros(len(values), np.bool_)
    first[0] = merged.at_start
    return _or_null(found, first)


def _texts(texts: RecordTexts, text: pa.Array, octets: UInt8) -> RecordTexts:
    """The records' texts without their last newline, as what stands between the quotes of a JSON string.

    `text` is the same as they lie one behind the other, `octets` their bytes.
    """
    ends = np.cumsum(texts.lengths(), dtype=np.int64)
    newlines = bool((octets[ends - 1] == ord("\n")).all())
    special = (octets - np.uint8(ord(" "))) > ord("~") - ord(" ")
    special |= octets == ord('"')
    special |= octets == ord("\\")
    if newlines and np.count_nonzero(special) == len(text):  # the newlines at the ends
        return texts.without_last_byte()
    unusual = (octets > ord("~")) | (octets < ord(" ")) & ~np.isin(octets, (9, 10, 13))
    one_by_one = _rows_with(unusual, ends)
    found = pc.binary_slice(text, 0, -1) if newlines else _without_newline(text)
    for character, escaped in _ESCAPES:
        found = pc.replace_substring(found, character, escaped)
    escaped_texts = RecordTexts.of_array(found)
    if not one_by_one:
        return escaped_texts
    return escaped_texts.replaced(np.array(one_by_one), [_escaped(text[row].as_py()) for row in one_by_one])


def _rows_with(marked: Bool, ends: Int64) -> list[int]:
    """Rows that hold a marked octet."""
    places = np.flatnonzero(marked)
    return np.unique(np.searchsorted(ends, places, side="right")).tolist() if len(places) else []


def _without_newline(text: pa.Array) -> pa.Array:
    return pa.array([each.removesuffix(b"\n") for each in text.to_pylist()], pa.binary())


def _escaped(text: bytes) -> bytes:
    return json.dumps(text.removesuffix(b"\n").decode("utf-8", "surrogateescape"))[1:-1].encode()


def _claims(text: pa.Array, octets: UInt8) -> list[RecordTexts]:
    """What RFC 5424 lines claim of their own clocks, as a member of the document; nothing where no line does."""
    if not (octets == ord("[")).any() or b"[timeQuality" not in octets.tobytes():
        return []
    found = pc.match_substring(text, b"[timeQuality")
    rows = np.flatnonzero(found.to_numpy(zero_copy_only=False)).tolist()
    claims = [b""] * len(text)
    for row in rows:
        claims[row] = _claim(text[row].as_py())
    return [RecordTexts.of_array(pa.array(claims, pa.binary()))]


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
