"""How far from straight each clock ran within the window. Pure.

A steered clock, or one beside a fan, changes its rate within a minute (frequency drift, in the terms of NIST SP 1065).
Part of that shows as a parabola, which the mesh can measure like an offset: from the middles of the window's first,
second and last third. It is taken out as far as it stands out from its own noise, and what may be left is in the
uncertainty and in the limits' allowance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Bool, Float64
from noonmark.collector.rowwise import by_rows

USUAL = 0.1
"""Standard uncertainty of a quartz's bend indoors, ns/s^2: a change of 6 ppb a minute; common practice, no source."""
SAMPLING = 2.33
"""Relative standard deviation of a variance found by the median of n squares, times the root of n; normal law."""
CLEAR = 4.0
"""A host's bend of this many of its own standard uncertainties is taken to be real whatever the fleet does, if it is
borne out."""
FEWEST_ALIKE = 3
"""Of fewer hosts' bends nothing is common."""
BORNE_OUT = 0.5
"""The least forward and the least backward delays must both bend, the less of them by this share of their middle: a
busy line bends one of them only, on all paths of its host alike."""


@dataclass(frozen=True, slots=True)
class Window:
    """Middle and length of the probes' window, s from the asked instant."""

    centre_s: float
    span_s: float

    def parabola(self, seconds: Float64) -> Float64:
        """Half of (t - centre)^2, less its best straight line over the window: leaves offsets and drifts alone."""
        return np.asarray(((seconds - self.centre_s) ** 2 - self.span_s**2 / 12.0) / 2.0)

    @property
    def parabola_at_zero(self) -> float:
        """The same at the asked instant."""
        return float(self.parabola(np.zeros(1))[0])


def window_of(walls: Walls) -> Window:
    """The window that the walls' points fill."""
    used = np.isfinite(walls.upper_ns)
    seconds = walls.upper_s[used]
    return Window(float(seconds.mean()), float(seconds.max() - seconds.min()))


def straightened(walls: Walls, bend: Float64, window: Window) -> Walls:
    """Walls with each path's bend (P,), ns/s^2, taken out."""
    if not bend.any():
        return walls

    def work(rows: slice) -> tuple[Float64, ...]:
        some, own = walls.rows(rows), bend[rows, None]
        upper = some.upper_ns - own * window.parabola(some.upper_s)
        return upper, some.lower_ns - own * window.parabola(some.lower_s)

    upper, lower = by_rows(work, len(bend))
    return Walls(walls.upper_s, upper, walls.lower_s, lower)


@dataclass(frozen=True, slots=True)
class PathBends:
    """Second derivative of y, ns/s^2 (P,), its variance, and where it can be told at all."""

    bend: Float64
    variance: Float64
    agreed: Float64
    """What the upper and the lower wall both show, ns/s^2: the smaller of their bends, 0 where they differ in sign."""
    known: Bool


def path_bends(walls: Walls, slope: Float64, spread_ns: Float64) -> PathBends:
    """Bend of each path from its three thirds' middles, each between its own least forward and backward delay.

    `spread_ns` (P,) is the end points' spread over the whole window; a third holds a third of the probes, so its own
    is three times that. A third that was never quick may also be wrong by half of what it was too slow.
    """

    def work(rows: slice) -> tuple[NDArray[Any], ...]:
        told = _path_bends(walls.rows(rows), slope[rows], spread_ns[rows])
        return told.bend, told.variance, told.agreed, told.known

    return PathBends(*by_rows(work, len(slope)))


