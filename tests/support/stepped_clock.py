"""Probes as they would be, had one clock jumped or changed its rate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.truth import Truth

Advance = Callable[[np.ndarray], np.ndarray]
"""What is added to stamps, whole ns, by how long after the change they were taken."""


def stepped(probes: ProbeColumns, truth: Truth, host: str, at_ns: int, by_ns: int) -> ProbeColumns:
    """The same probes, had one clock jumped."""
    return _changed(probes, truth, host, at_ns, lambda since_ns: np.full_like(since_ns, by_ns))


def hastened(probes: ProbeColumns, truth: Truth, host: str, at_ns: int, by_ppb: float) -> ProbeColumns:
    """The same probes, had one clock changed its rate."""
    return _changed(probes, truth, host, at_ns, lambda since_ns: (since_ns * (by_ppb * 1e-9)).astype(np.int64))


def _changed(probes: ProbeColumns, truth: Truth, host: str, at_ns: int, advance: Advance) -> ProbeColumns:
    number = truth.hosts.index(host)
    reading_ns = at_ns + int(truth.offsets_ns(at_ns)[number])

    def moved(stamps: np.ndarray, owner: np.ndarray) -> np.ndarray:
        return stamps + np.where((owner == number) & (stamps >= reading_ns), advance(stamps - reading_ns), 0)

    return replace(
        probes,
        t1_ns=moved(probes.t1_ns, probes.source),
        t2_ns=moved(probes.t2_ns, probes.destination),
        t3_ns=moved(probes.t3_ns, probes.destination),
        t4_ns=moved(probes.t4_ns, probes.source),
    )
