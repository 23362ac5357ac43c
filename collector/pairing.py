"""Probe records laid out path by path, so that every later pass reads each path's in one go. Pure.

A *path* joins an unordered pair of hosts, first < second; y = x_second - x_first. Records come in order of arrival;
sorted once by path, whatever is asked of a path is asked of consecutive rows, in blocks that fit a core's cache.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from noonmark.collector.estimate import Bool, Int32, Int64, ProbeColumns
from noonmark.collector.rowwise import blocks, by_rows

PROBES_A_BLOCK = 32_768
NEVER = -(1 << 62)
"""Stands for a stamp that was never taken."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """Which path each of N probes belongs to; P paths, in order of their hosts. Every path has a probe."""

    first: Int32
    second: Int32
    starts: Int64
    """(P + 1,) where each path's probes begin, and the end."""
    forward: Bool
    """(N,) True where the first host asked."""

    def __len__(self) -> int:
        return len(self.first)

    @property
    def probes(self) -> Int64:
        """(P,) how many each path has."""
        return np.diff(self.starts)

    @property
    def path(self) -> Int64:
        """(N,) index of each probe's path."""
        return np.repeat(np.arange(len(self)), self.probes)

    def of(self, paths: slice) -> tuple[slice, Int64, Int64]:
        """The probes of some consecutive paths; where each path's begin among them, and (n,) each one's path."""
        begins = self.starts[paths.start : paths.stop + 1]
        own = np.repeat(np.arange(len(begins) - 1), np.diff(begins))
        return slice(int(begins[0]), int(begins[-1])), begins[:-1] - begins[0], own

    def blocks(self) -> list[slice]:
        """Consecutive paths that together have as many probes as fit the cache."""
        if len(self) == 0:
            return [slice(0, 0)]
        cuts = np.searchsorted(self.starts, np.arange(0, self.starts[-1], PROBES_A_BLOCK))
        cuts = np.unique(np.append(np.minimum(cuts, len(self)), len(self)))
        return [slice(begin, end) for begin, end in pairwise(cuts.tolist())]


def pair_up(probes: ProbeColumns) -> tuple[ProbeColumns, Pairing]:
    """The probes in order of their paths, and within a path in the order they came; and the paths.

    The same object where they lie so already; else without clock epochs, which tell of the order of arrival.
    """
    if not _in_order(probes):
        probes = _taken(probes, _order(probes))
    forward, new = by_rows(lambda rows: _changes(probes, rows), len(probes), blocks(len(probes), PROBES_A_BLOCK))
    begins = np.flatnonzero(new)
    low = np.where(forward[begins], probes.source[begins], probes.destination[begins])
    high = np.where(forward[begins], probes.destination[begins], probes.source[begins])
    return probes, Pairing(low, high, np.append(begins, len(probes)), forward)


def _changes(probes: ProbeColumns, rows: slice) -> tuple[Bool, Bool]:
    """Whether the first host asked, and whether a path begins, for some rows."""
    source, destination = (_with_one_before(hosts, rows) for hosts in (probes.source, probes.destination))
    low, high = np.minimum(source, destination), np.maximum(source, destination)
    new = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
    return (source < destination)[1:], new


def _in_order(probes: ProbeColumns) -> bool:
    for rows in blocks(len(probes), PROBES_A_BLOCK):
        source, destination = (_with_one_before(hosts, rows) for hosts in (probes.source, probes.destination))
        low, high = np.minimum(source, destination), np.maximum(source, destination)
        if ((low[1:] < low[:-1]) | ((low[1:] == low[:-1]) & (high[1:] < high[:-1]))).any():
            return False
    return True


def _with_one_before(hosts: Int32, rows: slice) -> Int32:
    """Some rows, and the one before them; before the first row stands host -1."""
    if rows.start:
        return hosts[rows.start - 1 : rows.stop]
    return np.append(np.int32(-1), hosts[rows])


