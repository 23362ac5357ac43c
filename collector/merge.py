"""Merge logs of several hosts into one stream in corrected time, in memory that does not grow with them. Pure.

Every log is drawn block by block. Records whose place lies before the horizon (the place up to which all logs have been
drawn) can be put in order; of these, as many are passed on as end at a boundary that nothing still to come can undo, so
that a group of open order comes whole. A group too large to be held comes in parts.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.clock_table import NoKnowledge
from noonmark.collector.estimate import Bool, Float64, Int32, Int64, UInt8
from noonmark.collector.merge_source import NO_MORE, Records, Source
from noonmark.collector.order_groups import half_reaches, uncut, with_open_steps
from noonmark.collector.verdicts import LIKELY, Certainty, StampedEvents, judge

STRETCH = 16_384
"""Records put in order at once, at least, while logs go on: enough to hide the cost of each call."""
AWHILE_NS = 60 * 10**9
"""How far two hosts can be open to each other is looked up so often."""
MOST_HELD = 200_000
"""Records held back for the sake of one group."""


@dataclass(frozen=True, slots=True)
class MergedRecords:
    """The next stretch of the merged stream; N rows in order."""

    records: Records
    certainty: UInt8
    """Of each: whether it came after the one before it (of the stretch before, for the first)."""
    probability: Float64
    """NaN where nothing is known of a clock."""
    held: Bool
    """Whether it belongs to one group of open order with the one before it."""
    held_after: bool
    """Whether the last one belongs to one group with what follows."""
    at_start: bool
    """True for the first stretch: nothing comes before its first record."""

    def pieces(self, size: int) -> Iterator[MergedRecords]:
        """The same in pieces of so many bytes of text, about; a record is never cut."""
        reached = np.cumsum(self.records.text.lengths(), dtype=np.int64)
        ends = np.unique(np.searchsorted(reached, np.arange(size, reached[-1], size), side="right"))
        count = len(reached)
        for begin, end in itertools.pairwise([0, *ends[(ends > 0) & (ends < count)].tolist(), count]):
            rows = slice(begin, end)
            yield MergedRecords(
                self.records.rows(rows),
                self.certainty[rows],
                self.probability[rows],
                self.held[rows],
                self.held_after if end == count else bool(self.held[end]),
                self.at_start and begin == 0,
            )


@dataclass(slots=True)
class MergeCounts:
    """What the merge found."""

    records: int = 0
    across: int = 0
    """Neighbouring pairs of different hosts."""
    likely: int = 0
    open: int = 0
    unknown: int = 0
    """Records whose host's clock was not known then."""
    groups_cut: int = 0
    """Groups too large to come whole."""


@dataclass(frozen=True, slots=True)
class _Neighbours:
    """What verdicts on neighbours need of records, with the last record of the stretch before in front."""

    host: Int32
    sequence: Int64
    stamp_ns: Int64
    resolution_ns: Int64
    reference_ns: Int64
    earliest_ns: Int64
    latest_ns: Int64
    known: Bool
    timed: Bool

    def overlapping(self) -> Bool:
        """Of each but the first: its earliest instant lies before the latest of the one before it."""
        return self.earliest_ns[1:] < self.latest_ns[:-1] + self.resolution_ns[:-1]


_COLUMNS = _Neighbours.__slots__


