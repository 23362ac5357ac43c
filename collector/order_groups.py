"""Groups of open order: events that an order on paper would set apart and nobody can. Pure.

Two neighbours whose order is open are one case; but an event may also be open to one further up, with events of its
own host between. So a *boundary* between two events in the order holds only if every event above it is set apart from
every event below it, hosts' own orders aside; a group is what no boundary cuts. Each event reaches half as far, to
either side, as the widest distance at which its host could be open to any other host here, and half its resolution:
neighbours that are open are never cut, and some that are not may stay together. What holds together without any open
step between neighbours is no group.

Events of hosts of which nothing is known are open to everything and would join all: they count as boundaries of nothing
and are marked each by itself instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS, ClockKnowledge
from noonmark.collector.estimate import Bool, Int32, Int64, UInt8
from noonmark.collector.verdicts import Certainty

CHUNK = 1 << 16
MOST_HOSTS = 300
"""Beyond, the widest distance is taken over all hosts at once."""


AWHILE_NS = 60 * 10**9
"""How far hosts can be open to each other is looked up so often, while logs are read ..."""
PAIRS_A_WHILE = 256
"""... or, where these are more pairs, less often."""
PAIRS_AT_ONCE = 1 << 18


def half_reaches(hosts: Int32, at_ns: Int64, knowledge: ClockKnowledge, likely: float) -> Int64:
    """(instants, hosts): how far each of some hosts can be open to any other of them then, halved."""
    from scipy.special import ndtri  # here, as it takes long to load

    partners = _partners(hosts)
    a, b = (grid.ravel() for grid in np.meshgrid(hosts, partners, indexing="ij"))
    wide = np.zeros((len(at_ns), len(hosts)), np.int64)
    at_once = max(1, PAIRS_AT_ONCE // len(a))
    for begin in range(0, len(at_ns), at_once):
        instants = at_ns[begin : begin + at_once]
        count = len(instants)
        sigma = knowledge.difference_uncertainty(np.tile(a, count), np.tile(b, count), np.repeat(instants, len(a)))
        finite = np.where(np.isfinite(sigma), sigma, 0.0).reshape(count, len(hosts), -1).max(axis=2)
        wide[begin : begin + count] = np.ceil(finite * ndtri(likely) / 2)
    return wide


def _partners(hosts: Int32) -> Int32:
    return hosts if len(hosts) <= MOST_HOSTS else hosts[:: len(hosts) // MOST_HOSTS + 1]


@dataclass(frozen=True, slots=True)
class ReachTable:
    """How far events reach that happen within some whiles, their resolutions left out."""

    awhile_ns: int
    numbers: Int64
    """(W,) of the whiles, in rising order."""
    wide_ns: Int64
    """(W, hosts)"""

    @property
    def furthest(self) -> int:
        """That any of these events may reach."""
        return int(self.wide_ns.max())

    def of(self, host: Int32, reference_ns: Int64) -> Int64:
        """Of each event, N rows."""
        row = np.searchsorted(self.numbers, reference_ns // self.awhile_ns)
        found: Int64 = self.wide_ns.ravel().take(row * self.wide_ns.shape[1] + host)
        return found


class Reaches:
    """How far events of a merge reach, which follows from their hosts and times, not from which are asked about."""

    def __init__(self, knowledge: ClockKnowledge, likely: float) -> None:
        self._knowledge = knowledge
        self._likely = likely
        self._kept: dict[tuple[int, int], Int64] = {}
        """By number of hosts and instant; of the last events asked about, as the next ones are mostly near them."""

    def about(self, known_as: Int32, reference_ns: Int64, horizon_ns: int) -> ReachTable | None:
        """For events of known hosts, N rows, and any that come soon after them; None while fewer than two are known.

        `known_as[host]` is a host's position in the knowledge, -1 if it does not know it. Nothing is to come before the
        horizon.
        """
        met = np.flatnonzero(known_as >= 0)
        if len(met) < 2 or not len(reference_ns):
            return None
        hosts = known_as[met]
        awhile = AWHILE_NS * max(1, len(hosts) * len(_partners(hosts)) // PAIRS_A_WHILE)
        first, last = int(reference_ns.min()) // awhile, int(reference_ns.max()) // awhile
        numbers = np.unique(reference_ns // awhile) if last > first + 2 else np.arange(first, last + 1)
        to_come = min(horizon_ns, int(reference_ns.max())) // awhile + np.arange(2)
        numbers = np.union1d(numbers, to_come)
        # As wide as at the ends of this while, of the one before and of the next: so far two neighbours may be apart.
        ends, place = np.unique(numbers[:, None] + np.arange(-1, 3), return_inverse=True)
        instants = np.clip(ends, -LATEST_NS // awhile + 1, LATEST_NS // awhile) * awhile
        found = self._half_reaches(hosts, instants)
        wide = np.zeros((len(numbers), len(known_as)), np.int64)
        wide[:, met] = found[place.reshape(len(numbers), -1)].max(axis=1)
        return ReachTable(awhile, numbers, wide)

    def _half_reaches(self, hosts: Int32, at_ns: Int64) -> Int64:
        """(instants, hosts): see `half_reaches`; what was found for the events before is not asked for again."""
        keys = [(len(hosts), instant) for instant in at_ns.tolist()]
        fresh = [key for key in dict.fromkeys(keys) if key not in self._kept]
        if fresh:
            found = half_reaches(hosts, np.array([instant for _, instant in fresh]), self._knowledge, self._likely)
            self._kept.update(zip(fresh, found, strict=True))
        self._kept = {key: self._kept[key] for key in keys}
        return np.stack([self._kept[key] for key in keys])


def with_neighbours(close: Bool) -> Bool:
    """Of N + 1 events in order: those next to one to which they are close; `close` of each but the first."""
    near = np.zeros(len(close) + 1, np.bool_)
    near[1:] = close
    near[:-1] |= close
    return near


def uncut(lower: Int64, upper: Int64, host: Int32, *, following_ns: int | None = None) -> Bool:
    """For each event in order: is it held together with the one above it? (Never the first.)

    `lower` and `upper` are its reach. `following_ns`: no event after these reaches below that.
    """
    held = np.zeros(len(host), np.bool_)
    if len(host) < 2:
        return held
    most_above = np.maximum.accumulate(upper)
    least_below = np.minimum.accumulate(lower[::-1])[::-1]
    overlapping = most_above[:-1] > least_below[1:]
    if overlapping.any():
        # Where nothing overlaps at all there is a boundary; only the stretches between need a closer look.
        rows = np.flatnonzero(with_neighbours(overlapping))
        held[rows] = _held(lower[rows], upper[rows], host[rows])
    if following_ns is not None:
        held[1:] |= most_above[:-1] > following_ns
    return held


def _held(lower: Int64, upper: Int64, host: Int32) -> Bool:
    """The same, with each host's own order taken into account."""
    most_above, host_above = np.maximum.accumulate(upper), _holder(upper, host)
    second_above = _second(upper, most_above, host, host_above)
    least_below = np.minimum.accumulate(lower[::-1])[::-1]
    host_below = _holder(-lower[::-1], host[::-1])[::-1]
    second_below = -_second(-lower[::-1], -least_below[::-1], host[::-1], host_below[::-1])[::-1]
    # Boundary k lies above event k: what is above it ends with k - 1, what is below begins with k.
    above, below = slice(0, len(host) - 1), slice(1, len(host))
    held = np.where(
        host_above[above] != host_below[below],
        most_above[above] > least_below[below],
        (most_above[above] > second_below[below]) | (second_above[above] > least_below[below]),
    )
    return np.concatenate([[False], held])


