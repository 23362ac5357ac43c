"""What was true between two kept moments of a series, said honestly. Pure.

- Between two neighbouring ticks the offset is the line that joins them. The limits hold that line's own (certain if the
  clock ran evenly from tick to tick) and both ticks' limits carried to the instant by their drifts, so they still hold
  if the clock was set at an unknown moment between. Where the two ticks carried to the instant disagree, that counts as
  uncertainty (a rectangular distribution: JCGM 100, 4.3.7).
- Across a *gap*, longer than the later estimate's own window reaches back, limits widen at the drift limit from either
  side, and what both sides allow is kept; where they allow nothing in common, all that either allows.
- Where a clock is known to have changed its rate meanwhile, or was slewed, it may have run at any rate between those at
  both ends, and as far beyond as `bend` says; the limits hold every such course.
- On one side only (past the last tick, or at a setting of the clock) they widen at the drift limit from that side.
- A host that is the reference does not leave itself: its limits do not widen.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Float64, HostState, Int64
from noonmark.collector.history_columns import (
    DRIFT,
    DRIFT_UNCERTAINTY,
    HOST_STATES,
    HOSTS,
    JOINED,
    KNOWN_CODES,
    LOWER,
    OFFSET,
    STATE,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    Kind,
    known,
)

DRIFT_LIMIT = 15e-6
"""PHI of RFC 5905: how fast a clock may leave its line where nothing is measured."""
WANDER = 1e-8
"""Standard uncertainty of a clock's rate while it is not measured; common practice for quartz, no source."""
_REFERENCE = HOST_STATES.index(HostState.REFERENCE)


class How(enum.IntEnum):
    """How a moment was come by."""

    NOTHING = 0
    """No kept moment is usable."""
    EXACT = 1
    BETWEEN = 2
    GAP = 3
    STEPPED = 4
    """The clock was set about then, nobody knows quite when: across a gap whose two sides contradict each other, or as
    near to a setting as its instant is unsure."""
    AFTER_LAST = 5
    """Only an earlier moment is usable."""
    BEFORE_FIRST = 6
    """Only a later one."""
    UNSETTLED = 7
    """The clock changed its rate then, or was slewed."""


SETTLED = (int(How.EXACT), int(How.BETWEEN))
"""Ways in which a moment is as sure as its ticks were."""


@dataclass(frozen=True, slots=True)
class Moments:
    """One kept moment of each of S series: instants (S,), columns (C, S), and which series have one (S,)."""

    at_ns: Int64
    matrix: Int64
    present: Bool


@dataclass(frozen=True, slots=True)
class Interpolated:
    """The columns (C, S) at the instant asked for, how each came about, and the nearest instant behind it."""

    matrix: Int64
    how: Int64
    measured_ns: Int64
    present: Bool


_Answer = tuple[Float64, Float64, Float64, Float64]
"""Offset, lower, upper relative to the base, and variance."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One side carried to the instant: float ns relative to a base, and what may be added for the way."""

    usable: Bool
    away_ns: Float64
    offset: Float64
    lower: Float64
    upper: Float64
    variance: Float64
    """At the side's own instant, ns^2."""
    kind: Kind
    matrix: Int64
    drift_limit: float | Float64

    @property
    def _reference(self) -> Bool:
        return np.asarray(self.matrix[STATE] & ~JOINED == _REFERENCE)

    def aged_variance(self) -> Float64:
        """At the instant asked for."""
        rate = np.full(len(self.usable), self.kind.clocks * WANDER**2)
        if self.kind is HOSTS:
            tied = (self.matrix[DRIFT_UNCERTAINTY] < UNBOUNDED) & self.usable
            rate += np.where(tied, self.matrix[DRIFT_UNCERTAINTY] / 1e15, 0.0) ** 2
            rate[self._reference] = 0.0
        return np.asarray(self.variance + rate * self.away_ns**2)

    def slack(self) -> Float64:
        """How far the limits widen on the way if nothing is measured there, ns."""
        clocks = np.full(len(self.usable), float(self.kind.clocks))
        if self.kind is HOSTS:
            clocks[self._reference] = 0.0
        return np.asarray(self.away_ns * self.drift_limit * clocks)