def _path_bends(walls: Walls, slope: Float64, spread_ns: Float64) -> PathBends:
    thirds = np.array_split(np.arange(walls.upper_ns.shape[1]), 3)
    upmost, lowest, when = (np.empty((3, len(slope))) for _ in range(3))
    for number, slots in enumerate(thirds):
        upper = (walls.upper_ns - slope[:, None] * walls.upper_s)[:, slots]
        lower = (walls.lower_ns - slope[:, None] * walls.lower_s)[:, slots]
        used = np.isfinite(upper)
        upmost[number], lowest[number] = upper.min(axis=1), lower.max(axis=1)
        when[number] = np.where(used, walls.upper_s[:, slots], 0.0).sum(axis=1) / np.maximum(used.sum(axis=1), 1)
    with np.errstate(invalid="ignore"):
        width = upmost - lowest
    known = np.isfinite(width).all(axis=0) & (np.diff(when, axis=0) > 0).all(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        excess = np.where(known, width - width.min(axis=0), 0.0)
        error = (3.0 * spread_ns) ** 2 + excess**2 / 12.0
        late, early = when[2] - when[1], when[1] - when[0]
        whole = (when[2] - when[0]) / 2
        weights = np.stack([1 / early, -1 / early - 1 / late, 1 / late]) / whole
        above, below = (
            np.where(known, (weights * np.where(known, side, 0.0)).sum(axis=0), 0.0) for side in (upmost, lowest)
        )
        variance = np.where(known, (weights**2 * error).sum(axis=0), np.inf)
    agreed = np.where(above * below > 0, np.sign(above) * np.minimum(np.abs(above), np.abs(below)), 0.0)
    return PathBends((above + below) / 2, variance, agreed, known & np.isfinite(variance))


@dataclass(frozen=True, slots=True)
class HostBends:
    """Bends of V nodes, ns/s^2: what to take out, and the standard uncertainty of what is left."""

    bend: Float64
    uncertainty: Float64
    clear: Bool
    """Where the bend stands out so far that the clock is certainly not straight."""
    usual: float = 0.0
    """Root mean square of the fleet's bends, less their noise; may be chance where it is not much more than that."""
    at_most: float = 0.0
    """The same, by as much more as chance may hide in so few hosts."""
    common: float = 0.0
    """What all share: the reference's own bend, or its noise."""
    shown: Float64 | None = None
    """Like `uncertainty`, but only of bends that were seen to be there: what limits have to allow for."""


def believed_bends(bend: Float64, variance: Float64, agreed: Float64, known: float = 0.0) -> HostBends:
    """Shrink measured bends (V,) by how much the fleet's spread of them exceeds their noise.

    A fleet of straight clocks keeps none of its noise; a bend that is clear of its own noise is kept whole, if what
    both walls of its paths show (`agreed`) bears it out. `known` is how much these clocks usually bend by other
    knowledge.
    """
    informed = np.isfinite(variance) & (variance > 0)
    noise = np.where(informed, variance, 0.0)
    if not informed.any():
        zero = np.zeros_like(bend)
        return HostBends(zero, zero, np.zeros(len(bend), dtype=bool))
    # What all share is the reference's noise or its own bend, and tells nothing of how bent clocks are.
    common = float(np.median(bend[informed]))
    usual = float(np.median((bend[informed] - common) ** 2)) / 0.4549
    by_noise = float(np.median(noise[informed]))
    # Few hosts' bends may exceed their noise by chance.
    chance = by_noise * SAMPLING / np.sqrt(informed.sum())
    seen = max(usual - by_noise, known**2)
    true = max(usual - by_noise - chance, known**2)
    ratio = np.abs(bend) / np.sqrt(np.where(informed, variance, np.inf))
    clear = (ratio > CLEAR) & (agreed * np.sign(bend) > BORNE_OUT * np.abs(bend))
    own = np.where(clear, 1.0 - (1.0 / np.maximum(ratio, 1.0)) ** 2, 0.0)
    share = np.where(informed, np.maximum(own, true / (true + noise + 1e-300)), 0.0)
    # A bend that does not stand out of its noise may still be there, as far as clocks usually bend.
    hidden = np.maximum(seen, USUAL**2 * noise / (USUAL**2 + noise + 1e-300))
    left = np.where(own > 0, noise, (1.0 - share) ** 2 * hidden + share**2 * noise)
    shown = np.sqrt(np.where(informed, np.where(own > 0, noise, true * noise / (true + noise + 1e-300)), true))
    return HostBends(
        share * bend,
        np.sqrt(np.where(variance == 0, 0.0, np.where(informed, left, max(seen, USUAL**2)))),
        clear,
        float(np.sqrt(true)),
        float(np.sqrt(seen + chance)),
        common if informed.sum() >= FEWEST_ALIKE else 0.0,
        shown,
    )
