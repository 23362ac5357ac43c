"""Put events of many hosts in order, and say of each step how sure that order is. Pure, vectorised.

>>> import numpy as np
>>> from noonmark.collector.clock_table import ClockTable
>>> from noonmark.collector.clock_lines import ClockKnots
>>> row = lambda *values: np.array([[value] for value in values])
>>> knots = ClockKnots(  # gate-2 is 5 ms ahead, certain to a millisecond; the database is the reference
...     at_ns=np.array([10**18]), offset_ns=row(5_000_000, 0), drift=row(0.0, 0.0),
...     uncertainty_ns=row(100_000.0, 0.0), drift_uncertainty=row(0.0, 0.0),
...     lower_ns=row(4_000_000, 0), upper_ns=row(6_000_000, 0), gap=np.zeros(0, bool))
>>> clocks = ClockTable(["gate-2", "booking-db"], knots)
>>> events = Events(host=np.array([0, 1, 1], np.int32), resolution_ns=1,
...                 stamp_ns=10**18 + np.array([9_000_000, 3_500_000, 7_000_000]))
>>> found = order(events, clocks)
>>> found.permutation.tolist()  # gate-2's stamp is the latest, but its event lies between the database's two
[1, 0, 2]
>>> [Certainty(value).name for value in found.certainty]
['CERTAIN', 'LIKELY', 'CERTAIN']
>>> round(float(found.probability[1]), 6)  # half a millisecond proves nothing, but leaves hardly a doubt
1.0

A host's own order is kept: each event is placed no earlier than the one before it. Who wants a host's events by their
stamps sorts them first. Two events by themselves, and how far apart such stamps must be to be sure:

>>> pair = compare(0, 10**18 + 9_000_000, 1, 10**18 + 7_000_000, clocks)
>>> pair.first, pair.certainty.name, pair.gap_ns, (pair.lower_ns, pair.upper_ns)
(0, 'CERTAIN', 3000000, (1999789, 4000211))
>>> pair.resolvable_ns  # the limits have aged by 15 ppm a clock since the estimate, seven milliseconds ago
6000211

And a transaction on gate-2 that must be later than everything stamped so far, anywhere:

>>> wait_ns(0, 10**18 + 9_000_000, clocks)  # gate-2's clock may be 6 ms ahead of the database's
6000302

In a running collector `KnownClocks` (known_clocks.py) answers in the place of the table, from the history; programs in
other languages ask the gRPC service `noonmark.v1.Ordering`.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS, ClockKnowledge, ClockMemory, HostTimes
from noonmark.collector.clock_lines import WANDER
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64, UInt8
from noonmark.collector.order_groups import open_groups
from noonmark.collector.verdicts import LIKELY, Certainty, StampedEvents, judge

DRIFT_LIMIT = 15e-6
_SQRT_12 = float(np.sqrt(12.0))
CHUNK, MOST_CHUNK = 1 << 17, 1 << 21
"""Events looked at together: few enough for the caches, but where many hosts need more of them."""
LEAST_A_HOST = 1 << 13


@dataclass(frozen=True, slots=True)
class Events:
    """What happened where and when, by the hosts' own clocks; N rows, each host's in its own order."""

    host: Int32
    """Position in the knowledge's hosts; -1: nothing is known of this host."""
    stamp_ns: Int64
    resolution_ns: Int64 | int = 1
    """The stamps' own: a stamp covers [stamp, stamp + resolution)."""

    def __post_init__(self) -> None:
        """Check shapes and range. Raises ValueError."""
        if self.host.shape != self.stamp_ns.shape or self.host.ndim != 1:
            raise ValueError("host and stamp_ns must be one-dimensional and of equal length")
        if not isinstance(self.resolution_ns, int) and self.resolution_ns.shape != self.stamp_ns.shape:
            raise ValueError("resolution_ns must be one number or one for each event")
        if np.any(np.asarray(self.resolution_ns) < 1):
            raise ValueError("a resolution is at least one nanosecond")
        if len(self.stamp_ns) and not -LATEST_NS < int(self.stamp_ns.min()) <= int(self.stamp_ns.max()) < LATEST_NS:
            raise ValueError("stamps must lie in the years 1823 to 2116")


