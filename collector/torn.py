"""Paths whose limits no straight line keeps: which clock may have jumped, and by how much. Pure.

Limits that exclude each other prove that one of a path's two clocks did not run straight. If it jumped, it did so
between the last limit of the one side and the first of the other. A clock has not if another of its paths has limits
from before and after that time which leave no room for such a jump. Until a host's other paths have been probed again,
that is all there is to know of a jump just made; and what they prove of the clock before it holds no longer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from noonmark.collector.change import Ends, paths_of_nodes
from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.frames import NS

WIDEST = 2.0
"""A slot in which both sides of a jump lie tells no round trip: so many times the path's longest is allowed."""


@dataclass(frozen=True, slots=True)
class Tears:
    """What n torn paths show, if a jump tore them: y before and after it."""

    after_s: Float64
    """Latest limit that belongs before the jump, and earliest that belongs after it; later than that where no single
    jump explains all."""
    before_s: Float64
    least_ns: Float64
    """The jump of y is at least and at most so large; towards `sign`."""
    most_ns: Float64
    sign: Float64


def tears_of(walls: Walls) -> Tears:
    """Of walls (n, K) less the slope that the clocks have otherwise, allowances made; each with limits that exclude
    each other."""
    known = np.isfinite(walls.upper_ns)
    width = np.where(known, walls.upper_ns - walls.lower_ns, 0.0)
    longest = WIDEST * np.maximum(width.max(axis=1), 0.0)
    width = np.where(width > 0, width, longest[:, None])
    # (n, upper slot, lower slot)
    earlier = np.minimum(walls.upper_s[:, :, None], walls.lower_s[:, None, :])
    later = np.maximum(walls.upper_s[:, :, None], walls.lower_s[:, None, :])
    across = walls.lower_ns[:, None, :] - walls.upper_ns[:, :, None]
    excluded = across > 0
    row = np.arange(len(across))
    upper, lower = np.unravel_index(across.reshape(len(across), -1).argmax(axis=1), across.shape[1:])
    least = across[row, upper, lower]
    return Tears(
        np.where(excluded, earlier, -np.inf).max(axis=(1, 2)),
        np.where(excluded, later, np.inf).min(axis=(1, 2)),
        least,
        least + width[row, upper] + width[row, lower],
        np.where(walls.lower_s[row, lower] >= walls.upper_s[row, upper], 1.0, -1.0),
    )


@dataclass(frozen=True, slots=True)
class _Case:
    """What one torn path shows."""

    after_s: float
    before_s: float
    least_ns: float
    sign: float


def acquitted(
    tears: Tears, torn: Int64, walls_of: Callable[[Int64], Walls], whole: Bool, ends: Ends
) -> tuple[Bool, Bool]:
    """Of each torn path (n,): whether its first, and its second, end cannot have made the jump.

    `torn` are the torn paths' rows, `walls_of` gives walls as in `tears_of`, and `whole` (P,) are paths that lines fit.
    """
    none = np.zeros((2, len(torn)), dtype=bool)
    by_node, begins = paths_of_nodes(ends)
    for number, path in enumerate(torn.tolist()):
        # A clock that jumped dates its own limits wrong by as much.
        wrong_s = float(tears.most_ns[number]) / NS
        if tears.after_s[number] > tears.before_s[number]:
            continue
        case = _Case(
            float(tears.after_s[number]) - wrong_s,
            float(tears.before_s[number]) + wrong_s,
            float(tears.least_ns[number]),
            float(tears.sign[number]),
        )
        for side, node in enumerate((int(ends.first[path]), int(ends.second[path]))):
            others = by_node[begins[node] : begins[node + 1]]
            others = others[whole[others]]
            # The second end's jump raises y where it is the second end, and lowers it where it is the first.
            same = np.where(ends.second[others] == node, 1.0, -1.0) * (1.0 if side == 1 else -1.0) * case.sign
            none[side, number] = bool(_no_room(walls_of(others), same, case).any())
    return none[0], none[1]


def _no_room(walls: Walls, sign: Float64, case: _Case) -> Bool:
    """Whether each of some paths' limits (n, K) before and after the time of a jump leave no room for it."""
    up = sign[:, None] > 0
    # What points towards the jump is the highest that y can be after it, and the lowest that it was before.
    after_s, after = np.where(up, walls.upper_s, walls.lower_s), np.where(up, walls.upper_ns, -walls.lower_ns)
    before_s, before = np.where(up, walls.lower_s, walls.upper_s), np.where(up, walls.lower_ns, -walls.upper_ns)
    highest = np.where(after_s >= case.before_s, after, np.inf).min(axis=1, initial=np.inf)
    lowest = np.where(before_s <= case.after_s, before, -np.inf).max(axis=1, initial=-np.inf)
    return np.asarray(highest - lowest < case.least_ns)
