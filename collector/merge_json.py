"""The merged stream as JSON lines: every record with all that is known of its time and of its order. Pure.

Integers are nanoseconds. `order` tells how sure it is that the record came after the one before it; it is null for the
first. `group` numbers groups of open order. Raw stamps are in `stamp_ns` and in the text itself. A record's bytes that
are not UTF-8 are written as the escapes \\udc80 to \\udcff (PEP 383), so that they can be had back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from noonmark.collector.civil import print_instant
from noonmark.collector.estimate import UNBOUNDED_NS
from noonmark.collector.merge import MergedRecords
from noonmark.collector.merge_text import shown_ns
from noonmark.collector.stamps_syslog import read_time_quality, structured_data
from noonmark.collector.verdicts import Certainty

SCHEMA = 1
_SQRT_12 = math.sqrt(12.0)


class JsonWriter:
    """Numbers groups over stretches, and makes one document a record."""

    def __init__(self, hosts: Sequence[str], logs: Sequence[str]) -> None:
        """`hosts` and `logs` name the merge's hosts and sources by number; hosts may grow."""
        self._hosts = hosts
        self._logs = logs
        self._group = -1
        self._open = False

    def documents(self, merged: MergedRecords) -> Iterator[dict[str, Any]]:
        """One a record."""
        records = merged.records
        if records.uncertainty_ns is None:
            raise ValueError("the merge was not asked for uncertainties")
        shown = shown_ns(records)
        held = [*merged.held.tolist(), merged.held_after]
        for row in range(len(records)):
            if not held[row]:
                self._open = held[row + 1]
                self._group += self._open
            first = merged.at_start and row == 0
            text = records.text[row].as_py()
            known = bool(records.known[row])
            latest = int(records.latest_ns[row])
            probability = float(merged.probability[row])
            yield {
                "schema": SCHEMA,
                "time": print_instant(int(shown[row])),
                "time_ns": int(shown[row]),
                "corrected": known,
                "host": self._hosts[records.host[row]],
                "log": self._logs[records.source[row]],
                "stamp_ns": int(records.stamp_ns[row]) if records.timed[row] else None,
                "resolution_ns": int(records.resolution_ns[row]) if records.timed[row] else None,
                "uncertainty_ns": _uncertainty(records.uncertainty_ns[row], records.resolution_ns[row])
                if known
                else None,
                "earliest_ns": _limit(int(records.earliest_ns[row])) if known else None,
                "latest_ns": _limit(latest if latest >= UNBOUNDED_NS else latest + int(records.resolution_ns[row]))
                if known
                else None,
                "order": None if first else Certainty(int(merged.certainty[row])).name.lower(),
                "probability": None if first or math.isnan(probability) else round(probability, 6),
                "group": self._group if self._open else None,
                **_claim(text),
                "text": text.decode("utf-8", "surrogateescape").removesuffix("\n"),
            }
            self._open = self._open and held[row + 1]


def lines(stretches: Iterator[MergedRecords], hosts: Sequence[str], logs: Sequence[str]) -> Iterator[bytes]:
    """The whole stream, one JSON document a line."""
    writer = JsonWriter(hosts, logs)
    for merged in stretches:
        yield b"".join(json.dumps(document).encode() + b"\n" for document in writer.documents(merged))


def _uncertainty(clock_ns: np.float64, resolution_ns: np.int64) -> int:
    """Standard, of clock and stamp together, rounded up."""
    return math.ceil(math.hypot(float(clock_ns), int(resolution_ns) / _SQRT_12))


def _limit(value: int) -> int | None:
    return None if abs(value) >= UNBOUNDED_NS else value


def _claim(text: bytes) -> dict[str, Any]:
    """What an RFC 5424 line claims of its own clock, if it does."""
    place = structured_data(text) if b"[timeQuality" in text else None
    quality = read_time_quality(text[place[0] : place[1]]) if place else None
    if quality is None:
        return {}
    return {
        "claim": {
            "zone_known": quality.zone_known,
            "synchronised": quality.synchronised,
            "accuracy_ns": quality.accuracy_ns,
        }
    }