def _carried(
    moments: Moments, base: Int64, at_ns: int | Int64, kind: Kind, usable: Bool, drift_limit: float | Float64
) -> _Side:
    matrix, every = moments.matrix, bool(usable.all())
    way = (at_ns - moments.at_ns if every else np.where(moments.present, at_ns - moments.at_ns, 0)).astype(np.float64)
    moved = matrix[DRIFT] / 1e15 * way
    uncertainty = (matrix[UNCERTAINTY] if every else np.where(usable, matrix[UNCERTAINTY], 0)) / 1e3
    lower, upper = matrix[LOWER] - base + moved, matrix[UPPER] - base + moved
    lower[matrix[LOWER] <= -UNBOUNDED] = -np.inf
    upper[matrix[UPPER] >= UNBOUNDED] = np.inf
    offset = matrix[OFFSET] - base + moved
    return _Side(usable, np.abs(way), offset, lower, upper, uncertainty**2, kind, matrix, drift_limit)


def between(
    before: Moments,
    after: Moments,
    at_ns: int | Int64,
    kind: Kind,
    *,
    reach_ns: int,
    drift_limit: float = DRIFT_LIMIT,
    side: Int64 | None = None,
    bend: Float64 | None = None,
) -> Interpolated:
    """Every series at `at_ns` (one instant, or one for each (S,)), from its last moment up to then and its first after.

    S series at one instant, or one series at S instants: it is all the same here.

    `reach_ns` is how far back a later moment's own probes reach: longer apart than that is a gap. `side` (S,) is -1
    where only the earlier moment may be used, 1 where only the later one, 0 where both. `bend` (S,) is how far the
    clock's rate may have been outside the rates of both moments, where it did not run evenly; 0 where nothing says so.
    """
    if (side is None or not side.any()) and (bend is None or not bend.any()):
        found = _ordinary(before, after, at_ns, kind, reach_ns)
        if found is not None:
            return found
    bend = np.zeros(len(before.present)) if bend is None else bend
    # Where only one side is known, the clock may have been anywhere that so bent a course leads.
    loose = np.maximum(drift_limit, bend)
    side = np.zeros(len(before.present), np.int64) if side is None else side
    use_before = before.present & known(before.matrix, kind) & (side <= 0)
    use_after = after.present & known(after.matrix, kind) & (side >= 0)
    base = before.matrix[OFFSET]
    if not use_before.all():
        base = np.where(use_before, base, np.where(use_after, after.matrix[OFFSET], 0))
    early = _carried(before, base, at_ns, kind, use_before, loose)
    late = _carried(after, base, at_ns, kind, use_after, loose)
    joined = (before.matrix[kind.flags] & JOINED) != 0
    apart = np.where(use_before & use_after, after.at_ns - before.at_ns, 0)
    exact = before.present & (before.at_ns == at_ns) & (side <= 0)
    both = use_before & use_after & ~exact
    bent = both & (bend > 0.0)
    gap = both & ~joined & ~bent & (apart > reach_ns)
    share = np.where(both, early.away_ns / np.maximum(apart, 1), 0.0)
    near_before = use_before & (~use_after | (early.away_ns <= late.away_ns))
    matrix = np.where(near_before | (before.present & ~use_after), before.matrix, after.matrix)
    matrix[kind.flags] &= ~JOINED
    how = np.full(len(side), int(How.NOTHING), np.int64)
    answer = _on_one_side(early, late, use_before)
    how[use_before] = How.AFTER_LAST
    how[use_after & ~use_before] = How.BEFORE_FIRST
    answer = _chosen(both & ~gap, _on_the_line(before, after, base, early, late, share, joined), answer)
    how[both & ~gap] = How.BETWEEN
    if gap.any():
        across, contradicted = _across_a_gap(early, late)
        answer = _chosen(gap, across, answer)
        how[gap] = How.GAP
        how[gap & contradicted] = How.STEPPED
    if bent.any():
        answer = _chosen(bent, _on_a_bent_course(before, after, base, early, late, share, apart, bend), answer)
        how[bent] = How.UNSETTLED
    numbers = use_before | use_after
    _write(matrix, base, answer, numbers)
    matrix[:, exact] = before.matrix[:, exact]
    matrix[kind.flags] &= ~JOINED
    how[exact & use_before] = How.EXACT
    measured = np.where(near_before, before.at_ns, after.at_ns)
    return Interpolated(matrix, how, np.where(numbers, measured, 0), before.present | after.present)


