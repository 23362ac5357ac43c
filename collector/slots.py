"""A path's middle, slot by slot of the window: what shows a clock that did not run straight. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from noonmark.collector.columnwise import at_places
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Bool, Float64
from noonmark.collector.rowwise import by_rows

CROWDED = 4.0
"""A slot whose quickest probes waited this many times longer than usual says nothing of the clocks."""
FILLED = 0.75
LEAST_NOISE_NS = 2.0


@dataclass(frozen=True, slots=True)
class Slots:
    """Middles (P, K) between the least forward and the least backward delay, ns, less a slope; NaN if unknown."""

    middle: Float64
    round_trip: Float64
    """Least forward less greatest backward limit of each slot (P, K): negative where probes contradict each other."""
    excess: Float64
    """Half of how much longer than usual each slot's quickest round trip took (P, K)."""
    seconds: Float64
    """(K,) slot middles."""


def slot_middles(walls: Walls, slope: Float64) -> Slots:
    """Join neighbouring slots until most hold a probe, and take each one's middle.

    Empty slots are unknown, and so are crowded ones.
    """
    used = np.isfinite(walls.upper_ns)
    width = _joined(used)
    groups = used.shape[1] // width
    inside = used[:, : groups * width]
    times = walls.upper_s[:, : groups * width]
    start = float(np.where(inside, times, np.inf).min())
    end = float(np.where(inside, times, -np.inf).max())
    seconds = start + (np.arange(groups) + 0.5) * (end - start) / groups

    def work(rows: slice) -> tuple[Float64, ...]:
        return _middles(walls.rows(rows), slope[rows, None], groups, width)

    middle, round_trip, excess = by_rows(work, len(slope))
    return Slots(middle, round_trip, excess, seconds)


def _joined(used: Bool) -> int:
    """How many slots to join so that FILLED of them hold a probe."""
    for width in (1, 2, 3, 4):
        groups = used.shape[1] // width
        if used[:, : groups * width].reshape(len(used), groups, width).any(axis=2).mean() >= FILLED:
            return width
    return 6


def _middles(walls: Walls, slope: Float64, groups: int, width: int) -> tuple[Float64, ...]:
    shape = (len(slope), groups, width)
    top = (walls.upper_ns - slope * walls.upper_s)[:, : groups * width].reshape(shape).min(axis=2)
    bottom = (walls.lower_ns - slope * walls.lower_s)[:, : groups * width].reshape(shape).max(axis=2)
    known = np.isfinite(top)
    with np.errstate(invalid="ignore"):
        round_trip = np.where(known, top - bottom, np.nan)
        middle = np.where(known, (top + bottom) / 2, np.nan)
        quick, usual = quantiles(round_trip, (0.2, 0.5))
        excess = np.maximum(round_trip - quick[:, None], 0.0) / 2
        # What keeps the order keeps the median.
        crowded = CROWDED * (np.maximum(usual - quick, 0.0) / 2) + LEAST_NOISE_NS
        middle[excess > crowded[:, None]] = np.nan
    return middle, round_trip, excess


def quantile(rows: Float64, share: float) -> Float64:
    """Lower quantile of each row's known values (P,); NaN where none is known."""
    return quantiles(rows, (share,))[0]


def quantiles(rows: Float64, shares: tuple[float, ...]) -> list[Float64]:
    """Several of them, from the same sort."""
    unknown = ~np.isfinite(rows)
    known = rows.shape[1] - unknown.sum(axis=1)
    places = [np.floor(share * np.maximum(known - 1, 0)).astype(np.int64) for share in shares]
    found = at_places(np.where(unknown, np.inf, rows), places)
    return [np.where(known > 0, values, np.nan) for values in found]


def filled(middle: Float64) -> Float64:
    """Unknown slots take the value of the nearest slot before, or else after, that has one; 0 where none has."""
    columns = np.array(middle.T, order="C")
    for earlier, later in pairwise(columns):
        np.copyto(later, earlier, where=~np.isfinite(later))
    for later, earlier in pairwise(columns[::-1]):
        np.copyto(earlier, later, where=~np.isfinite(earlier))
    columns[~np.isfinite(columns)] = 0.0
    return np.asarray(columns.T)


def steady_slope(walls: Walls, slope: Float64) -> Float64:
    """Slope (P,) that most of a path's neighbouring slots share, ppb; a jump between two slots does not move it.

    Found from a first guess `slope` as the median of differences between neighbouring slots (after Theil and Sen).
    """
    for _ in range(2):
        slots = slot_middles(walls, slope)
        if len(slots.seconds) < 3:
            break
        rise = np.diff(slots.middle, axis=1) / (slots.seconds[1] - slots.seconds[0])
        told = np.isfinite(rise).any(axis=1)
        slope = slope + np.where(told, quantile(rise, 0.5), 0.0)
    return slope