@dataclass(frozen=True, slots=True)
class Ordering:
    """Events in order. Arrays about events are in the order given; arrays about steps in the order found."""

    permutation: Int64
    """Rows of the events, first to last."""
    corrected_ns: Int64
    """Best estimate of each event's instant on the reference's scale; the stamp's own middle where nothing is known."""
    uncertainty_ns: Float64
    """Standard, of the clock and the stamp's resolution together; infinite where nothing is known."""
    earliest_ns: Int64
    """The event certainly did not happen before this ..."""
    latest_ns: Int64
    """... nor after this; plus or minus UNBOUNDED_NS where no limit can be given."""
    known: Bool
    """Whether anything is known of the host's clock at that time."""
    certainty: UInt8
    """Of each in the order found: whether it came after the one before it. The first is CERTAIN."""
    probability: Float64
    """That it came after the one before it; NaN where nothing is known."""
    group: Int32
    """Of each in the order found: number of its group of open order, -1 outside any. See `order_groups`."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two events, held against each other."""

    certainty: Certainty
    first: int
    """0 if event a came first, by the best estimate; 1 if event b did."""
    probability: float
    """That the first came first."""
    gap_ns: int
    """Best estimate of (instant of b - instant of a)."""
    lower_ns: int
    """The gap is certainly not less; plus or minus UNBOUNDED_NS where no limit can be given ..."""
    upper_ns: int
    resolvable_ns: int
    """The least gap between two stamps like these that would be certain; UNBOUNDED_NS where none would."""


def order(events: Events, knowledge: ClockKnowledge, *, likely: float = LIKELY) -> Ordering:
    """Sort events of many hosts by their corrected instants, keeping each host's own order.

    An event is placed no earlier than the one before it on its own host. Takes O(N log H) time for N events of H hosts.
    """
    resolution = np.broadcast_to(np.asarray(events.resolution_ns, np.int64), events.stamp_ns.shape)
    times, corrected_ns, keys = _times_and_places(events, resolution, knowledge)
    permutation = np.argsort(keys, kind="stable")  # quick where events come nearly in order, or host by host
    stamped = StampedEvents(events.host, events.stamp_ns, resolution, times.reference_ns)
    certainty, probability = judge_neighbours(stamped, times, permutation, knowledge, likely)
    host = events.host if times.known.all() else np.where(times.known, events.host, np.int32(-1))
    ordered = resolution if isinstance(events.resolution_ns, int) else resolution[permutation]
    group = open_groups(host[permutation], keys[permutation], ordered, certainty, knowledge, likely)
    return Ordering(
        permutation=permutation,
        corrected_ns=corrected_ns,
        uncertainty_ns=times.uncertainty_ns,
        earliest_ns=times.earliest_ns,
        latest_ns=times.latest_ns,
        known=times.known,
        certainty=certainty,
        probability=probability,
        group=group,
    )


