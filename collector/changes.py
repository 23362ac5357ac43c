"""When a clock changed: steps and changes of rate within the window, host by host. Pure; needs no fleet fit.

A host whose clock changes is seen by all its peers at once, and each of its peers by one path only: so a host is
suspected when most of its paths are unsteady, and what it did is the median of what its paths show. A change must
stand out from its own noise, and the paths must bear it out: queueing only ever adds delay, so that a burst
moves either the least forward or the least backward delay, while a clock moves both, the same way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.corridors import Walls
from noonmark.collector.edges import end_point
from noonmark.collector.estimate import Bool, Float64, Int32, Int64
from noonmark.collector.frames import FASTEST, NS
from noonmark.collector.ordering import counted_order
from noonmark.collector.row_noise import known_medians, row_noise
from noonmark.collector.rowwise import by_rows
from noonmark.collector.slots import Slots, filled, slot_middles

UNSTEADY = 5.0
"""A path whose middles show a change this many times its noise is a witness; much less than proof."""
CERTAIN = 6.0
"""A host's change must stand out this far from the noise of its median series."""
PLACED = 3.0
"""Of a host known not to have run straight, the best story need only stand out so far."""
BORNE_OUT = 0.5
"""The smaller of the movements of the least forward and backward delays must be this share of the change."""
SPREADS = 4.0
"""And this many times what the end points of such paths may be off by chance."""
FEWEST_SLOTS = 5
STEEPEST_BEND_PPB = 1.2 * FASTEST * NS
"""No clock is steered by more than FASTEST; the rest is for what slots blur."""


@dataclass(frozen=True, slots=True)
class Change:
    """One clock's change: at a boundary between slots, of so much, so sure."""

    node: int
    step: bool
    """True: the clock jumped; False: its rate changed."""
    boundary_s: float
    size: float
    """ns for a step, ppb for a change of rate."""
    certainty: float
    """Size in units of its standard uncertainty."""
    slot_s: float
    """The boundary is known to about half of this."""

    def shape(self, seconds: Float64) -> Float64:
        """What the change adds to the clock, per unit of size."""
        if self.step:
            return (seconds >= self.boundary_s).astype(np.float64)
        return np.maximum(seconds - self.boundary_s, 0.0)


@dataclass(frozen=True, slots=True)
class Ends:
    """Nodes at both ends of P paths."""

    first: Int64
    second: Int64
    nodes: int


@dataclass(frozen=True, slots=True)
class Middles:
    """What P paths show one by one."""

    slots: Slots
    """Less each path's own slope."""
    unsteady: Bool
    """(P,) whether the middles show a change."""


def middles_of(walls: Walls, slope: Float64) -> Middles:
    """`slope` (P,) is each path's own, ppb."""
    slots = slot_middles(walls, slope)
    if len(slots.seconds) < FEWEST_SLOTS:
        return Middles(slots, np.zeros(len(slope), dtype=bool))
    trials = _trials(slots.seconds)

    def work(rows: slice) -> tuple[Bool]:
        middle = slots.middle[rows]
        return (_best(filled(middle), trials, row_noise(middle)).certainty > UNSTEADY,)

    (unsteady,) = by_rows(work, len(slope))
    return Middles(slots, unsteady)


def find_changes(
    walls: Walls,
    slope: Float64,
    ends: Ends,
    blameless: int,
    middles: Middles | None = None,
    crooked: Sequence[int] = (),
) -> list[Change]:
    """Every node that changed within the window, by its clearest change.

    `slope` (P,) is each path's own, ppb, and `middles` what `middles_of` says, if it is at hand. Where only two hosts
    can have done it, `blameless` (the reference's node) has not. Of `crooked` nodes it is known that they did not run
    straight, and only asked when and how they changed.
    """
    middles = middles or middles_of(walls, slope)
    slots, unsteady = middles.slots, middles.unsteady
    if len(slots.seconds) < FEWEST_SLOTS:
        return []
    trials = _trials(slots.seconds)
    steps = trials.only(trials.step)
    changes = []
    by_node, begins = paths_of_nodes(ends)
    suspects = _suspects(unsteady, ends, blameless, by_node, begins)
    for node in [*suspects, *(node for node in crooked if node not in suspects)]:
        paths = by_node[begins[node] : begins[node + 1]]
        series = filled(slots.middle[paths])
        outward = np.where(ends.second[paths] == node, 1.0, -1.0)[:, None]
        middle, noise = _usual_row(slots.middle[paths], outward * _detrended(series, slots.seconds))
        told = PLACED if node in crooked else CERTAIN, 0.0 if node in crooked else SPREADS
        # Where some paths have a slot's only probe before a jump, and some after it, the jump looks like a bend; often
        # like one that no steering makes.
        stories = [_best(middle, some, noise) for some in (trials, steps)]
        if not stories[0].step[0] and abs(stories[0].size[0]) > STEEPEST_BEND_PPB:
            stories.reverse()
        for best in stories:
            if best.certainty[0] < told[0]:
                continue
            change = Change(
                node,
                bool(best.step[0]),
                float(best.boundary_s[0]),
                float(best.size[0]),
                float(best.certainty[0]),
                float(slots.seconds[1] - slots.seconds[0]),
            )
            own = _beside(change, series, slots.seconds, outward)
            change = replace(change, size=own.size)
            if _borne_out(change, walls.rows(paths), slope[paths] + own.slope, outward, told[1]):
                changes.append(change)
                break
    return changes


