"""Do all probes of a small fleet admit any honest clocks at all? One linear programme over everything. Pure.

A negative cycle of limits at one instant proves a lie; but clocks that are straight lines can be contradicted by probes
at different instants that no single instant shows. The programme has every host's offset and drift as unknowns, every
wall's point as a constraint, and one slack for each path; the least sum of slacks is zero if and only if nobody lies.
Where it is not, the paths that need slack are where the lie is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array, hstack, vstack

from noonmark.collector.corridors import STEEPEST, Walls
from noonmark.collector.estimate import Float64, Int64

MOST_PATHS = 400
"""Larger fleets take longer than a tick; there only cycles are looked for."""


def needed_slack(walls: Walls, first: Int64, second: Int64, nodes: int) -> Float64:
    """How far each path's walls must move apart (P,), ns, for straight clocks to fit everywhere; least in total.

    `walls` must already hold every allowance. Zeros: no contradiction. Raises RuntimeError if the programme cannot be
    solved at all, which its form does not allow.
    """
    paths = len(first)
    blocks = []
    limits = []
    for seconds, height, sign in ((walls.upper_s, walls.upper_ns, 1.0), (walls.lower_s, walls.lower_ns, -1.0)):
        path, slot = np.nonzero(np.isfinite(height))
        row = np.arange(len(path))
        ones, when = np.full(len(path), sign), sign * seconds[path, slot]
        columns = [second[path], first[path], second[path] + nodes, first[path] + nodes]
        values = [ones, -ones, when, -when]
        design = coo_array(
            (np.concatenate(values), (np.tile(row, 4), np.concatenate(columns))), shape=(len(path), 2 * nodes)
        )
        slack = coo_array((-np.ones(len(path)), (row, path)), shape=(len(path), paths))
        blocks.append(hstack([design, slack]))
        limits.append(sign * height[path, slot])
    cost = np.concatenate([np.zeros(2 * nodes), np.ones(paths)])
    bounds: Any = [(None, None)] * nodes + [(-STEEPEST, STEEPEST)] * nodes + [(0, None)] * paths
    # scipy takes sparse constraints; its type stubs do not say so.
    constraints: Any = vstack(blocks).tocsr()
    found = linprog(cost, A_ub=constraints, b_ub=np.concatenate(limits), bounds=bounds, method="highs")
    if found.status != 0 or found.x is None:
        raise RuntimeError(f"the linear programme ended with: {found.message}")
    return np.asarray(found.x[2 * nodes :], dtype=np.float64)
