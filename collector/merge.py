"""Merge logs of several hosts into one stream in corrected time, in memory that does not grow with them. Pure.

Every log is drawn block by block. Records whose place lies before the horizon (the place up to which all logs have been
drawn) can be put in order; of these, as many are passed on as end at a boundary that nothing still to come can undo, so
that a group of open order comes whole. A group too large to be held comes in parts.

What comes out does not depend on where blocks and stretches end: records of one place stand in the order of their logs,
and how far an event reaches (`order_groups`) follows from its own time alone. Three things are known only from what has
been read, and may come out otherwise in larger blocks: a group too large to be held, the hosts that a log of many names
later, and readings that a clock set back has shown twice.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.clock_table import NoKnowledge
from noonmark.collector.estimate import Bool, Float64, Int32, Int64, UInt8
from noonmark.collector.merge_source import NO_MORE, Records, Source, taken
from noonmark.collector.order_groups import Reaches, uncut, with_neighbours, with_open_steps
from noonmark.collector.verdicts import LIKELY, Certainty, StampedEvents, judge

STRETCH = 16_384
"""Records put in order at once, at least, while logs go on: enough to hide the cost of each call."""
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

    def cuts(self, size: int) -> Iterator[tuple[int, int]]:
        """(begin, end) of pieces of so many bytes of text, about; a record is never cut."""
        reached = np.cumsum(self.records.text.lengths(), dtype=np.int64)
        ends = np.unique(np.searchsorted(reached, np.arange(size, reached[-1], size), side="right"))
        count = len(reached)
        return itertools.pairwise([0, *ends[(ends > 0) & (ends < count)].tolist(), count])

    def pieces(self, size: int) -> Iterator[MergedRecords]:
        """The same in such pieces."""
        count = len(self.records)
        for begin, end in self.cuts(size):
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
        self._reaches = Reaches(knowledge, likely)
        self._held = False

    def stretches(self) -> Iterator[MergedRecords]:
        """The merged stream, stretch by stretch. What drawing from a log raises passes through."""
        while True:
            behind = min(self.sources, key=lambda source: source.horizon_ns, default=None)
            horizon = NO_MORE if behind is None else behind.horizon_ns
            # A record at the horizon itself has to wait for those of the same place in the logs before its own.
            ready = [source.ready(horizon, behind is None or source.number <= behind.number) for source in self.sources]
            if horizon != NO_MORE and sum(ready) < self.stretch:
                self._draw_further(behind)
            elif not any(ready):
                return
            elif (found := self._next(horizon, ready)) is not None:
                yield found
            else:
                self._draw_further(behind)

    def _draw_further(self, behind: Source | None) -> None:
        """Move the horizon on: draw from the log that holds it back, and from those as far that have nothing left."""
        if behind is None:
            return
        as_far = [each for each in self.sources if each.horizon_ns == behind.horizon_ns and not each.pending()]
        for source in dict.fromkeys([behind, *as_far]):
            source.draw()

    def _next(self, horizon: int, ready: list[int]) -> MergedRecords | None:
        """What is ready, in order, up to the last boundary that stands; None if more must be drawn to find one."""
        parts = [part for source, count in zip(self.sources, ready, strict=True) for part in source.first(count)]
        # In front stands the record before them, as it is the first one's neighbour; before the very first, itself.
        joined = Records.joined(parts if self._last is None else [self._last, *parts])
        order = np.argsort(joined.key, kind="stable")
        joined = joined.rows(np.append(order[0], order) if self._last is None else order)
        records = joined.rows(slice(1, None))
        held, settled = self._groups(records, horizon)
        if settled == 0 and sum(source.pending() for source in self.sources) < self.most_held:
            return None
        held_after = settled == 0
        settled = settled or len(records)
        left = np.bincount(records.source[settled:], minlength=len(self.sources)).tolist()
        for source, count, more in zip(self.sources, ready, left, strict=True):
            source.consume(count - more)
        return self._judged(joined.rows(slice(0, settled + 1)), held[:settled], held_after)

    def _groups(self, records: Records, horizon: int) -> tuple[Bool, int]:
        """(held together with the one before, how many lie above the last boundary that stands)."""
        held = np.zeros(len(records), np.bool_)
        rows = None if records.known.all() else np.flatnonzero(records.known)
        known = records if rows is None else records.rows(rows)
        key = known.key
        stands = np.ones(len(key) + 1, np.bool_)
        reaches = self._reaches.about(np.array(self.known_as, np.int32), known.reference_ns, horizon)
        if reaches is not None:
            coarsest = max(source.coarsest_ns for source in self.sources) // 2 + 1
            # Only what lies as near as the furthest reach needs a closer look.
            near = np.flatnonzero(with_neighbours(key[1:] - key[:-1] < 2 * (reaches.furthest + coarsest)))
            host, place = known.host[near], key[near]
            reach = reaches.of(host, known.reference_ns[near]) + taken(known.resolution_ns, near) // 2 + 1
            found = uncut(place - reach, place + reach, host)
            stands[near] = ~found
            if horizon != NO_MORE:  # what lies above a boundary must not reach what is still to come
                furthest = horizon - 2 * (reaches.furthest + coarsest)
                stands[int(np.searchsorted(key, furthest, side="right")) + 1 :] = False
            held[near if rows is None else rows[near]] = found
        held[0] = self._held
        if rows is not None:  # Records of unknown clocks bound nothing: one may lie between two that are held together.
            stands = stands[np.searchsorted(rows, np.arange(len(records) + 1))]
        return held, len(stands) - 1 - int(stands[::-1].argmax())

    def _judged(self, joined: Records, held: Bool, held_after: bool) -> MergedRecords:
        """Records, the one before them in front, with the verdicts on them."""
        at_start = self._last is None
        records = joined.rows(slice(1, None))
        differ = joined.sequence[1:] != joined.sequence[:-1]
        same_host = joined.host[1:] == joined.host[:-1]
        certainty, probability = self._verdicts(joined, differ, same_host)
        held[0] = self._held
        held = with_open_steps(held, certainty, keep_first=self._held, keep_last=held_after)
        if held_after and not self._held:
            self.counts.groups_cut += 1
        self._held = held_after
        self._last = records.rows(slice(len(records) - 1, len(records))).without_text()
        self._count(records, ~same_host, certainty)
        return MergedRecords(records, certainty, probability, held, held_after, at_start)

    def _verdicts(self, joined: Records, differ: Bool, same_host: Bool) -> tuple[UInt8, Float64]:
        """On each record but the first against the one before it; which differ in sequence, which share a host."""
        count = len(joined) - 1
        certainty, probability = np.full(count, Certainty.CERTAIN, np.uint8), np.ones(count)
        overlapping = joined.earliest_ns[1:] < joined.latest_ns[:-1] + joined.resolution_ns[:-1]
        across = np.flatnonzero(overlapping & ~same_host)
        if len(across):
            known_as = np.array(self.known_as, np.int32)
            one, other = (self._stamped(joined, rows, known_as) for rows in (across, across + 1))
            certainty[across], probability[across] = judge(one, other, self.knowledge, self.likely)
            if self.proved is not None:
                sure = across[self.proved(one, other)]
                certainty[sure], probability[sure] = Certainty.CERTAIN, 1.0
        own = np.flatnonzero(differ & same_host)
        if len(own):  # two logs of one host: its one clock tells, whether it is known or not
            events = StampedEvents(joined.host, joined.stamp_ns, joined.resolution_ns, joined.stamp_ns)
            found = judge(events.rows(own), events.rows(own + 1), NoKnowledge(), self.likely)
            certainty[own], probability[own] = found
        if not joined.timed.all():
            untimed = np.flatnonzero(differ & ~(joined.timed[1:] & joined.timed[:-1]))
            certainty[untimed], probability[untimed] = Certainty.OPEN, np.nan
        return certainty, probability

    @staticmethod
    def _stamped(joined: Records, rows: Int64, known_as: Int32) -> StampedEvents:
        """Some of the records as the knowledge's events."""
        hosts = np.where(taken(joined.known, rows), known_as.take(taken(joined.host, rows)), np.int32(-1))
        columns = joined.stamp_ns, joined.resolution_ns, joined.reference_ns
        return StampedEvents(hosts, *(taken(column, rows) for column in columns))

    def _count(self, records: Records, across: Bool, certainty: UInt8) -> None:
        counts = self.counts
        counts.records += len(records)
        counts.unknown += int(np.count_nonzero(~records.known))
        counts.across += int(np.count_nonzero(across))
        counts.likely += int(np.count_nonzero(across & (certainty == Certainty.LIKELY)))
        counts.open += int(np.count_nonzero(across & (certainty == Certainty.OPEN)))
