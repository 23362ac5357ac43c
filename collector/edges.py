"""From a path's probes to the walls of its corridor, and to the end points of its delays. Pure.

A probe asked by the path's first host gives t2 - t1 as upper and t3 - t4 as lower limit of y = x_second - x_first; one
asked by the second gives t4 - t3 and t1 - t2. Both directions of asking thus sample the same two one-way delays, and
are used together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.columnwise import ascending
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Float64, Int64, ProbeColumns
from noonmark.collector.frames import NS, Frames
from noonmark.collector.pairing import Pairing
from noonmark.collector.rowwise import by_rows, each

POOL = 2.0


@dataclass(frozen=True, slots=True)
class Points:
    """Upper and lower limits of y, one of each a probe (n,): instants in s since the frames' epoch, heights in ns."""

    upper_s: Float64
    upper_ns: Float64
    lower_s: Float64
    lower_ns: Float64


class Limits:
    """Stamps less their frames, as limits of what remains of y.

    A clock that counts in ticks (H,) shows the tick that has begun: on average it reads half a tick early.
    """

    def __init__(self, probes: ProbeColumns, pairing: Pairing, frames: Frames, tick_ns: Int64) -> None:
        self._probes = probes
        self.pairing = pairing
        self._zero_ns = frames.offset_ns - tick_ns // 2 + frames.epoch_ns
        self._slower = 1.0 / (1.0 + frames.drift) if frames.drift.any() else None

    def of(self, paths: slice) -> Points:
        """The points of some paths' probes."""
        probes, pairing = self._probes, self.pairing
        rows, _, own = pairing.of(paths)
        ahead = pairing.forward[rows]
        t1, t2, t3, t4 = probes.t1_ns[rows], probes.t2_ns[rows], probes.t3_ns[rows], probes.t4_ns[rows]
        # Of either asker's probes: what the first host sent and the second received, and back.
        there = self._passed(np.where(ahead, t1, t3), np.where(ahead, t2, t4), paths, own)
        back = self._passed(np.where(ahead, t4, t2), np.where(ahead, t3, t1), paths, own)
        return Points(*there, *back)

    def _passed(self, first_ns: Int64, second_ns: Int64, paths: slice, own: Int64) -> tuple[Float64, Float64]:
        """Middle instant, s, and difference, ns, of the two hosts' stamps of one packet.

        See `Frames.relative`; here each path looks its two frames up once.
        """
        told = []
        for stamps, hosts in ((first_ns, self.pairing.first[paths]), (second_ns, self.pairing.second[paths])):
            stamps -= self._zero_ns[hosts][own]
            elapsed = stamps.astype(np.float64)
            if self._slower is not None:
                elapsed *= self._slower[hosts][own]
            told.append(elapsed)
        first, second = told
        return (first + second) * (0.5 / NS), second - first


def points(probes: ProbeColumns, pairing: Pairing, frames: Frames, tick_ns: Int64) -> Points:
    """All probes' points (N,)."""
    limits = Limits(probes, pairing, frames, tick_ns)
    whole = [np.empty(len(probes)) for _ in range(4)]

    def put(paths: slice) -> None:
        some = limits.of(paths)
        rows = slice(int(pairing.starts[paths.start]), int(pairing.starts[paths.stop]))
        for target, part in zip(whole, (some.upper_s, some.upper_ns, some.lower_s, some.lower_ns), strict=True):
            target[rows] = part

    each(put, pairing.blocks())
    return Points(*whole)


@dataclass(frozen=True, slots=True)
class Seen:
    """When the probes' points lie, s since the frames' epoch."""

    upper_start_s: float
    upper_end_s: float
    upper_mean_s: float
    """Of the upper points alone, which lie where the first host asked or the second replied."""
    newest_s: Float64
    """(P,) each path's newest."""


def raise_walls(limits: Limits, start_s: float, end_s: float, slots: int) -> tuple[Walls, Seen]:
    """Cut a time into `slots` equal parts; keep each path's lowest upper and highest lower point in each.

    What lies outside that time counts to its first or last part. Heights must be less their frames (a drift of 1 ppm
    left in would hide delays of 1 µs for each second of a slot). The walls lie slot by slot in memory, for whoever
    looks at all paths' slots together.
    """
    scale = slots / max(end_s - start_s, 1e-9)
    times: dict[int, tuple[float, ...]] = {}

    def best(seconds: Float64, height: Float64, own: Int64, paths: int) -> tuple[Float64, Float64]:
        place = np.clip((seconds - start_s) * scale, 0, slots - 1).astype(np.int64)
        place *= paths
        place += own
        lowest = np.full(slots * paths, np.inf)
        np.minimum.at(lowest, place, height)
        rows = np.flatnonzero(height == lowest[place])
        at = np.zeros(slots * paths)
        at[place[rows]] = seconds[rows]
        return at.reshape(slots, paths).T, lowest.reshape(slots, paths).T

    def work(paths: slice) -> tuple[Float64, ...]:
        some = limits.of(paths)
        _, begins, own = limits.pairing.of(paths)
        upper = best(some.upper_s, some.upper_ns, own, len(begins))
        lower_s, depth = best(some.lower_s, -some.lower_ns, own, len(begins))
        newest = np.maximum.reduceat(np.maximum(some.upper_s, some.lower_s), begins)
        times[paths.start] = tuple(map(float, (some.upper_s.min(), some.upper_s.max(), some.upper_s.sum())))
        return *upper, lower_s, -depth, newest

    *sides, newest = by_rows(work, len(limits.pairing), limits.pairing.blocks())
    starts, ends, sums = np.array([times[block] for block in sorted(times)]).T
    mean = float(sums.sum() / limits.pairing.starts[-1])
    return Walls(*sides), Seen(float(starts.min()), float(ends.max()), mean, newest)


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
