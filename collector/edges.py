"""From probe records to paths: who was joined with whom, and the walls of each path's corridor. Pure.

A *path* joins an unordered pair of hosts, first < second; y = x_second - x_first. A probe asked by the first gives
t2 - t1 as upper and t3 - t4 as lower limit of y; one asked by the second gives t4 - t3 and t1 - t2. Both directions of
asking thus sample the same two one-way delays, and are used together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from noonmark.collector.columnwise import ascending
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Bool, Float64, Int32, Int64, ProbeColumns
from noonmark.collector.frames import NS, Frames
from noonmark.collector.rowwise import by_rows

DENSE_TABLE = 16_000_000
POOL = 2.0


@dataclass(frozen=True, slots=True)
class Pairing:
    """Which path each of N probes belongs to; P paths."""

    first: Int32
    second: Int32
    path: Int64
    """(N,) index of the path."""
    forward: Bool
    """(N,) True where the first host asked."""

    def __len__(self) -> int:
        return len(self.first)


def pair_up(probes: ProbeColumns) -> Pairing:
    """Number the unordered pairs of hosts that appear, and say for each probe which it belongs to."""
    hosts = len(probes.hosts)
    forward = probes.source < probes.destination
    low = np.where(forward, probes.source, probes.destination).astype(np.int64)
    high = np.where(forward, probes.destination, probes.source)
    key = low * hosts + high
    if hosts * hosts <= DENSE_TABLE:
        present = np.zeros(hosts * hosts, dtype=bool)
        present[key] = True
        keys = np.flatnonzero(present)
        number = np.zeros(hosts * hosts, dtype=np.int64)
        number[keys] = np.arange(len(keys))
        path = number[key]
    else:
        keys, path = np.unique(key, return_inverse=True)
    return Pairing((keys // hosts).astype(np.int32), (keys % hosts).astype(np.int32), path, forward)


def select(pairing: Pairing, rows: Bool) -> Pairing:
    """The pairing of some of the probes; paths keep their numbers, even those left empty."""
    return Pairing(pairing.first, pairing.second, pairing.path[rows], pairing.forward[rows])


Values = TypeVar("Values", Int64, Float64)


def least(values: Values, path: Int64, paths: int) -> tuple[Values, Int64]:
    """Least value of each path (P,), and the row it stands in; paths without rows hold row -1."""
    top = np.iinfo(np.int64).max if values.dtype.kind == "i" else np.inf
    lowest: Values = np.full(paths, top, dtype=values.dtype)
    np.minimum.at(lowest, path, values)
    rows = np.flatnonzero(values == lowest[path])
    row = np.full(paths, -1, dtype=np.int64)
    row[path[rows]] = rows
    return lowest, row


@dataclass(frozen=True, slots=True)
class RoughPaths:
    """Each path's quickest probe: (P,) difference of the clocks and round trip, ns."""

    difference_ns: Int64
    round_trip_ns: Int64


def rough_paths(probes: ProbeColumns, pairing: Pairing) -> RoughPaths:
    """The least-delay filter of RFC 5905 section 10, over the whole window, in whole nanoseconds."""
    forward_ns = probes.t2_ns - probes.t1_ns
    backward_ns = probes.t3_ns - probes.t4_ns
    round_trip, row = least(forward_ns - backward_ns, pairing.path, len(pairing))
    middle = backward_ns[row] + (forward_ns[row] - backward_ns[row]) // 2
    return RoughPaths(np.where(pairing.forward[row], middle, -middle), round_trip)


@dataclass(frozen=True, slots=True)
class Points:
    """Upper and lower limits of y, one of each a probe (N,): instants in s since the frames' epoch, heights in ns."""

    upper_s: Float64
    upper_ns: Float64
    lower_s: Float64
    lower_ns: Float64