def _ordinary(before: Moments, after: Moments, at_ns: int | Int64, kind: Kind, reach_ns: int) -> Interpolated | None:
    """`between` where every series has a tick on either side, near enough, and nothing happened: nearly always. None
    where that is not so."""
    early, late = before.matrix, after.matrix
    if not (
        len(before.present)
        and before.present.all()
        and after.present.all()
        and max(early[kind.flags].max(), late[kind.flags].max()) < JOINED
        and max(early[UNCERTAINTY].max(), late[UNCERTAINTY].max()) < UNBOUNDED
        and min(early[LOWER].min(), late[LOWER].min()) > -UNBOUNDED
        and max(early[UPPER].max(), late[UPPER].max()) < UNBOUNDED
        and (kind is not HOSTS or (KNOWN_CODES[early[STATE]].all() and KNOWN_CODES[late[STATE]].all()))
    ):
        return None
    instants = _once(before.at_ns), _once(after.at_ns)
    gone, left = np.asarray(at_ns - instants[0]), np.asarray(instants[1] - at_ns)
    if gone.min() <= 0 or left.min() <= 0 or (gone + left).max() > reach_ns:
        return None
    base = early[OFFSET]
    moved, moved_back = early[DRIFT] / 1e15 * gone.astype(np.float64), late[DRIFT] / 1e15 * -left.astype(np.float64)
    share = gone / (gone + left)
    low, high = early[LOWER] - base, early[UPPER] - base
    end, low_end, high_end = late[OFFSET] - base, late[LOWER] - base, late[UPPER] - base
    lower = np.minimum(low + (low_end - low) * share, np.minimum(low + moved, low_end + moved_back))
    upper = np.maximum(high + (high_end - high) * share, np.maximum(high + moved, high_end + moved_back))
    uncertainty = np.maximum(early[UNCERTAINTY], late[UNCERTAINTY]) / 1e3
    variance = uncertainty**2 + (moved - (end + moved_back)) ** 2 / 12.0
    near = gone <= left
    nearest = early if near.all() else late
    matrix = nearest.copy() if near.all() or not near.any() else np.where(near, early, late)
    every = np.ones(len(base), np.bool_)
    _write(matrix, base, (end * share, lower, upper, variance), every)
    measured = np.zeros(len(base), np.int64) + np.where(near, *instants)
    return Interpolated(matrix, np.full(len(base), int(How.BETWEEN), np.int64), measured, every)


def _once(at_ns: Int64) -> Int64:
    """The instants; one, where it stands for all."""
    return at_ns[:1] if at_ns.strides == (0,) else at_ns