class Merge:
    """Puts the sources' records in order."""

    def __init__(
        self,
        sources: Sequence[Source],
        knowledge: ClockKnowledge,
        known_as: Sequence[int],
        *,
        likely: float = LIKELY,
        proved: Callable[[StampedEvents, StampedEvents], Bool] | None = None,
        stretch: int = STRETCH,
        most_held: int = MOST_HELD,
    ) -> None:
        """`known_as[host]` is the merge's host's position in the knowledge, -1 if it does not know it; it may grow.

        `proved` tells of pairs of events whose order is certain by what they are.
        """
        self.sources = list(sources)
        self.knowledge = knowledge
        self.known_as = known_as
        self.likely = likely
        self.proved = proved
        self.stretch = stretch
        self.most_held = most_held
        self.counts = MergeCounts()
        self._last: Records | None = None
        self._reaches: tuple[tuple[int, int, int], Int64] | None = None
        self._held = False

    def stretches(self) -> Iterator[MergedRecords]:
        """The merged stream, stretch by stretch. What drawing from a log raises passes through."""
        while True:
            horizon = min((source.horizon_ns for source in self.sources), default=NO_MORE)
            ready = [source.ready(horizon) for source in self.sources]
            if horizon != NO_MORE and sum(ready) < self.stretch:
                self._draw_further(horizon)
            elif not any(ready):
                return
            elif (found := self._next(horizon, ready)) is not None:
                yield found

    def _next(self, horizon: int, ready: list[int]) -> MergedRecords | None:
        """What is ready, in order, up to the last boundary that stands; None if more must be drawn to find one."""
        records = Records.joined(
            [part for source, count in zip(self.sources, ready, strict=True) for part in source.first(count)]
        )
        records = records.rows(np.argsort(records.key, kind="stable"))
        held, reach = self._groups(records, horizon)
        settled = len(records)
        if horizon != NO_MORE and reach is not None:
            boundaries = np.flatnonzero(~np.append(held, records.key[-1] + reach > horizon - reach))
            settled = int(boundaries[-1]) if len(boundaries) else 0
            if settled == 0 and sum(source.pending() for source in self.sources) < self.most_held:
                self._draw_further(horizon)
                return None
        held_after = settled == 0
        settled = settled or len(records)
        if settled < len(records):
            records, held = records.rows(slice(0, settled)), held[:settled]
        passed_on = np.bincount(records.source, minlength=len(self.sources))
        for source in self.sources:
            source.consume(int(passed_on[source.number]))
        return self._judged(records, held, held_after)

    def _draw_further(self, horizon: int) -> None:
        """Move the horizon on: draw from the logs that hold it back."""
        for source in self.sources:
            if source.horizon_ns == horizon and not source.exhausted:
                source.draw()

    def _groups(self, records: Records, horizon: int) -> tuple[Bool, int | None]:
        """(held together with the one before, furthest reach); no reach where no group is possible."""
        held = np.zeros(len(records), np.bool_)
        held[0] = self._held
        wide = self._wide(records)
        rows = slice(None) if records.known.all() else np.flatnonzero(records.known)
        host, key = records.host[rows], records.key[rows]
        if wide is None or not len(key):
            return held, None
        reach = wide[host] + records.resolution_ns[rows] // 2 + 1
        furthest = int(reach.max())
        following = None if horizon == NO_MORE else horizon - furthest
        held[rows] = uncut(key - reach, key + reach, host, following_ns=following)
        held[0] = self._held
        return held, furthest

    def _wide(self, records: Records) -> Int64 | None:
        """Half-reach of each host met so far, as it is about now; None while there is but one."""
        known_as = np.array(self.known_as, np.int32)
        met = np.flatnonzero(known_as >= 0)
        if len(met) < 2:
            return None
        first, last = (int(end) // AWHILE_NS for end in (records.reference_ns.min(), records.reference_ns.max()))
        when = (len(known_as), first, last)
        if self._reaches is None or self._reaches[0] != when:
            instants = [first * AWHILE_NS, (last + 1) * AWHILE_NS]
            wide = np.zeros(len(known_as), np.int64)
            wide[met] = half_reaches(known_as[met], instants, self.knowledge, self.likely)
            self._reaches = when, wide
        return self._reaches[1]

    def _judged(self, records: Records, held: Bool, held_after: bool) -> MergedRecords:
        at_start = self._last is None
        before = records.rows(slice(0, 1)) if self._last is None else self._last
        joined = _Neighbours(*(np.concatenate([getattr(before, name), getattr(records, name)]) for name in _COLUMNS))
        certainty, probability = self._verdicts(joined)
        held[0] = self._held
        held = with_open_steps(held, certainty, keep_first=self._held, keep_last=held_after)
        if held_after and not self._held:
            self.counts.groups_cut += 1
        self._held = held_after
        self._last = records.rows(slice(len(records) - 1, len(records)))
        self._count(records, joined, certainty)
        return MergedRecords(records, certainty, probability, held, held_after, at_start)

    def _verdicts(self, joined: _Neighbours) -> tuple[UInt8, Float64]:
        """On each record but the first against the one before it."""
        count = len(joined.host) - 1
        certainty, probability = np.full(count, Certainty.CERTAIN, np.uint8), np.ones(count)
        differ = joined.sequence[1:] != joined.sequence[:-1]
        same_host = joined.host[1:] == joined.host[:-1]
        across = np.flatnonzero(differ & ~same_host & joined.overlapping())
        if len(across):
            known_as = np.array(self.known_as, np.int32)[joined.host]
            known_as[~joined.known] = -1
            events = StampedEvents(known_as, joined.stamp_ns, joined.resolution_ns, joined.reference_ns)
            found = judge(events.rows(across), events.rows(across + 1), self.knowledge, self.likely)
            certainty[across], probability[across] = found
            if self.proved is not None:
                sure = across[self.proved(events.rows(across), events.rows(across + 1))]
                certainty[sure], probability[sure] = Certainty.CERTAIN, 1.0
        own = np.flatnonzero(
            differ & same_host
        )  # two logs of one host: its one clock tells, whether it is known or not
        if len(own):
            events = StampedEvents(joined.host, joined.stamp_ns, joined.resolution_ns, joined.stamp_ns)
            found = judge(events.rows(own), events.rows(own + 1), NoKnowledge(), self.likely)
            certainty[own], probability[own] = found
        untimed = np.flatnonzero(differ & ~(joined.timed[1:] & joined.timed[:-1]))
        certainty[untimed], probability[untimed] = Certainty.OPEN, np.nan
        return certainty, probability

    def _count(self, records: Records, joined: _Neighbours, certainty: UInt8) -> None:
        counts = self.counts
        counts.records += len(records)
        counts.unknown += int(np.count_nonzero(~records.known))
        across = joined.host[1:] != joined.host[:-1]
        counts.across += int(across.sum())
        counts.likely += int(np.count_nonzero(across & (certainty == Certainty.LIKELY)))
        counts.open += int(np.count_nonzero(across & (certainty == Certainty.OPEN)))
