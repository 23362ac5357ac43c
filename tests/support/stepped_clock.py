"""Probes as they would be, had one clock jumped or changed its rate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.truth import Truth


def stepped(probes: ProbeColumns, truth: Truth, host: str, at_ns: int, by_ns: int) -> ProbeColumns:
    """The same probes, had one clock jumped."""
    number = truth.hosts.index(host)
    reading_ns = at_ns + int(truth.offsets_ns(at_ns)[number])

    def moved(stamps: np.ndarray, owner: np.ndarray) -> np.ndarray:
        return stamps + np.where((owner == number) & (stamps >= reading_ns), by_ns, 0)

    return replace(
        probes,
        t1_ns=moved(probes.t1_ns, probes.source),
        t2_ns=moved(probes.t2_ns, probes.destination),
        t3_ns=moved(probes.t3_ns, probes.destination),
        t4_ns=moved(probes.t4_ns, probes.source),
    )


def hastened(probes: ProbeColumns, truth: Truth, host: str, at_ns: int, by_ppb: float) -> ProbeColumns:
    """The same probes, had one clock changed its rate."""
    number = truth.hosts.index(host)
    reading_ns = at_ns + int(truth.offsets_ns(at_ns)[number])

    def moved(stamps: np.ndarray, owner: np.ndarray) -> np.ndarray:
        since = np.where((owner == number) & (stamps >= reading_ns), stamps - reading_ns, 0)
        return stamps + (since * (by_ppb * 1e-9)).astype(np.int64)

    return replace(
        probes,
        t1_ns=moved(probes.t1_ns, probes.source),
        t2_ns=moved(probes.t2_ns, probes.destination),
        t3_ns=moved(probes.t3_ns, probes.destination),
        t4_ns=moved(probes.t4_ns, probes.source),
    )