def either(one: Interpolated, other: Interpolated, where: Bool) -> Interpolated:
    """Where nobody knows which of two answers holds: limits of both, and how far they are apart as uncertainty.

    A series that only one of the two knows stays as that one has it, but without limits: the other might be anywhere.
    """
    told, untold = one.how != How.NOTHING, other.how != How.NOTHING
    base = np.where((told | ~where)[None, :], one.matrix, other.matrix)
    matrix, how = base.copy(), np.where(told | ~where, one.how, other.how)
    both, alone = where & told & untold, where & (told != untold)
    matrix[LOWER] = np.where(both, np.minimum(one.matrix[LOWER], other.matrix[LOWER]), matrix[LOWER])
    matrix[UPPER] = np.where(both, np.maximum(one.matrix[UPPER], other.matrix[UPPER]), matrix[UPPER])
    apart = np.abs(one.matrix[OFFSET] - other.matrix[OFFSET]) * (1e3 / np.sqrt(12.0))
    widest = np.maximum(one.matrix[UNCERTAINTY], other.matrix[UNCERTAINTY])
    matrix[UNCERTAINTY] = np.where(both, np.ceil(np.hypot(widest, apart)).astype(np.int64), matrix[UNCERTAINTY])
    matrix[LOWER] = np.where(alone, -UNBOUNDED, matrix[LOWER])
    matrix[UPPER] = np.where(alone, UNBOUNDED, matrix[UPPER])
    how = np.where(both, int(How.STEPPED), how)
    return Interpolated(matrix, how, np.where(told, one.measured_ns, other.measured_ns), one.present | other.present)


def _chosen(where: Bool, answer: _Answer, otherwise: _Answer) -> _Answer:
    first, second, third, fourth = (np.where(where, a, b) for a, b in zip(answer, otherwise, strict=True))
    return first, second, third, fourth


def _on_one_side(early: _Side, late: _Side, use_before: Bool) -> _Answer:
    def pick(a: Float64, b: Float64) -> Float64:
        return np.where(use_before, a, b)

    slack = pick(early.slack(), late.slack())
    return (
        pick(early.offset, late.offset),
        pick(early.lower, late.lower) - slack,
        pick(early.upper, late.upper) + slack,
        pick(early.aged_variance(), late.aged_variance()),
    )


def _on_the_line(
    before: Moments, after: Moments, base: Int64, early: _Side, late: _Side, share: Float64, joined: Bool
) -> _Answer:
    def line(row: int) -> Float64:
        start = (before.matrix[row] - base).astype(np.float64)
        end = (after.matrix[row] - base).astype(np.float64)
        value = start + (end - start) * share
        infinite = (np.abs(before.matrix[row]) >= UNBOUNDED) | (np.abs(after.matrix[row]) >= UNBOUNDED)
        return np.where(infinite, np.inf if row == UPPER else -np.inf, value)

    lower, upper = line(LOWER), line(UPPER)
    apart = np.where(joined, 0.0, early.offset - late.offset)
    return (
        line(OFFSET),
        np.where(joined, lower, np.minimum(lower, np.minimum(early.lower, late.lower))),
        np.where(joined, upper, np.maximum(upper, np.maximum(early.upper, late.upper))),
        np.maximum(early.variance, late.variance) + apart**2 / 12.0,
    )