def _suspects(unsteady: Bool, ends: Ends, blameless: int, by_node: Int64, begins: Int32) -> list[int]:
    """Nodes with more than half of their paths unsteady; the most suspect first, and its paths then speak against
    nobody else."""
    against, total = _count(unsteady, ends), _count(np.ones(len(unsteady), dtype=bool), ends)
    open_, counted = unsteady.copy(), np.ones(len(unsteady), dtype=bool)
    handicap = np.ones(ends.nodes)
    handicap[blameless] = 0.999

    def scores(nodes: slice | Int64) -> Float64:
        bad, all_ = against[nodes], total[nodes]
        share = np.where(2 * bad > all_, bad / np.maximum(all_, 1), 0.0) * handicap[nodes]
        return np.where(share > 0, bad + share, 0.0)

    suspects: list[int] = []
    score = scores(slice(None))
    while True:
        node = int(score.argmax())
        if score[node] == 0:
            return suspects
        own = by_node[begins[node] : begins[node + 1]]
        suspects.append(node)
        for paths, count in ((own[open_[own]], against), (own[counted[own]], total)):
            np.subtract.at(count, ends.first[paths], 1)
            np.subtract.at(count, ends.second[paths], 1)
        open_[own] = counted[own] = False
        touched = np.concatenate([ends.first[own], ends.second[own]])
        score[touched] = scores(touched)


def paths_of_nodes(ends: Ends) -> tuple[Int64, Int32]:
    """Paths, node by node, and where each node's begin (V + 1,)."""
    order, begins = counted_order(np.concatenate([ends.first, ends.second]), ends.nodes)
    return order % np.int64(len(ends.first)), begins


def _count(paths: Bool, ends: Ends) -> Int64:
    return np.asarray(
        np.bincount(ends.first[paths], minlength=ends.nodes) + np.bincount(ends.second[paths], minlength=ends.nodes)
    )


def _detrended(series: Float64, seconds: Float64) -> Float64:
    base = _base(seconds)
    return np.asarray(series - (series @ base) @ np.linalg.inv(base.T @ base) @ base.T)


def _base(seconds: Float64) -> Float64:
    return np.stack([np.ones_like(seconds), seconds - seconds.mean()], axis=1)


def _usual_row(middle: Float64, outward: Float64) -> tuple[Float64, Float64]:
    """The median path's row (1, K) of paths that move `outward` so, and its noise.

    Only what `middle` (R, K) knows counts; and the median of several paths is hardly ever quieter than it is expected
    to be, whatever a few slots seem to show.
    """
    known = np.isfinite(middle)
    row = known_medians(np.where(known, outward, np.nan))
    together = max(known.sum() / max(known.any(axis=0).sum(), 1), 1.0)
    return filled(row), np.maximum(row_noise(row), np.median(row_noise(middle)) / np.sqrt(together))


@dataclass(frozen=True, slots=True)
class _Best:
    """The change that explains each row (R,) best."""

    step: Bool
    boundary_s: Float64
    size: Float64
    certainty: Float64


@dataclass(frozen=True, slots=True)
class _Trials:
    """A step and a kink at each boundary between slots, T of them."""

    step: Bool
    boundary_s: Float64
    shape: Float64
    """(K, T), each less its best straight line."""
    norm: Float64
    preference: Float64
    """A step within a slot looks a little like a kink; the simpler story goes first."""

    def only(self, some: Bool) -> _Trials:
        """Some of them (T,)."""
        return _Trials(
            self.step[some], self.boundary_s[some], self.shape[:, some], self.norm[some], self.preference[some]
        )


