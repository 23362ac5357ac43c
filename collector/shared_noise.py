"""What each host's own part of a variance is, such that two hosts' parts make up their pair's. Pure.

A history keeps hosts, not pairs, so a pair's variance is put together from two hosts' own parts, w_a + w_b. Let C be
the covariance of the hosts' errors against the reference. A difference of two has the variance
D_ab = C_aa + C_bb - 2 C_ab (JCGM 100, 5.2.2). With w_a = C_aa the noise with which the reference itself is seen, which
is in every host, would count twice, though it cancels. With

    w_a = C_aa - c,   c the least C_ab of any two hosts,   and w = c for the reference,

no pair is given less than its due, for w_a + w_b - D_ab = 2 (C_ab - c). (Covariances of a network that hangs on one
node are never negative, for they are resistances.) And the parts that suit all pairs best, by least squares, are

    w_a = (S_a - W) / (H - 2),   S_a = sum over b of D_ab,   W = sum of all S / (2 (H - 1)),

which is exact where the hosts' errors have nothing in common but the reference's noise. Where hosts are far apart in
the network (two sites, joined by a few paths) it gives pairs across less than their due. So we go from the first
towards the second as far as no pair's standard uncertainty is more than a tenth too small: no standard uncertainty is
known better than that (JCGM 100, E.4.3: of ten observations it is known to 24 %).
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.network import Network, Solution

LEAST_SHARE = 0.81
"""Of a pair's variance: the square of nine tenths."""


def own_parts(network: Network, solution: Solution, node: Int64) -> Float64 | None:
    """Own part (H,) of the variance of each host's unknown, hosts being at some nodes (H,).

    Hosts of one component make up pairs; its anchor has no error. None for large networks: a few draws tell a variance,
    but no covariance to rely on.
    """
    if solution.covariance is None:
        return None
    own = np.zeros(len(node))
    part = network.component[node]
    for number in np.unique(part):
        rows = np.flatnonzero(part == number)
        covariance = solution.covariance[np.ix_(node[rows], node[rows])]
        own[rows] = _parts(covariance, node[rows] == network.anchor[number])
    return own


def _parts(covariance: Float64, anchor: np.typing.NDArray[np.bool_]) -> Float64:
    """Own parts (n,) of hosts of one component; at most one of them is the anchor."""
    variance = np.diag(covariance)
    hosts = len(variance)
    if hosts - int(anchor.sum()) < 2:
        return np.asarray(variance)
    apart = ~np.eye(hosts, dtype=np.bool_)
    others = apart & ~anchor[:, None] & ~anchor[None, :]
    shared = max(float(covariance[others].min()), 0.0)
    safe = np.where(anchor, shared, np.maximum(variance - shared, 0.0))
    due = variance[:, None] + variance[None, :] - 2.0 * covariance
    if hosts < 3:
        return safe
    sums = due.sum(axis=1)
    best = np.maximum((sums - sums.sum() / (2.0 * (hosts - 1))) / (hosts - 2), 0.0)
    step = best - safe
    start, slope = (part[:, None] + part[None, :] for part in (safe, step))
    falling = apart & (start + slope < LEAST_SHARE * due)
    way = (start - LEAST_SHARE * due)[falling] / -slope[falling]
    return np.asarray(safe + float(np.clip(way.min(initial=1.0), 0.0, 1.0)) * step)