def _on_a_bent_course(
    before: Moments,
    after: Moments,
    base: Int64,
    early: _Side,
    late: _Side,
    share: Float64,
    apart_ns: Int64,
    bend: Float64,
) -> _Answer:
    """Limits of every course from within the limits at one end to within those at the other, whose rate stays between
    the two ends' rates widened by `bend`.

    The highest such course rises from the upper limit before at the greatest rate, and comes to that after at the
    least. Told is the line between both limits, raised by the most that this peak is above it: so limits of two
    instants hold all instants between them too. Where there is no such course, all that both ends allow by their lines.
    """
    span = np.maximum(apart_ns, 1).astype(np.float64)
    rates = np.stack([before.matrix[DRIFT], after.matrix[DRIFT]]) / 1e15
    least, most = rates.min(axis=0) - bend, rates.max(axis=0) + bend

    def ends(row: int) -> tuple[Float64, Float64, Bool]:
        first, last = (side.matrix[row] - base for side in (before, after))
        infinite = (np.abs(before.matrix[row]) >= UNBOUNDED) | (np.abs(after.matrix[row]) >= UNBOUNDED)
        return first.astype(np.float64), last.astype(np.float64), infinite

    def peak(first: Float64, last: Float64) -> Float64:
        rate = np.clip((last - first) / span, least, most)
        return np.asarray((most - rate) * (rate - least) / np.maximum(most - least, 1e-18) * span)

    (low_a, low_b, no_lower), (high_a, high_b, no_upper) = ends(LOWER), ends(UPPER)
    lower = low_a + (low_b - low_a) * share - peak(low_a, low_b)
    upper = high_a + (high_b - high_a) * share + peak(high_a, high_b)
    torn = ((low_a + least * span > high_b) | (high_a + most * span < low_b)) & ~no_lower & ~no_upper
    lower = np.where(torn, np.minimum(np.minimum(early.lower, late.lower), lower), lower)
    upper = np.where(torn, np.maximum(np.maximum(early.upper, late.upper), upper), upper)
    start, end, _ = ends(OFFSET)
    apart = early.offset - late.offset
    return (
        start + (end - start) * share,
        np.where(no_lower, -np.inf, lower),
        np.where(no_upper, np.inf, upper),
        np.maximum(early.variance, late.variance) + apart**2 / 12.0,
    )


def _across_a_gap(early: _Side, late: _Side) -> tuple[_Answer, Bool]:
    early_slack, late_slack = early.slack(), late.slack()
    early_lower, early_upper = early.lower - early_slack, early.upper + early_slack
    late_lower, late_upper = late.lower - late_slack, late.upper + late_slack
    early_aged, late_aged = early.aged_variance(), late.aged_variance()
    lower, upper = np.maximum(early_lower, late_lower), np.minimum(early_upper, late_upper)
    contradicted = np.asarray(lower > upper)
    lower = np.where(contradicted, np.minimum(early_lower, late_lower), lower)
    upper = np.where(contradicted, np.maximum(early_upper, late_upper), upper)
    weight = np.maximum(late_aged, 1.0)
    weight = weight / (weight + np.maximum(early_aged, 1.0))
    offset = np.clip(early.offset * weight + late.offset * (1.0 - weight), lower, upper)
    combined = early_aged * weight
    disagreement = (early.offset - late.offset) ** 2 * weight * (1.0 - weight)
    return (offset, lower, upper, combined + disagreement), contradicted


def _write(matrix: Int64, base: Int64, answer: _Answer, numbers: Bool) -> None:
    """Put relative floats back as whole ns: limits outwards, the uncertainty upwards; nothing known is UNBOUNDED."""
    if numbers.all() and np.isfinite(answer[1]).all() and np.isfinite(answer[2]).all():
        offset, lower, upper, variance = answer
        matrix[OFFSET] = base + np.rint(offset).astype(np.int64)
        matrix[LOWER] = base + np.floor(lower).astype(np.int64)
        matrix[UPPER] = base + np.ceil(upper).astype(np.int64)
        matrix[UNCERTAINTY] = np.ceil(np.sqrt(variance) * 1e3).astype(np.int64)
        return
    offset, lower, upper, variance = (np.where(numbers, column, 0.0) for column in answer)
    matrix[OFFSET] = np.where(numbers, base + np.rint(offset).astype(np.int64), 0)
    floor = np.floor(np.where(np.isfinite(lower), lower, 0.0)).astype(np.int64)
    ceiling = np.ceil(np.where(np.isfinite(upper), upper, 0.0)).astype(np.int64)
    matrix[LOWER] = np.where(numbers & np.isfinite(lower), base + floor, -UNBOUNDED)
    matrix[UPPER] = np.where(numbers & np.isfinite(upper), base + ceiling, UNBOUNDED)
    matrix[UNCERTAINTY] = np.where(numbers, np.ceil(np.sqrt(variance) * 1e3).astype(np.int64), UNBOUNDED)
