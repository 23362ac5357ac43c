"""Of a long record, the probes near the asked instant: clocks are not straight for long. Pure."""

from __future__ import annotations

import numpy as np

from noonmark.collector.edges import pair_up, rough_paths
from noonmark.collector.estimate import Int64, ProbeColumns
from noonmark.collector.frames import rough_offsets
from noonmark.collector.rows import choose

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
    sample = choose(probes, every)
    pairing = pair_up(sample)
    rough = rough_paths(sample, pairing)
    hosts = len(probes.hosts)
    offset, _ = rough_offsets(hosts, pairing.first, pairing.second, rough.difference_ns, rough.round_trip_ns, roots)
    when = probes.t1_ns - offset[probes.source]
    away = np.abs(when - (int(when.max()) if at_ns is None else at_ns))
    nearest = max(int(np.partition(away, MANY)[MANY]), int(away.min()) + LEAST_SPAN_NS)
    return choose(probes, away <= nearest)
