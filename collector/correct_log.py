"""One log, corrected line by line in batches: what is written, and what could not be. Pure but for the stream."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS, ClockKnowledge, ClockMemory, HostTimes
from noonmark.collector.correct import CannotRewrite, rewrite, time_quality, with_time_quality
from noonmark.collector.estimate import UNBOUNDED_NS
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_stamps import LogStamp, StampError

BATCH = 4096


@dataclass(slots=True)
class CorrectionCounts:
    """What became of a log's lines."""

    corrected: int = 0
    unknown: int = 0
    """Left as they are: nothing is known of the clock then."""
    impossible: int = 0
    """Left as they are: no room in the stamp's form."""
    first_impossible: str = ""
    without_time: int = 0


@dataclass(slots=True)
class Corrector:
    """Corrects the lines of one log."""

    reader: StampReader
    knowledge: ClockKnowledge
    known_as: Callable[[str | None], int]
    """A line's host to its place in the knowledge."""
    quality: bool = False
    """Add the timeQuality element instead of rewriting the time."""
    counts: CorrectionCounts = field(default_factory=CorrectionCounts)
    _memories: dict[int, ClockMemory] = field(default_factory=dict)

    def lines(self, lines: Iterable[bytes]) -> Iterator[bytes]:
        """The log's lines, newlines and all, corrected where that can be."""
        source = iter(lines)
        while batch := list(itertools.islice(source, BATCH)):
            yield from self._batch(batch)

    def _batch(self, batch: list[bytes]) -> list[bytes]:
        stamps = [self._stamp(line) for line in batch]
        rows: dict[int, list[int]] = {}
        for row, stamp in enumerate(stamps):
            if stamp is not None:
                rows.setdefault(self.known_as(stamp.host), []).append(row)
        self.counts.without_time += sum(stamp is None for stamp in stamps)
        for host, members in rows.items():
            times = self.knowledge.host_times(
                host,
                np.array([stamp.time_ns for row in members if (stamp := stamps[row]) is not None], np.int64),
                self._memories.setdefault(host, ClockMemory()),
            )
            for place, row in enumerate(members):
                stamp = stamps[row]
                assert stamp is not None
                batch[row] = self._corrected(batch[row], stamp, times, place)
        return batch

    def _stamp(self, line: bytes) -> LogStamp | None:
        if line[:1] in (b" ", b"\t"):
            return None
        try:
            stamp = self.reader.read(line.rstrip(b"\r\n"))
        except StampError:
            return None
        return stamp if stamp is not None and -LATEST_NS < stamp.time_ns < LATEST_NS else None

    def _corrected(self, line: bytes, stamp: LogStamp, times: HostTimes, place: int) -> bytes:
        known = bool(times.known[place])
        if not known and not self.quality:
            self.counts.unknown += 1
            return line
        try:
            if self.quality:
                changed = with_time_quality(line, self._element(stamp, times, place, known))
            else:
                changed = rewrite(line, stamp, stamp.time_ns - int(times.reference_ns[place]))
        except CannotRewrite as error:
            self.counts.impossible += 1
            self.counts.first_impossible = self.counts.first_impossible or str(error)
            return line
        self.counts.corrected += known
        self.counts.unknown += not known
        return changed

    @staticmethod
    def _element(stamp: LogStamp, times: HostTimes, place: int, known: bool) -> bytes:
        earliest, latest = int(times.earliest_ns[place]), int(times.latest_ns[place])
        bounded = known and earliest > -UNBOUNDED_NS and latest < UNBOUNDED_NS
        lower, upper = (stamp.time_ns - latest, stamp.time_ns - earliest) if bounded else (None, None)
        return time_quality(stamp.zone_known, lower, upper, stamp.resolution_ns)
