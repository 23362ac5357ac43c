"""`ClockKnowledge` over a source of past clocks: windows of an hour, loaded when they are asked for. Pure but for the
source, which may read a disk or a network.

A window holds the course of every host that matters, with knots at each tick kept, one on each side of every setting of
a clock, and one in the middle of every long stretch, so that what the source says of gaps is heard. Limits of pairs are
asked for where hosts' own leave an order open, once a minute, and at most `pair_budget` times a window.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS, ClockMemory, HostTimes
from noonmark.collector.clock_lines import WANDER, ClockKnots
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import UNBOUNDED_NS, Float64, Int32, Int64
from noonmark.collector.views import FindingView, PairView

HOUR_NS = 3600 * 10**9
LONG_NS = 60 * 10**9
"""In a stretch between two knots longer than this, the source is asked about its middle."""
MARGIN_NS = 5 * 60 * 10**9
"""Windows overlap by so much on either side."""
WINDOWS_KEPT = 6
ANCHOR_NS = 60 * 10**9
"""Pairs are asked about at whole minutes; a history keeps what pairs need as often."""
PAIR_BUDGET = 2000
MOMENTS_KEPT = 4
MOST_AGE_NS = 24 * HOUR_NS
"""Further than this from any estimate, ageing one tells nothing that would help to put lines in order."""


class ClockSource(Protocol):
    """Past clocks, by host and time; None for the second host is the reference."""

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """a's clock minus b's at a moment; what is not known is an answer too."""

    def then(self, at_ns: int) -> Callable[[str, str], PairView]:
        """The same for several pairs at one moment: a function of two hosts."""

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterable[PairView]:
        """a against b over [since, until), at each tick kept, in order of time."""

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterable[FindingView]:
        """What was found."""


class KnownClocks:
    """Answers for arrays from a source that answers one question at a time."""

    def __init__(
        self,
        source: ClockSource,
        hosts: Sequence[str],
        *,
        window_ns: int = HOUR_NS,
        pair_budget: int = PAIR_BUDGET,
        with_pairs: bool = True,
    ) -> None:
        self._source = source
        self._hosts = tuple(hosts)
        self._window_ns = window_ns
        self._budget = pair_budget
        self._with_pairs = with_pairs
        self._tables: OrderedDict[int, ClockTable | NoKnowledge] = OrderedDict()
        self._courses: dict[tuple[int, str], list[PairView]] = {}
        self._offset: dict[int, int] = {}

    @property
    def hosts(self) -> tuple[str, ...]:
        """The hosts that matter here."""
        return self._hosts

    def add_host(self, host: str) -> int:
        """Position of one more host; tables are made anew, as each holds all hosts at the same knots."""
        if host not in self._hosts:
            self._hosts = (*self._hosts, host)
            self._tables.clear()
        return self._hosts.index(host)

    def host_times(
        self, host: int, clock_ns: Int64, memory: ClockMemory | None = None, *, uncertainty: bool = True
    ) -> HostTimes:
        """See `ClockKnowledge.host_times`."""
        if host < 0 or not len(clock_ns):
            return NoKnowledge().host_times(host, clock_ns)
        offset = self._rough_offset(host, int(clock_ns[len(clock_ns) // 2]))
        memory = memory or ClockMemory()
        cuts = [0, len(clock_ns)]
        if (int(clock_ns.min()) - offset) // self._window_ns < (int(clock_ns.max()) - offset) // self._window_ns:
            window = (clock_ns - offset) // self._window_ns
            cuts[1:1] = (np.flatnonzero(window[1:] != window[:-1]) + 1).tolist()
        parts = [
            self._table((int(clock_ns[begin]) - offset) // self._window_ns).host_times(
                host, clock_ns[begin:end], memory, uncertainty=uncertainty
            )
            for begin, end in itertools.pairwise(cuts)
        ]
        found = (
            parts[0]
            if len(parts) == 1
            else HostTimes(*(np.concatenate([getattr(part, name) for part in parts]) for name in HostTimes.__slots__))
        )
        if found.known[-1]:
            self._offset[host] = int(clock_ns[-1] - found.reference_ns[-1])
        return found

    def _rough_offset(self, host: int, clock_ns: int) -> int:
        """How far the host is ahead about then, well enough to find the window: asked once, then carried on."""
        if host not in self._offset:
            pair = self._source.offset(self._hosts[host], None, clock_ns)
            self._offset[host] = pair.offset_ns if pair.known else 0
        return self._offset[host]

    def difference_limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """See `ClockKnowledge.difference_limits`."""
        window = self._only_window(since_ns, until_ns)
        if window is not None:
            return self._table(window).difference_limits(a, b, since_ns, until_ns)
        lower, upper = np.full(len(since_ns), UNBOUNDED_NS), np.full(len(since_ns), -UNBOUNDED_NS)
        for at_ns in (since_ns, until_ns):
            for rows, table in self._by_window(at_ns):
                found = table.difference_limits(a[rows], b[rows], at_ns[rows], at_ns[rows])
                lower[rows], upper[rows] = np.minimum(lower[rows], found[0]), np.maximum(upper[rows], found[1])
        return lower, upper

    def difference_uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """See `ClockKnowledge.difference_uncertainty`."""
        window = self._only_window(at_ns)
        if window is not None:
            return self._table(window).difference_uncertainty(a, b, at_ns)
        found = np.full(len(at_ns), np.inf)
        for rows, table in self._by_window(at_ns):
            found[rows] = table.difference_uncertainty(a[rows], b[rows], at_ns[rows])
        return found

    def _only_window(self, *instants: Int64) -> int | None:
        """The window that holds all of them, which is the usual case; None if there is no such, or no instant."""
        if not len(instants[0]):
            return None
        ends = {int(end) // self._window_ns for at_ns in instants for end in (at_ns.min(), at_ns.max())}
        return ends.pop() if len(ends) == 1 else None

    def _by_window(self, at_ns: Int64) -> list[tuple[Int64, ClockTable | NoKnowledge]]:
        window = at_ns // self._window_ns
        return [(np.flatnonzero(window == number), self._table(int(number))) for number in np.unique(window)]

    def _table(self, window: int) -> ClockTable | NoKnowledge:
        if window in self._tables:
            self._tables.move_to_end(window)
            return self._tables[window]
        since = max(-LATEST_NS, window * self._window_ns - MARGIN_NS)
        until = min(LATEST_NS, (window + 1) * self._window_ns + MARGIN_NS)
        for host in self._hosts:
            if (window, host) not in self._courses:
                self._courses[window, host] = _course(self._source, host, since, until)
        courses = [self._courses[window, host] for host in self._hosts]
        table = _table_of(self._source, self._hosts, courses, self._budget if self._with_pairs else 0)
        self._tables[window] = table
        if len(self._tables) > WINDOWS_KEPT:
            oldest, _ = self._tables.popitem(last=False)
            self._courses = {key: course for key, course in self._courses.items() if key[0] != oldest}
        return table


def _table_of(
    source: ClockSource, hosts: Sequence[str], courses: Sequence[Sequence[PairView]], pair_budget: int
) -> ClockTable | NoKnowledge:
    """A table of hosts' clocks from their courses; no knowledge if the source had nothing."""
    instants = sorted({pair.at_ns for course in courses for pair in course})
    if not instants:
        return NoKnowledge()
    knots = _knots(courses, np.array(instants, np.int64))
    pairs = None
    if pair_budget:
        edges = [_settings(source, host, instants[0], instants[-1] + 1) for host in hosts]
        set_at = [sorted({edge for setting in each for edge in setting}) for each in edges]
        pairs = _PairAnchors(source, hosts, knots.at_ns, set_at, pair_budget)
    return ClockTable(hosts, knots, pairs=pairs)


