"""What suspected hosts did: steps and kinks tried on the median of what their paths show, and held against walls. Pure.

Hosts with as many paths are looked at together: where clocks are steered thousands are suspected at once. A change must
stand out from its own noise, and the paths must bear it out: queueing only ever adds delay, so that a burst moves
either the least forward or the least backward delay, while a clock moves both, the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.change import shape_of
from noonmark.collector.corridors import Walls
from noonmark.collector.edges import end_point
from noonmark.collector.estimate import Bool, Float64
from noonmark.collector.frames import FASTEST, NS
from noonmark.collector.row_noise import known_medians, row_noise
from noonmark.collector.slots import filled

CERTAIN = 6.0
"""A host's change must stand out this far from the noise of its median series."""
PLACED = 3.0
"""Of a host known not to have run straight, the best story need only stand out so far."""
BORNE_OUT = 0.5
"""The smaller of the movements of the least forward and backward delays must be this share of the change."""
SPREADS = 4.0
"""And this many times what the end points of such paths may be off by chance."""
STEEPEST_BEND_PPB = 1.2 * FASTEST * NS
"""No clock is steered by more than FASTEST; the rest is for what slots blur."""


@dataclass(frozen=True, slots=True)
class Trials:
    """A step and a kink at each boundary between slots, T of them."""

    step: Bool
    boundary_s: Float64
    shape: Float64
    """(K, T), each less its best straight line."""
    norm: Float64
    preference: Float64
    """A step within a slot looks a little like a kink; the simpler story goes first."""

    def only(self, some: Bool) -> Trials:
        """Some of them (T,)."""
        return Trials(
            self.step[some], self.boundary_s[some], self.shape[:, some], self.norm[some], self.preference[some]
        )


@dataclass(frozen=True, slots=True)
class Stories:
    """The change that explains each row (R,) best."""

    step: Bool
    boundary_s: Float64
    size: Float64
    certainty: Float64

    def instead(self, rows: Bool, other: Stories) -> Stories:
        """Of some rows the others."""
        return Stories(
            np.where(rows, other.step, self.step),
            np.where(rows, other.boundary_s, self.boundary_s),
            np.where(rows, other.size, self.size),
            np.where(rows, other.certainty, self.certainty),
        )


def trials_of(seconds: Float64) -> Trials:
    """Of slots (K,) with these middles."""
    count = len(seconds)
    edges = (seconds[1:] + seconds[:-1]) / 2
    trials = [(True, k) for k in range(count - 1)] + [(False, k) for k in range(1, count - 2)]
    shapes = np.stack(
        [(seconds > edges[k]) * 1.0 if step else np.maximum(seconds - edges[k], 0.0) for step, k in trials], axis=1
    )
    base = _base(seconds)
    shapes -= base @ np.linalg.lstsq(base, shapes, rcond=None)[0]
    step = np.array([step for step, _ in trials])
    boundary = edges[np.array([k for _, k in trials])]
    return Trials(step, boundary, shapes, np.sqrt((shapes**2).sum(axis=0)), np.where(step, 1.0, 0.95))


def best_of(series: Float64, trials: Trials, noise: Float64) -> Stories:
    """Try all beside a free line; vectorised over rows (R, K)."""
    certainty = np.abs(series @ trials.shape) / trials.norm / noise[:, None]
    which = (certainty * trials.preference).argmax(axis=1)
    size = np.einsum("rk,kr->r", series, trials.shape[:, which]) / trials.norm[which] ** 2
    return Stories(trials.step[which], trials.boundary_s[which], size, certainty[np.arange(len(series)), which])


@dataclass(frozen=True, slots=True)
class Suspects:
    """C hosts with D paths each."""

    middle: Float64
    """(C, D, K) of slots, less each path's own slope."""
    walls: Walls
    """(C D, ...)."""
    slope: Float64
    """(C, D) of each path, ppb."""
    outward: Float64
    """(C, D) +1 where the host is the path's second end, else -1."""
    crooked: Bool
    """(C,) known not to have run straight."""