def _order(probes: ProbeColumns) -> Int64:
    """Rows in order of their paths, then of their numbers."""
    hosts, count = len(probes.hosts), len(probes)
    low, high = np.minimum(probes.source, probes.destination), np.maximum(probes.source, probes.destination)
    key = low.astype(np.int64) * hosts + high
    bits = count.bit_length()
    if (hosts * hosts) << bits >= 1 << 63:
        return np.argsort(key, kind="stable")
    # Path and row in one number: sorting numbers is several times quicker than sorting rows by them.
    key <<= bits
    key |= np.arange(count)
    key.sort()
    key &= (1 << bits) - 1
    return key


def _taken(probes: ProbeColumns, order: Int64) -> ProbeColumns:
    columns = (probes.source, probes.destination, probes.t1_ns, probes.t2_ns, probes.t3_ns, probes.t4_ns, probes.flags)
    source, destination, t1, t2, t3, t4, flags = by_rows(
        lambda rows: tuple(column.take(order[rows]) for column in columns), len(order), blocks(len(order), 1 << 17)
    )
    untold = np.broadcast_to(np.int64(0), len(order))
    return ProbeColumns(probes.hosts, source, destination, t1, t2, t3, t4, flags, untold, untold)


@dataclass(frozen=True, slots=True)
class RoughPaths:
    """Each path's quickest probe: (P,) difference of the clocks and round trip, ns."""

    difference_ns: Int64
    round_trip_ns: Int64


def rough_paths(probes: ProbeColumns, pairing: Pairing) -> RoughPaths:
    """The least-delay filter of RFC 5905 section 10, over the whole window, in whole nanoseconds."""

    def work(paths: slice) -> tuple[Int64, ...]:
        rows, begins, own = pairing.of(paths)
        forward_ns = probes.t2_ns[rows] - probes.t1_ns[rows]
        backward_ns = probes.t3_ns[rows] - probes.t4_ns[rows]
        round_trip = forward_ns - backward_ns
        least = np.minimum.reduceat(round_trip, begins)
        quickest = np.flatnonzero(round_trip == least[own])
        row = np.empty(len(begins), dtype=np.int64)
        row[own[quickest]] = quickest
        middle = backward_ns[row] + (forward_ns[row] - backward_ns[row]) // 2
        return np.where(pairing.forward[rows][row], middle, -middle), least

    return RoughPaths(*by_rows(work, len(pairing), pairing.blocks()))


@dataclass(frozen=True, slots=True)
class OuterStamps:
    """The outermost stamps that each end of a path took, by its own clock, ns (P,); NEVER where it took none."""

    first_asked: Int64
    """Of its requests, the oldest; of all others, the newest."""
    second_asked: Int64
    first_received: Int64
    """Of a reply, by the first host, having asked."""
    first_replied: Int64
    """Of its own reply."""
    second_received: Int64
    second_replied: Int64


def outer_stamps(probes: ProbeColumns, pairing: Pairing) -> OuterStamps:
    """The outermost of each kind."""

    def work(paths: slice) -> tuple[Int64, ...]:
        rows, begins, _ = pairing.of(paths)
        ahead, t1, t3, t4 = pairing.forward[rows], probes.t1_ns[rows], probes.t3_ns[rows], probes.t4_ns[rows]
        oldest = (np.minimum.reduceat(np.where(own, t1, -NEVER), begins) for own in (ahead, ~ahead))
        newest = (
            np.maximum.reduceat(stamps, begins)
            for stamps in (
                np.where(ahead, t4, NEVER),
                np.where(ahead, NEVER, t3),
                np.where(ahead, NEVER, t4),
                np.where(ahead, t3, NEVER),
            )
        )
        return *(np.where(stamps == -NEVER, NEVER, stamps) for stamps in oldest), *newest

    return OuterStamps(*by_rows(work, len(pairing), pairing.blocks()))
