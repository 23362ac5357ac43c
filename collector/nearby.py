"""Of a long record, the probes near the asked instant: clocks are not straight for long. Pure."""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import FleetEstimate, Int64, ProbeColumns
from noonmark.collector.frames import rough_offsets
from noonmark.collector.pairing import pair_up, rough_paths
from noonmark.collector.rows import choose
from noonmark.collector.rowwise import BLOCK, blocks, by_rows

MANY = 3_000_000
"""Up to so many probes are all used, however long they took."""
LEAST_SPAN_NS = 120_000_000_000
"""Of more, at least those of this long a window, on whichever side of the asked instant they lie."""
SAMPLE = 400_000


def nearby(
    probes: ProbeColumns, at_ns: int | None, roots: Int64, previous: FleetEstimate | None = None
) -> ProbeColumns:
    """The probes nearest to `at_ns` (None: to the newest), MANY of them, or more if LEAST_SPAN_NS holds more.

    Rough clocks from a sample date each probe by its source's clock, which is good enough to choose by. By the clocks
    of the estimate before it may be seen at once that nothing is too far away.
    """
    if len(probes) <= MANY:
        return probes
    if previous is not None and previous.hosts == probes.hosts and bool(np.isfinite(previous.uncertainty_ns).all()):
        when = _when(probes, previous.offset_ns)
        if int(when.max()) - int(when.min()) <= LEAST_SPAN_NS and (at_ns is None or at_ns >= int(when.max())):
            return probes
    when = _when(probes, _rough_clocks(probes, roots))
    away = np.abs(when - (int(when.max()) if at_ns is None else at_ns))
    nearest = max(int(np.partition(away, MANY)[MANY]), int(away.min()) + LEAST_SPAN_NS)
    return choose(probes, away <= nearest)


def _when(probes: ProbeColumns, offset_ns: Int64) -> Int64:
    (when,) = by_rows(
        lambda rows: (probes.t1_ns[rows] - offset_ns[probes.source[rows]],), len(probes), blocks(len(probes), 2 * BLOCK)
    )
    return when


def _rough_clocks(probes: ProbeColumns, roots: Int64) -> Int64:
    """Each host's offset (H,), from a sample of the probes."""
    every = np.zeros(len(probes), dtype=bool)
    every[:: max(1, len(probes) // SAMPLE)] = True
    sample, pairing = pair_up(choose(probes, every))
    rough = rough_paths(sample, pairing)
    hosts = len(probes.hosts)
    offset, _ = rough_offsets(hosts, pairing.first, pairing.second, rough.difference_ns, rough.round_trip_ns, roots)
    return offset