@dataclass(frozen=True, slots=True)
class Told:
    """What C hosts did."""

    story: Stories
    borne: Bool
    """Whether the walls bear it out."""
    bend: Stories
    """The likeliest change of rate, whether or not anything bears it out."""


def told_by(suspects: Suspects, seconds: Float64, trials: Trials) -> Told:
    """The first story of each host that stands out and is borne out; slots have the middles `seconds` (K,)."""
    hosts, paths, slots = suspects.middle.shape
    series = filled(suspects.middle.reshape(-1, slots))
    detrended = _detrended(series, seconds).reshape(suspects.middle.shape)
    row, noise = _usual_rows(suspects.middle, suspects.outward[:, :, None] * detrended)
    # Where some paths have a slot's only probe before a jump, and some after it, the jump looks like a bend; often like
    # one that no steering makes.
    either, jump = (best_of(row, some, noise) for some in (trials, trials.only(trials.step)))
    unlikely = ~either.step & (np.abs(either.size) > STEEPEST_BEND_PPB)
    stories = either.instead(unlikely, jump), jump.instead(unlikely, either)
    wanted = np.where(suspects.crooked, PLACED, CERTAIN)
    best, borne = stories[0], np.zeros(hosts, dtype=bool)
    for story in stories:
        open_ = ~borne & (story.certainty >= wanted)
        size = story.size.copy()
        for step, boundary_s in sorted(
            set(zip(story.step[open_].tolist(), story.boundary_s[open_].tolist(), strict=True))
        ):
            some = np.flatnonzero(open_ & (story.step == step) & (story.boundary_s == boundary_s))
            moved = _Movement(step, boundary_s, float(seconds[1] - seconds[0]))
            rows = (some[:, None] * paths + np.arange(paths)).ravel()
            own_slope, size[some] = _beside(moved, series[rows], seconds, suspects.outward[some])
            slope = suspects.slope[some] + own_slope
            spreads = np.where(suspects.crooked[some], 0.0, SPREADS)
            held = _borne_out(moved, size[some], suspects.walls.rows(rows), slope, suspects.outward[some], spreads)
            borne[some] = held
        sized = Stories(story.step, story.boundary_s, size, story.certainty)
        best = best.instead(open_ & borne, sized)
    bend = best_of(row, trials.only(~trials.step), noise)
    return Told(best, borne, bend)


def _detrended(series: Float64, seconds: Float64) -> Float64:
    base = _base(seconds)
    return np.asarray(series - (series @ base) @ np.linalg.inv(base.T @ base) @ base.T)


def _base(seconds: Float64) -> Float64:
    return np.stack([np.ones_like(seconds), seconds - seconds.mean()], axis=1)


def _usual_rows(middle: Float64, outward: Float64) -> tuple[Float64, Float64]:
    """The median path's row (C, K) of paths (C, D, K) that move `outward` so, and its noise (C,).

    Only what `middle` knows counts; and the median of several paths is hardly ever quieter than it is expected to be,
    whatever a few slots seem to show.
    """
    hosts, paths, slots = middle.shape
    known = np.isfinite(middle)
    row = known_medians(np.where(known, outward, np.nan))
    told = known.any(axis=1).sum(axis=1)
    together = np.maximum(known.sum(axis=(1, 2)) / np.maximum(told, 1), 1.0)
    usual = np.median(row_noise(middle.reshape(-1, slots)).reshape(hosts, paths), axis=1)
    return filled(row), np.maximum(row_noise(row), usual / np.sqrt(together))


@dataclass(frozen=True, slots=True)
class _Movement:
    """A step or a kink at a boundary, of whatever size."""

    step: bool
    boundary_s: float
    slot_s: float

    def shape(self, seconds: Float64) -> Float64:
        return shape_of(self.step, self.boundary_s, seconds)


