"""Which probe records can be used at all. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64, ProbeColumns

STEEPEST = 1e-3
"""Two honest clocks differ in rate by no more than this: over a long turnaround that looks like a shorter trip."""
ROUNDING_NS = 10
"""Wire formats keep time to a quarter of a nanosecond; stamps may be rounded twice."""


@dataclass(frozen=True, slots=True)
class Usable:
    """(N,) marks: what may be used, and what is left out because it took less than no time."""

    rows: Bool
    negative: Bool


def usable(probes: ProbeColumns, tick_ns: Int64) -> Usable:
    """Leave out records that no honest pair of clocks can make.

    These are replies that left before they came (t3 < t2, t4 < t1), and round trips shorter than nothing by more than
    the clocks' ticks (H,) explain. Records of a host with itself are left out too.
    """
    backwards = (probes.t4_ns < probes.t1_ns) | (probes.t3_ns < probes.t2_ns)
    turnaround = probes.t3_ns - probes.t2_ns
    round_trip = (probes.t4_ns - probes.t1_ns) - turnaround
    allowed = allowed_below_zero_ns(tick_ns[probes.source] + tick_ns[probes.destination], turnaround)
    negative = ~backwards & (round_trip < -allowed)
    return Usable(~(backwards | negative | (probes.source == probes.destination)), negative)


def allowed_below_zero_ns(ticks_ns: Int64, turnaround_ns: Int64) -> Float64:
    """How far below zero an honest round trip may seem: both clocks' ticks, rounding, and rates over the turnaround."""
    return ROUNDING_NS + np.where(ticks_ns > 2, ticks_ns, 0) + np.abs(turnaround_ns).astype(np.float64) * STEEPEST


def of_current_epochs(probes: ProbeColumns) -> Bool:
    """Records (N,) in which every clock that tells its epoch tells the newest one.

    A host's newest epoch is the one it told last, rows being in order of arrival; its own word goes before its peers'.
    """
    hosts = len(probes.hosts)
    newest = np.zeros(hosts, dtype=np.int64)
    for host, epoch in ((probes.destination, probes.destination_epoch), (probes.source, probes.source_epoch)):
        told = np.flatnonzero(epoch)
        newest[host[told]] = epoch[told]
    good = np.ones(len(probes), dtype=bool)
    for host, epoch in ((probes.source, probes.source_epoch), (probes.destination, probes.destination_epoch)):
        good &= (epoch == 0) | (epoch == newest[host])
    return good


def choose(probes: ProbeColumns, rows: Bool) -> ProbeColumns:
    """Some of the records; the same object where none is left out."""
    if rows.all():
        return probes
    return ProbeColumns(
        probes.hosts,
        probes.source[rows],
        probes.destination[rows],
        probes.t1_ns[rows],
        probes.t2_ns[rows],
        probes.t3_ns[rows],
        probes.t4_ns[rows],
        probes.flags[rows],
        probes.source_epoch[rows],
        probes.destination_epoch[rows],
    )
