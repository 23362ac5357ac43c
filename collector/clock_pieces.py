"""A clock that was set back shows some readings twice; here a log's own order tells which is which. Pure.

The knots of a host's clock are cut into *pieces* wherever the reading falls. A reading that only one piece can show
belongs to it. A reading that two neighbouring pieces can show belongs to the earlier one until the log itself falls
back by more than half of what the clock was set back, or has passed the earlier piece's end. Where neither is seen the
reading stays open between the two.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noonmark.collector.clock_knowledge import LATEST_NS, ClockMemory
from noonmark.collector.estimate import Int64


def find_pieces(clock_ns: Int64) -> list[tuple[int, int]]:
    """First and last knot of each stretch over which a clock's reading never falls."""
    cuts = np.flatnonzero(np.diff(clock_ns) < 0) + 1
    return list(zip([0, *cuts.tolist()], [*(cuts - 1).tolist(), len(clock_ns) - 1], strict=True))


def assign_pieces(
    clock_ns: Int64, pieces: Sequence[tuple[int, int]], at_ns: Int64, readings: Int64, memory: ClockMemory
) -> tuple[Int64, Int64]:
    """(piece, last piece possible) of each reading of a log, in the log's order; `memory` is carried on.

    `clock_ns` is what the clock shows at the knots; `at_ns`, their reference time, names settings in the memory.

    The two differ where the log does not settle the matter.
    """
    piece = np.zeros(len(readings), np.int64)
    for number, (first, _) in enumerate(pieces):
        piece[readings >= clock_ns[first]] = number
    open_until = piece.copy()
    for setting in range(len(pieces) - 2, -1, -1):
        begin, end = int(clock_ns[pieces[setting + 1][0]]), int(clock_ns[pieces[setting][1]])
        twice = (readings >= begin) & (readings <= end)
        rows = np.flatnonzero(twice & (piece == setting + 1))
        behind = _behind(readings, rows, end, (end - begin) // 2, int(at_ns[pieces[setting + 1][0]]), memory)
        earlier = rows[: behind[0]]
        piece[earlier] = setting
        open_until[earlier] = setting + 1 if behind[1] else setting
    return piece, open_until


def _behind(readings: Int64, rows: Int64, end: int, half: int, setting: int, memory: ClockMemory) -> tuple[int, bool]:
    """How many of the rows (readings that occur twice) come before the setting, and whether that is open."""
    past = np.flatnonzero(readings > end)
    if setting in memory.passed:
        return 0, False
    values = readings[rows]
    highest = np.maximum.accumulate(np.concatenate([[memory.highest_ns.get(setting, -LATEST_NS)], values]))
    fell = np.flatnonzero(values < highest[:-1] - half)
    memory.highest_ns[setting] = int(highest[-1])
    by_falling = int(fell[0]) if len(fell) else len(rows)
    by_passing = int(np.searchsorted(rows, past[0])) if len(past) else len(rows)
    if len(fell) or len(past):
        memory.passed.add(setting)
    if by_falling <= by_passing and len(fell):
        return by_falling, False
    return by_passing, True