def _beside(moved: _Movement, series: Float64, seconds: Float64, outward: Float64) -> tuple[Float64, Float64]:
    """Fit line and change to each path, without the slots next to a step: these may hold probes of both its sides.

    Each path's slope (C, D) beside the change, and the median path's size of it (C,). Near an end of the window only
    one of the slots can be spared.
    """
    shape, since = moved.shape(seconds), seconds - moved.boundary_s
    clear = np.ones(len(seconds), dtype=bool)
    if moved.step:
        beside = (
            np.abs(since) <= moved.slot_s,
            (since < 0) & (since >= -moved.slot_s),
            (since > 0) & (since <= moved.slot_s),
        )
        clear = next((~slots for slots in beside if len(set(shape[~slots])) == 2), clear)
    base = np.stack([np.ones_like(seconds), seconds, shape], axis=1)[clear]
    fitted = np.linalg.lstsq(base, series[:, clear].T, rcond=None)[0]
    return fitted[1].reshape(outward.shape), np.median(fitted[2].reshape(outward.shape) * outward, axis=1)


def _borne_out(
    moved: _Movement, size: Float64, walls: Walls, slope: Float64, outward: Float64, spreads: Float64
) -> Bool:
    """Whether the median path's least delays in both directions moved as the change says, and by `spreads` (C,) times
    what their end points may be off."""
    own = slope.reshape(-1, 1)
    # A change of rate shows best long after it.
    since = moved.boundary_s if moved.step else (moved.boundary_s + float(walls.upper_s.max())) / 2
    expected = np.abs(size) * (1.0 if moved.step else since - moved.boundary_s)
    proven, chance = np.full(len(size), -np.inf), np.full(len(size), np.inf)
    # A jump within a slot spoils that slot only, which lies on one side of the boundary or on the other.
    gaps = ((1.0, 0.0), (0.0, 1.0), (0.5, 0.5)) if moved.step else ((0.5, 0.5),)
    change = (outward * size[:, None]).reshape(-1, 1)
    for earlier, later in gaps:
        before, after = moved.boundary_s - earlier * moved.slot_s, since + later * moved.slot_s
        upper_early, upper_late, upper_chance = _ends(
            walls.upper_s, walls.upper_ns - own * walls.upper_s - change * moved.shape(walls.upper_s), before, after
        )
        lower_early, lower_late, lower_chance = _ends(
            walls.lower_s, own * walls.lower_s - walls.lower_ns + change * moved.shape(walls.lower_s), before, after
        )
        with np.errstate(invalid="ignore"):
            outwards = (outward * np.sign(size)[:, None]).ravel()
            least = np.repeat(expected, outward.shape[1])
            least += np.minimum((upper_late - upper_early) * outwards, (lower_early - lower_late) * outwards)
            by_chance = np.maximum(upper_chance, lower_chance)
            # Of single points nothing is known, but that they waited for no longer than their round trips.
            trips = np.maximum(upper_early + lower_early + upper_late + lower_late, 0.0)
            by_chance = np.where(np.isfinite(by_chance), by_chance, trips)
        told = np.isfinite(least) & np.isfinite(by_chance)
        usual, usual_chance = (
            known_medians(np.where(told, each, np.nan).reshape(*outward.shape, 1))[:, 0] for each in (least, by_chance)
        )
        better = np.isfinite(usual) & (usual > proven)
        proven, chance = np.where(better, usual, proven), np.where(better, usual_chance, chance)
    return np.asarray(proven > np.maximum(BORNE_OUT * expected, spreads * np.where(spreads > 0, chance, 0.0)))


def _ends(when: Float64, left: Float64, before: float, after: float) -> tuple[Float64, Float64, Float64]:
    """Least heights (R,) of one wall before and after a change, which is taken out, and what chance leaves of their
    difference; heights (R, K) point away from the wall.

    Where one side has a single point, its wait is as long as waits on the other side usually are.
    """
    ends, spreads, waits = [], [], []
    for side in (when < before, when > after):
        own = np.where(side, left, np.inf)
        end, spread = end_point(own)
        ends.append(end)
        spreads.append(spread)
        waits.append(np.where(np.isfinite(spread), spread, np.inf) * np.maximum(np.isfinite(own).sum(axis=1), 1))
    known = [
        np.where(np.isfinite(spread), spread, other) for spread, other in zip(spreads, reversed(waits), strict=True)
    ]
    return ends[0], ends[1], known[0] + known[1]