def _trials(seconds: Float64) -> _Trials:
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
    return _Trials(step, boundary, shapes, np.sqrt((shapes**2).sum(axis=0)), np.where(step, 1.0, 0.95))


def _best(series: Float64, trials: _Trials, noise: Float64) -> _Best:
    """Try all beside a free line; vectorised over rows (R, K)."""
    certainty = np.abs(series @ trials.shape) / trials.norm / noise[:, None]
    which = (certainty * trials.preference).argmax(axis=1)
    size = np.einsum("rk,kr->r", series, trials.shape[:, which]) / trials.norm[which] ** 2
    return _Best(trials.step[which], trials.boundary_s[which], size, certainty[np.arange(len(series)), which])


@dataclass(frozen=True, slots=True)
class _Beside:
    """Each path's slope (R,) beside the change, and the median path's size of it."""

    slope: Float64
    size: float


def _beside(change: Change, series: Float64, seconds: Float64, outward: Float64) -> _Beside:
    """Fit line and change to each path, without the slots next to a step: these may hold probes of both its sides.

    Near an end of the window only one of them can be spared.
    """
    shape, since = change.shape(seconds), seconds - change.boundary_s
    clear = np.ones(len(seconds), dtype=bool)
    if change.step:
        beside = (
            np.abs(since) <= change.slot_s,
            (since < 0) & (since >= -change.slot_s),
            (since > 0) & (since <= change.slot_s),
        )
        clear = next((~slots for slots in beside if len(set(shape[~slots])) == 2), clear)
    base = np.stack([np.ones_like(seconds), seconds, shape], axis=1)[clear]
    fitted = np.linalg.lstsq(base, series[:, clear].T, rcond=None)[0]
    return _Beside(fitted[1], float(np.median(fitted[2] * outward[:, 0])))


def _borne_out(change: Change, walls: Walls, slope: Float64, outward: Float64, spreads: float) -> bool:
    """Whether the median path's least delays in both directions moved as the change says, and by `spreads` times what
    their end points may be off."""
    own = slope[:, None]
    # A change of rate shows best long after it.
    since = change.boundary_s if change.step else (change.boundary_s + float(walls.upper_s.max())) / 2
    expected = abs(change.size) * (1.0 if change.step else since - change.boundary_s)
    proven, chance = -np.inf, np.inf
    # A jump within a slot spoils that slot only, which lies on one side of the boundary or on the other.
    gaps = ((1.0, 0.0), (0.0, 1.0), (0.5, 0.5)) if change.step else ((0.5, 0.5),)
    for earlier, later in gaps:
        before, after = change.boundary_s - earlier * change.slot_s, since + later * change.slot_s
        upper_early, upper_late, upper_chance = _moved(
            walls.upper_s, walls.upper_ns - own * walls.upper_s, change, outward, before, after
        )
        lower_early, lower_late, lower_chance = _moved(
            walls.lower_s, own * walls.lower_s - walls.lower_ns, change, -outward, before, after
        )
        with np.errstate(invalid="ignore"):
            outwards = outward[:, 0] * np.sign(change.size)
            least = expected + np.minimum((upper_late - upper_early) * outwards, (lower_early - lower_late) * outwards)
            by_chance = np.maximum(upper_chance, lower_chance)
            # Of single points nothing is known, but that they waited for no longer than their round trips.
            trips = np.maximum(upper_early + lower_early + upper_late + lower_late, 0.0)
            by_chance = np.where(np.isfinite(by_chance), by_chance, trips)
        told = np.isfinite(least) & np.isfinite(by_chance)
        if told.any() and float(np.median(least[told])) > proven:
            proven, chance = float(np.median(least[told])), float(np.median(by_chance[told]))
    return proven > max(BORNE_OUT * expected, spreads * chance)


def _moved(
    when: Float64, height: Float64, change: Change, outward: Float64, before: float, after: float
) -> tuple[Float64, Float64, Float64]:
    """Least heights (R,) of one wall before and after a change, the change taken out, and what chance leaves of their
    difference; heights (R, K) point away from the wall.

    Where one side has a single point, its wait is as long as waits on the other side usually are.
    """
    left = height - outward * change.size * change.shape(when)
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