def points(probes: ProbeColumns, pairing: Pairing, frames: Frames, tick_ns: Int64) -> Points:
    """Stamps less their frames, as limits of what remains of y.

    A clock that counts in ticks (H,) shows the tick that has begun: on average it reads half a tick early.
    """
    frames = Frames(frames.epoch_ns, frames.offset_ns - tick_ns // 2, frames.drift)

    def work(rows: slice) -> tuple[Float64, ...]:
        t1 = frames.relative(probes.source[rows], probes.t1_ns[rows])
        t2 = frames.relative(probes.destination[rows], probes.t2_ns[rows])
        t3 = frames.relative(probes.destination[rows], probes.t3_ns[rows])
        t4 = frames.relative(probes.source[rows], probes.t4_ns[rows])
        asked, answered = (t1 + t2) * (0.5 / NS), (t3 + t4) * (0.5 / NS)
        forward, backward, ahead = t2 - t1, t3 - t4, pairing.forward[rows]
        return (
            np.where(ahead, asked, answered),
            np.where(ahead, forward, -backward),
            np.where(ahead, answered, asked),
            np.where(ahead, backward, -forward),
        )

    return Points(*by_rows(work, len(probes)))


def raise_walls(data: Points, path: Int64, paths: int, slots: int) -> Walls:
    """Cut the window into `slots` equal times; keep each path's lowest upper and highest lower point in each.

    Heights must be less their frames (a drift of 1 ppm left in would hide delays of 1 µs for each second of a slot).
    """
    start = min(float(data.upper_s.min()), float(data.lower_s.min()))
    span = max(float(data.upper_s.max()), float(data.lower_s.max())) - start

    def best(seconds: Float64, height: Float64) -> tuple[Float64, Float64]:
        slot = np.minimum((seconds - start) * (slots / max(span, 1e-9)), slots - 1).astype(np.int64)
        # Slot by slot in memory, for whoever looks at all paths' slots together.
        lowest, row = least(height, slot * paths + path, paths * slots)
        when = np.where(row >= 0, seconds[row], 0.0)
        return when.reshape(slots, paths).T, lowest.reshape(slots, paths).T

    upper_s, upper_ns = best(data.upper_s, data.upper_ns)
    lower_s, lower_ns = best(data.lower_s, -data.lower_ns)
    return Walls(upper_s, upper_ns, lower_s, -lower_ns)


@dataclass(frozen=True, slots=True)
class Envelope:
    """Where the least delays lie at a given slope, P rows, ns at time 0, and how sure these end points are."""

    upper_ns: Float64
    lower_ns: Float64
    upper_spread_ns: Float64
    """Expected distance of the lowest point seen from the true least delay; also about its standard uncertainty."""
    lower_spread_ns: Float64


def envelope(walls: Walls, slope: Float64) -> Envelope:
    """Least forward and least backward delay taken apart (min-min: Jeske 2005), with the drift taken out first.

    The lowest of n exponential delays of mean a lies a/n above the true least, and so far from it too: with the two
    directions loaded unequally the middle is off by the difference. The gaps among the lowest third of points tell
    a/n without assuming more than that the delays' density is level near its end.
    """

    def work(rows: slice) -> tuple[Float64, ...]:
        some, own = walls.rows(rows), slope[rows, None]
        return *end_point(some.upper_ns - own * some.upper_s), *end_point(own * some.lower_s - some.lower_ns)

    upper, upper_spread, lower, lower_spread = by_rows(work, len(slope))
    count = np.isfinite(walls.upper_ns).sum(axis=1)
    return Envelope(upper, -lower, _pooled(upper_spread, count), _pooled(lower_spread, count))


def _pooled(spread: Float64, count: Int64) -> Float64:
    """Each path's spread, steadied by the fleet's: a few gaps may be small by chance.

    The fleet counts as POOL gaps of a path, scaled by how many points the path has.
    """
    known = np.isfinite(spread)
    if not known.any():
        return spread
    usual = np.median((spread * count)[known]) / np.maximum(count, 1)
    own = np.maximum(count // 3, 1)
    steadied = np.sqrt((POOL * usual**2 + own * np.where(known, spread, 0.0) ** 2) / (POOL + own))
    return np.where(known, steadied, np.inf)


def end_point(heights: Float64) -> tuple[Float64, Float64]:
    """Lowest height of each row (P, K), and the mean gap between the lowest third of its finite heights."""
    count = np.isfinite(heights).sum(axis=1)
    # Of two heights the second counts, of more the lowest third: how many of them after the lowest.
    last = np.minimum(np.maximum((count + 2) // 3, 1), np.maximum(count - 1, 0))
    total = np.zeros(len(count))
    lowest = np.full(len(count), np.inf)
    for place, value in enumerate(ascending(heights, int(last.max(initial=0)) + 1)):
        if place == 0:
            lowest = value
        else:
            np.add(total, value, out=total, where=last >= place)
    # The k-th lowest lies k gaps above the lowest, so the mean of the first m lies (m + 1) / 2 gaps above it.
    with np.errstate(invalid="ignore"):
        spread = np.where(count > 1, (total / np.maximum(last, 1) - lowest) * 2.0 / (last + 1), np.inf)
    return lowest, spread
