"""Which probe records can be used at all. Pure."""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.estimate import Bool, Float64, Int64, ProbeColumns
from noonmark.collector.rowwise import BLOCK, blocks, by_rows, each

STEEPEST = 1e-3
"""Two honest clocks differ in rate by no more than this: over a long turnaround that looks like a shorter trip."""
ROUNDING_NS = 10
"""Wire formats keep time to a quarter of a nanosecond; stamps may be rounded twice."""


@dataclass(frozen=True, slots=True)
class Usable:
    """(N,) marks: what may be used, what is left out because it took less than no time, and what because the answerer
    sent its reply, by its own stamps, before it had the request."""

    rows: Bool
    negative: Bool
    early: Bool


def usable(probes: ProbeColumns, tick_ns: Int64) -> Usable:
    """Leave out records that no honest pair of clocks can make.

    These are replies that left before they came (t3 < t2, t4 < t1), and round trips shorter than nothing by more than
    the clocks' ticks (H,) explain. Records of a host with itself are left out too.
    """

    def work(rows: slice) -> tuple[Bool, Bool, Bool]:
        source, destination = probes.source[rows], probes.destination[rows]
        turnaround = probes.t3_ns[rows] - probes.t2_ns[rows]
        whole = probes.t4_ns[rows] - probes.t1_ns[rows]
        round_trip = whole - turnaround
        useless = (whole < 0) | (turnaround < 0)
        below = np.flatnonzero((round_trip < 0) & ~useless)
        useless |= source == destination
        negative = np.zeros(len(whole), dtype=bool)
        ticks = tick_ns[source[below]] + tick_ns[destination[below]]
        negative[below] = round_trip[below] < -allowed_below_zero_ns(ticks, turnaround[below])
        return ~(useless | negative), negative, turnaround < 0

    return Usable(*by_rows(work, len(probes), blocks(len(probes), 2 * BLOCK)))


def allowed_below_zero_ns(ticks_ns: Int64, turnaround_ns: Int64) -> Float64:
    """How far below zero an honest round trip may seem: both clocks' ticks, rounding, and rates over the turnaround."""
    return ROUNDING_NS + np.where(ticks_ns > 2, ticks_ns, 0) + np.abs(turnaround_ns).astype(np.float64) * STEEPEST


def of_current_epochs(probes: ProbeColumns) -> Bool:
    """Records (N,) in which every clock that tells its epoch tells the newest one.

    A host's newest epoch is the one it told last, rows being in order of arrival; its own word goes before its peers'.
    """
    newest = np.zeros(len(probes.hosts), dtype=np.int64)
    ends = (probes.destination, probes.destination_epoch), (probes.source, probes.source_epoch)
    for host, epoch in ends:
        told = np.flatnonzero(epoch)
        newest[host[told]] = epoch[told]
    if not newest.any():
        return np.ones(len(probes), dtype=bool)

    def work(rows: slice) -> tuple[Bool]:
        good = np.ones(rows.stop - rows.start, dtype=bool)
        for host, epoch in ends:
            good &= (epoch[rows] == 0) | (epoch[rows] == newest[host[rows]])
        return (good,)

    return by_rows(work, len(probes), blocks(len(probes), 2 * BLOCK))[0]


def choose(probes: ProbeColumns, rows: Bool) -> ProbeColumns:
    """Some of the records; the same object where none is left out."""
    if rows.all():
        return probes
    cuts = blocks(len(rows), 4 * BLOCK)
    counts = [int(np.count_nonzero(rows[cut])) for cut in cuts]
    ends = dict(zip((cut.start for cut in cuts), accumulate(counts), strict=True))
    total = sum(counts)
    columns = [getattr(probes, column.name) for column in fields(probes) if column.name != "hosts"]
    # What is the same in all rows, as epochs that nobody tells, stays one number.
    kept = [
        np.broadcast_to(column[0], total) if _constant(column) else np.empty(total, column.dtype) for column in columns
    ]

    def copy(cut: slice) -> None:
        own, end = rows[cut], ends[cut.start]
        for column, part in zip(columns, kept, strict=True):
            if not _constant(column):
                some = column[cut][own]
                part[end - len(some) : end] = some

    each(copy, cuts)
    return ProbeColumns(probes.hosts, *kept)


def _constant(column: NDArray[Any]) -> bool:
    return column.strides == (0,) and len(column) > 0
