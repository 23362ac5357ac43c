"""What a host's paths tell together of a change of its clock's rate. Pure.

The least forward delays of a path say what its slope was, and the least backward ones say it again (slopes.py). Of a
clock that changed its rate both say the same of the time before and of the time after, on all of its paths; a busy
line raises the one or the other, and bends them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.jump_evidence import BORNE_OUT, UNMOVED, Side, Sides, rates_of_parts

FEWEST_PATHS = 4
"""Of fewer, the peers may have changed as well."""
FEWEST_SLOTS = 2
"""On either side, for a rate to show."""


@dataclass(frozen=True, slots=True)
class RateChanges:
    """By how much the rates of C hosts changed, ppb, and in how many standard deviations."""

    size_ppb: Float64
    deviations: Float64
    terms: Float64
    """How many walls say so."""
    borne: Bool
    """Whether the delays of both directions do."""


def rate_changes(
    sides: Sides, slope: Float64, owner: Int64, outward: Float64, hosts: int, slot: int, when_s: float
) -> RateChanges:
    """Between the slots before `slot` and those from it on, which begins at `when_s`; of Q paths of C hosts.

    `slope` (Q,) are the paths', ppb; `owner` (Q,) numbers their hosts; `outward` is +1 where the host is a path's
    second end, else -1. What each direction says is made likeliest by itself, with the heights of both parts free.
    """
    parts = slice(0, slot), slice(slot, None)
    paths = np.bincount(owner, minlength=hosts)
    nothing = np.zeros(hosts)
    if not FEWEST_SLOTS <= slot <= sides[0].height.shape[1] - FEWEST_SLOTS:
        return RateChanges(nothing, nothing, nothing, nothing > 0)
    towards = np.ones(len(slope))
    changes, variances = [], []
    for side in _of_hosts(sides, outward):
        rates, variance = rates_of_parts((side,), outward * slope, owner, towards, hosts, parts, when_s)
        changes.append(rates[1] - rates[0])
        variances.append(variance[0] + variance[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = 1.0 / variances[0] + 1.0 / variances[1]
        size = (changes[0] / variances[0] + changes[1] / variances[1]) / weight
        agreed = np.minimum(np.sign(size) * changes[0], np.sign(size) * changes[1]) >= BORNE_OUT * np.abs(size)
        alike = np.abs(changes[0] - changes[1]) <= UNMOVED * np.sqrt(variances[0] + variances[1])
    borne = agreed & alike & np.isfinite(size) & (weight > 0) & (paths >= FEWEST_PATHS)
    return RateChanges(
        np.where(borne, size, 0.0),
        np.where(borne, np.abs(size) * np.sqrt(weight), 0.0),
        np.asarray(2.0 * paths, dtype=np.float64),
        np.asarray(borne),
    )


def _of_hosts(sides: Sides, outward: Float64) -> Sides:
    """Delays towards each path's host, and delays away from it: what raises its clock raises those and lowers these."""
    second = (outward > 0)[:, None]
    forward, backward = sides

    def mixed(one: Side, other: Side, sign: float) -> Side:
        seconds, height = (
            np.where(second, mine, others)
            for mine, others in ((one.seconds, other.seconds), (one.height, other.height))
        )
        return Side(seconds, height, one.tick_ns, sign)

    return mixed(forward, backward, 1.0), mixed(backward, forward, -1.0)
