"""The tightest limits that probes can prove: one linear programme over all of them (scipy's HiGHS); slow, and obvious.

Unknown: offset (ns) at the asked instant and drift (ppb) of every host but the reference. Each probe bounds the
difference of its two clocks from above and from below, at its own instants. Pure.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array

from noonmark.collector.estimate import FleetEstimate, ProbeColumns

NS = 1e9


def exact_limits(
    probes: ProbeColumns, estimate: FleetEstimate, reference: int, *, wander_ppb: float = 0.0, tick_ns: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest offset of every host, ns absolute; `wander_ppb` and `tick_ns` loosen every bound.

    A packet is received no earlier than it is sent: stamp_second - x_second(t) >= stamp_first - x_first(t). Unknown are
    offsets and drifts less the estimate's own, so that float64 keeps every nanosecond, and so that both clocks may be
    taken at one instant, half way between sending and receipt: what is left of drifts moves nothing in so short a time.
    """
    hosts, base, drift = len(probes.hosts), estimate.offset_ns, estimate.drift

    def when(host: np.ndarray, stamp: np.ndarray) -> np.ndarray:
        """True time of a stamp by the estimate, ns from the asked instant."""
        return (stamp - base[host] - estimate.at_ns).astype(np.float64) / (1.0 + drift[host])

    first = np.concatenate([probes.source, probes.destination])
    second = np.concatenate([probes.destination, probes.source])
    sent = when(first, np.concatenate([probes.t1_ns, probes.t3_ns]))
    received = when(second, np.concatenate([probes.t2_ns, probes.t4_ns]))
    seconds = (sent + received) / (2 * NS)
    bound = received - sent + tick_ns + wander_ppb * np.abs(seconds)
    rows = np.arange(len(bound))
    entries = [(second, 1.0), (first, -1.0), (second + hosts, seconds), (first + hosts, -seconds)]
    values = np.concatenate([np.broadcast_to(value, len(rows)) for _, value in entries])
    place = np.concatenate([rows] * 4), np.concatenate([column for column, _ in entries])
    design = csr_array((values, place), shape=(len(rows), 2 * hosts))
    fixed = {reference, reference + hosts}
    bounds = [(0.0, 0.0) if column in fixed else (None, None) for column in range(2 * hosts)]
    lower, upper = np.zeros(hosts), np.zeros(hosts)
    for host in range(hosts):
        for sign, out in ((1.0, lower), (-1.0, upper)):
            goal = np.zeros(2 * hosts)
            goal[host] = sign
            found = linprog(goal, design, bound, bounds=bounds, method="highs")
            if found.status != 0:
                raise ValueError(found.message)
            out[host] = sign * found.fun
    return base + lower, base + upper