def _holder(values: Int64, host: Int32) -> Int32:
    """Host of the greatest value so far."""
    most = np.maximum.accumulate(values)
    fresh = np.concatenate([[True], values[1:] > most[:-1]])
    holder: Int32 = host[np.maximum.accumulate(np.where(fresh, np.arange(len(values)), 0))]
    return holder


def _second(values: Int64, most: Int64, host: Int32, holder: Int32) -> Int64:
    """The greatest value so far of any host but the one that holds the greatest.

    When the lead passes to another host the old lead becomes the second; it exceeds all seconds before it, so one
    running maximum serves.
    """
    nothing = np.iinfo(np.int64).min + 1
    passed = np.concatenate([[False], holder[1:] != holder[:-1]])
    before = np.concatenate([[nothing], most[:-1]])
    follows = host != holder
    return np.maximum.accumulate(np.where(passed, before, np.where(follows, values, nothing)))


def open_groups(
    host: Int32, keys: Int64, resolution_ns: Int64, certainty: UInt8, knowledge: ClockKnowledge, likely: float
) -> Int32:
    """Number of each event's group of open order, -1 outside any; events in the order found, `keys` their places."""
    group = np.full(len(keys), -1, np.int32)
    if not np.any(certainty == Certainty.OPEN):
        return group
    met = np.zeros(int(host.max()) + 2, np.bool_)
    met[host] = True  # the unknown one, -1, is the last
    present = np.flatnonzero(met[:-1]).astype(np.int32)
    if len(present) < 2:
        return group
    some = keys[[0, len(keys) // 2, -1]]
    wide = np.zeros(int(present[-1]) + 1, np.int64)
    wide[present] = half_reaches(present, some, knowledge, likely).max(axis=0)
    if host.min() >= 0:
        group[:] = number_groups(with_open_steps(held_together(host, keys, resolution_ns, wide), certainty))
    else:
        rows = np.flatnonzero(host >= 0)
        held = held_together(host[rows], keys[rows], resolution_ns[rows], wide)
        group[rows] = number_groups(with_open_steps(held, certainty[rows]))
    return group


def with_open_steps(held: Bool, certainty: UInt8, *, keep_first: bool = False, keep_last: bool = False) -> Bool:
    """Only what belongs to groups within which a step is open; the first and last may be kept for what lies beyond."""
    rows = np.flatnonzero(held)
    if not len(rows):
        return held
    begins = np.flatnonzero(np.append(True, rows[1:] != rows[:-1] + 1))
    keep = np.logical_or.reduceat(certainty[rows] == Certainty.OPEN, begins)
    keep[0] |= keep_first and rows[0] <= 1
    keep[-1] |= keep_last and rows[-1] == len(held) - 1
    kept = np.zeros_like(held)
    kept[rows] = np.repeat(keep, np.diff(np.append(begins, len(rows))))
    return kept


def held_together(host: Int32, keys: Int64, resolution_ns: Int64, wide: Int64) -> Bool:
    """For each event of a long order: is it held together with the one above it? `wide` is a half-reach by host.

    Looks at stretches that fit the caches, and passes on from the last boundary that nothing further down can undo.
    """
    count = len(host)
    held = np.zeros(count, np.bool_)
    furthest = int(wide.max() + resolution_ns.max() // 2 + 1) if count else 0
    begin, size = 0, CHUNK
    while begin < count:
        end = min(count, begin + size)
        own, place = host[begin:end], keys[begin:end]
        reach = wide[own] + (resolution_ns[begin:end] // 2 + 1)
        following_ns = int(keys[end]) - furthest if end < count else None
        found = uncut(place - reach, place + reach, own, following_ns=following_ns)
        settled = end - begin if following_ns is None else int(np.flatnonzero(~found)[-1])
        if settled == 0:
            size *= 2
            continue
        held[begin : begin + settled] = found[:settled]
        begin, size = begin + settled, CHUNK
    return held


def number_groups(held: Bool) -> Int32:
    """Groups of two or more, numbered from 0; -1 for an event alone."""
    member = held.copy()
    member[:-1] |= held[1:]
    number = np.cumsum(member & ~held, dtype=np.int32)
    number -= 1
    number[~member] = -1
    return number