def _times_and_places(events: Events, resolution: Int64, knowledge: ClockKnowledge) -> tuple[HostTimes, Int64, Int64]:
    """(times with the stamps' resolutions in them, middles, places).

    Places are middles that never fall along a host's own events.
    """
    count = len(events.stamp_ns)
    whole = _Columns.empty(count)
    memories: dict[int, ClockMemory] = defaultdict(ClockMemory)
    highest: dict[int, int] = defaultdict(lambda: -UNBOUNDED_NS)
    hosts = int(events.host.max()) + 1 if count else 0
    size = min(MOST_CHUNK, max(CHUNK, hosts * LEAST_A_HOST))
    grouped = _Columns.empty(min(size, count))
    for begin in range(0, count, size):
        rows = slice(begin, min(count, begin + size))
        host = events.host[rows]
        small = host.astype(np.int16) if hosts < 2**15 else host  # int16 is sorted by radix
        by_host = np.argsort(small, kind="stable")
        host, stamp = host[by_host], events.stamp_ns[rows][by_host]
        width = events.resolution_ns if isinstance(events.resolution_ns, int) else resolution[rows][by_host]
        for first, last in itertools.pairwise([0, *(np.flatnonzero(host[1:] != host[:-1]) + 1).tolist(), len(host)]):
            own = int(host[first])
            found = knowledge.host_times(own, stamp[first:last], memories[own])
            one_width = width if isinstance(width, int) else width[first:last]
            highest[own] = grouped.fill(slice(first, last), found, one_width, highest[own])
        whole.scatter(rows, by_host, grouped)
    times = HostTimes(whole.reference_ns, whole.uncertainty_ns, whole.earliest_ns, whole.latest_ns, whole.known)
    return times, whole.middle_ns, whole.place_ns