def _settings(source: ClockSource, host: str, since_ns: int, until_ns: int) -> list[tuple[int, int, int]]:
    """When a host's clock was set or changed its rate: earliest, as told, latest."""

    def span(finding: FindingView) -> tuple[int, int, int]:
        within = round(finding.evidence.get("within_s", 0.0) * 1e9)
        return finding.at_ns - within, finding.at_ns, finding.at_ns + within

    return [
        span(finding)
        for finding in source.findings(since_ns, until_ns, host)
        if finding.kind in ("step", "suspend", "frequency-change") and finding.host == host
    ]


def _course(source: ClockSource, host: str, since_ns: int, until_ns: int) -> list[PairView]:
    """A host's answers in order of time: at its ticks, at both sides of each setting, in the middle of long stretches.

    Where nothing was kept within the span, the source is asked about its ends and middle: it may know by ageing.
    """
    found = {pair.at_ns: pair for pair in source.course(host, None, since_ns, until_ns)}

    def ask(at_ns: int) -> None:
        if at_ns not in found:
            pair = source.offset(host, None, at_ns)
            aged = pair.known and abs(at_ns - pair.measured_ns) > MOST_AGE_NS
            found[at_ns] = PairView(host, None, at_ns, False, "no estimate within a day") if aged else pair

    for edges in _settings(source, host, since_ns, until_ns):
        earliest, at_ns, latest = edges
        for moment in (earliest - 1, earliest, at_ns - 1, at_ns, latest, latest + 1):
            ask(moment)
    for edge in (since_ns, until_ns - 1):
        ask(edge)
    for before, after in itertools.pairwise(sorted(found)):
        if after - before > LONG_NS:
            ask(before + (after - before) // 2)
    return [found[at_ns] for at_ns in sorted(found)]


def _knots(courses: Sequence[Sequence[PairView]], at_ns: Int64) -> ClockKnots:
    """All hosts at all knots; where a host has no answer of its own, its neighbours' answers are joined."""
    shape = (len(courses), len(at_ns))
    offset, lower, upper = (np.zeros(shape, np.int64) for _ in range(3))
    drift, uncertainty = np.zeros(shape), np.full(shape, np.inf)
    for row, course in enumerate(courses):
        own = np.array([pair.at_ns for pair in course], np.int64)
        after = np.minimum(np.searchsorted(own, at_ns), len(own) - 1)
        before = np.maximum(np.searchsorted(own, at_ns, side="right") - 1, 0)
        known = np.array([pair.known for pair in course])
        share = _share(own, before, after, at_ns)

        def joined(read: Callable[[PairView], float], share: Float64 = share, course: Sequence[PairView] = course,
                   before: Int64 = before, after: Int64 = after) -> Float64:  # fmt: skip
            values = np.array([read(pair) for pair in course])
            return np.asarray(values[before] + share * (values[after] - values[before]))

        base = np.array([pair.offset_ns for pair in course], np.int64)
        offset[row] = base[before] + np.rint(share * (base[after] - base[before])).astype(np.int64)
        drift[row] = joined(lambda pair: pair.drift)
        sigma = joined(lambda pair: float(pair.uncertainty_ns))
        uncertainty[row] = np.where(known[before] & known[after], sigma, np.inf)
        lows = np.array([-UNBOUNDED_NS if p.lower_ns is None else p.lower_ns for p in course], np.int64)
        highs = np.array([UNBOUNDED_NS if p.upper_ns is None else p.upper_ns for p in course], np.int64)
        lower[row], upper[row] = np.minimum(lows[before], lows[after]), np.maximum(highs[before], highs[after])
    return ClockKnots(
        at_ns, offset, drift, uncertainty, np.zeros(shape), lower, upper, np.zeros(len(at_ns) - 1, np.bool_)
    )


def _share(own: Int64, before: Int64, after: Int64, at_ns: Int64) -> Float64:
    span = (own[after] - own[before]).astype(np.float64)
    return np.divide((at_ns - own[before]).astype(np.float64), span, out=np.zeros(len(at_ns)), where=span > 0)


class _PairAnchors:
    """A `PairSource` that asks about pairs once a minute and joins the answers by straight lines.

    Between two anchors both clocks run straight but for their wander, so that the difference lies between the straight
    lines that join its limits, widened by the wander. Where a clock was set in between nothing is said.
    """

    def __init__(
        self, source: ClockSource, hosts: Sequence[str], at_ns: Int64, set_at: Sequence[Sequence[int]], budget: int
    ) -> None:
        """`set_at[host]` are the instants at which a host's clock was set."""
        self._source = source
        self._hosts = hosts
        self._at_ns = at_ns
        self._set_at = [np.array(sorted(instants), np.int64) for instants in set_at]
        self._left = budget
        self._kept: dict[tuple[int, int, int], PairView | None] = {}
        self._then = functools.lru_cache(MOMENTS_KEPT)(source.then)

    def _ask(self, a: int, b: int, anchor: int) -> PairView | None:
        """The pair at a whole minute; None if it is not known or the budget is spent."""
        key = (a, b, anchor)
        if key not in self._kept:
            if self._left <= 0:
                return None
            self._left -= 1
            pair = self._then(anchor * ANCHOR_NS)(self._hosts[a], self._hosts[b])
            self._kept[key] = pair if pair.known else None
        return self._kept[key]

    def limits(self, a: int, b: int, knots: Int64) -> tuple[Int64, Int64]:
        """See `PairSource`."""
        lower, upper = np.full(len(knots), -UNBOUNDED_NS), np.full(len(knots), UNBOUNDED_NS)
        settings = np.concatenate([self._set_at[a], self._set_at[b]])
        for place, at_ns in enumerate(self._at_ns[knots].tolist()):
            anchor, since = divmod(at_ns, ANCHOR_NS)
            begin, end = anchor * ANCHOR_NS, (anchor + 1) * ANCHOR_NS
            if len(settings) and np.any((settings >= begin) & (settings <= end)):
                continue
            before, after = self._ask(a, b, anchor), self._ask(a, b, anchor + 1)
            if before is None or after is None:
                continue
            share = since / ANCHOR_NS
            wander = math.ceil(2 * WANDER * min(since, ANCHOR_NS - since))
            if before.lower_ns is not None and after.lower_ns is not None:
                lower[place] = math.floor(before.lower_ns + share * (after.lower_ns - before.lower_ns)) - wander
            if before.upper_ns is not None and after.upper_ns is not None:
                upper[place] = math.ceil(before.upper_ns + share * (after.upper_ns - before.upper_ns)) + wander
        return lower, upper

    def uncertainty(self, a: int, b: int, knot: int) -> float:
        """See `PairSource`."""
        pair = self._ask(a, b, int(self._at_ns[knot]) // ANCHOR_NS)
        return math.inf if pair is None else float(pair.uncertainty_ns)
