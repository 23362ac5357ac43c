"""Of a long record, the probes near the asked instant: clocks are not straight for long. Pure."""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Int64, ProbeColumns
from noonmark.collector.frames import rough_offsets
from noonmark.collector.pairing import pair_up, rough_paths
from noonmark.collector.rows import choose
from noonmark.collector.rowwise import BLOCK, blocks, by_rows

MANY = 3_000_000
"""Up to so many probes are all used, however long they took."""
LEAST_SPAN_NS = 120_000_000_000
"""Of more, at least those of this long a window, on whichever side of the asked instant they lie."""
SAMPLE = 400_000


def nearby(probes: ProbeColumns, at_ns: int | None, roots: Int64) -> ProbeColumns:
    """The probes nearest to `at_ns` (None: to the newest), MANY of them, or more if LEAST_SPAN_NS holds more.

    Rough clocks from a sample date each probe by its source's clock, which is good enough to choose by.
    """
    if len(probes) <= MANY:
        return probes
    every = np.zeros(len(probes), dtype=bool)
    every[:: max(1, len(probes) // SAMPLE)] = True
    sample, pairing = pair_up(choose(probes, every))
    rough = rough_paths(sample, pairing)
    hosts = len(probes.hosts)
    offset, _ = rough_offsets(hosts, pairing.first, pairing.second, rough.difference_ns, rough.round_trip_ns, roots)
    (when,) = by_rows(
        lambda rows: (probes.t1_ns[rows] - offset[probes.source[rows]],), len(probes), blocks(len(probes), 4 * BLOCK)
    )
    latest = int(when.max())
    if latest - int(when.min()) <= LEAST_SPAN_NS and (at_ns is None or at_ns >= latest):
        return probes
    away = np.abs(when - (latest if at_ns is None else at_ns))
    nearest = max(int(np.partition(away, MANY)[MANY]), int(away.min()) + LEAST_SPAN_NS)
    return choose(probes, away <= nearest)