@dataclass(frozen=True, slots=True)
class _Columns:
    """Times of events, N rows, made to be filled."""

    reference_ns: Int64
    uncertainty_ns: Float64
    earliest_ns: Int64
    latest_ns: Int64
    known: Bool
    middle_ns: Int64
    place_ns: Int64

    @classmethod
    def empty(cls, count: int) -> _Columns:
        kinds = (np.int64, np.float64, np.int64, np.int64, np.bool_, np.int64, np.int64)
        columns: list[Any] = [np.empty(count, kind) for kind in kinds]
        return cls(*columns)

    def fill(self, rows: slice, found: HostTimes, width: Int64 | int, highest: int) -> int:
        """Fill some rows with one host's times, their stamps' widths put in; returns the last place."""
        self.reference_ns[rows], self.earliest_ns[rows], self.known[rows] = (
            found.reference_ns,
            found.earliest_ns,
            found.known,
        )
        np.sqrt(np.square(found.uncertainty_ns) + np.square(width / _SQRT_12), out=self.uncertainty_ns[rows])
        np.add(found.latest_ns, width, out=self.latest_ns[rows])
        unbounded = found.latest_ns >= UNBOUNDED_NS
        if unbounded.any():
            self.latest_ns[rows][unbounded] = UNBOUNDED_NS
        middle, place = self.middle_ns[rows], self.place_ns[rows]
        np.add(found.reference_ns, width // 2, out=middle)
        place[:] = middle
        place[0] = max(highest, int(place[0]))
        np.maximum.accumulate(place, out=place)
        return int(place[-1])

    def scatter(self, rows: slice, where: Int64, grouped: _Columns) -> None:
        """Put the first rows of other columns where they belong within some rows of these."""
        for name in self.__slots__:
            getattr(self, name)[rows][where] = getattr(grouped, name)[: len(where)]


def judge_neighbours(
    events: StampedEvents, times: HostTimes, permutation: Int64, knowledge: ClockKnowledge, likely: float = LIKELY
) -> tuple[UInt8, Float64]:
    """(certainty, probability) of each event in an order against the one before it; a host's own order is certain.

    `times` with the stamps' resolutions in them.
    """
    count = len(permutation)
    certainty = np.full(count, Certainty.CERTAIN, np.uint8)
    probability = np.ones(count)
    for begin in range(1, count, CHUNK):
        rows = permutation[begin - 1 : begin + CHUNK]
        host = events.host[rows]
        overlapping = times.earliest_ns[rows[1:]] < times.latest_ns[rows[:-1]]
        other = np.flatnonzero(((host[1:] != host[:-1]) | (host[1:] < 0)) & overlapping)
        if not len(other):
            continue
        found = judge(events.rows(rows[other]), events.rows(rows[other + 1]), knowledge, likely)
        certainty[begin + other], probability[begin + other] = found
    return certainty, probability


def compare(
    host_a: int,
    stamp_a_ns: int,
    host_b: int,
    stamp_b_ns: int,
    knowledge: ClockKnowledge,
    *,
    resolution_ns: tuple[int, int] = (1, 1),
    likely: float = LIKELY,
) -> Comparison:
    """Which of two events came first, how sure that is, and how far apart they would have to be to be sure.

    Hosts are positions in the knowledge's hosts. On one host its own clock decides, within its resolution.
    """
    events = Events(
        np.array([host_a, host_b], np.int32), np.array([stamp_a_ns, stamp_b_ns]), np.array(resolution_ns, np.int64)
    )
    reference = np.empty(2, np.int64)
    for row in range(2):
        reference[row] = knowledge.host_times(int(events.host[row]), events.stamp_ns[row : row + 1]).reference_ns[0]
    stamped = StampedEvents(events.host, events.stamp_ns, np.asarray(events.resolution_ns), reference)
    middle = stamped.middle_ns()
    first = int(middle[1] < middle[0])
    one, other = stamped.rows(np.array([first])), stamped.rows(np.array([1 - first]))
    certainty, probability = judge(one, other, knowledge, likely)
    lower, upper, resolvable = _gap_limits(stamped, knowledge)
    return Comparison(
        Certainty(int(certainty[0])), first, float(probability[0]), int(middle[1] - middle[0]), lower, upper, resolvable
    )


def _gap_limits(pair: StampedEvents, knowledge: ClockKnowledge) -> tuple[int, int, int]:
    """Certain limits of (instant of b - instant of a), and the least gap of stamps that would be certain."""
    early, late = np.sort(pair.reference_ns)
    found = knowledge.difference_limits(pair.host[1:], pair.host[:1], np.array([early]), np.array([late]))
    least, most = int(found[0][0]), int(found[1][0])
    resolution = [int(value) for value in pair.resolution_ns]
    gap = int(pair.stamp_ns[1] - pair.stamp_ns[0])
    lower = gap - resolution[0] - most if most < UNBOUNDED_NS else -UNBOUNDED_NS
    upper = gap + resolution[1] - least if least > -UNBOUNDED_NS else UNBOUNDED_NS
    bounded = most < UNBOUNDED_NS and least > -UNBOUNDED_NS
    return lower, upper, max(most, -least) + max(resolution) if bounded else UNBOUNDED_NS


def wait_ns(
    host: int,
    now_ns: int,
    knowledge: ClockKnowledge,
    *,
    stamp_ns: int | None = None,
    resolution_ns: int = 1,
    among: list[int] | None = None,
    drift_limit: float = DRIFT_LIMIT,
) -> int | None:
    """How long this host must wait until its "now" is certainly later than an event stamped anywhere in the fleet.

    `now_ns` is this host's clock; the event is stamped `stamp_ns` (None: up to now, by its own host's clock) by any of
    the hosts `among` (None: all). After the wait, whatever those hosts stamped with `stamp_ns` or less has certainly
    happened, and whatever they do later gets a later stamp than theirs then. None if no limit can be given. The clocks'
    drift during the wait is allowed for.

        >>> import numpy as np
        >>> from noonmark.collector.clock_table import NoKnowledge
        >>> wait_ns(0, 10**18, NoKnowledge(), among=[1]) is None
        True
    """
    others = np.array(range(len(knowledge.hosts)) if among is None else among, np.int32)
    if not len(others):
        return 0
    at_ns = knowledge.host_times(host, np.array([now_ns])).reference_ns
    at_ns = np.repeat(at_ns, len(others))
    _, upper = knowledge.difference_limits(np.full(len(others), host, np.int32), others, at_ns, at_ns)
    ahead_ns = int(upper.max())  # this clock may be so far ahead of another
    if ahead_ns >= UNBOUNDED_NS:
        return None
    stamp_ns = now_ns if stamp_ns is None else stamp_ns
    needed = stamp_ns + resolution_ns + ahead_ns - now_ns
    return 0 if needed <= 0 else int(np.ceil(needed / (1 - 2 * drift_limit - WANDER)))
