"""Simulated fleets and what the pipeline makes of them, solved once a run of tests; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, HostState, ProbeColumns, Reference
from noonmark.collector.pipeline import step
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

HONEST_KINDS = tuple(name for name, scenario in KINDS.items() if scenario.honest)
FAULTY_KINDS = tuple(name for name, scenario in KINDS.items() if not scenario.honest)


@dataclass(frozen=True)
class Solved:
    """One simulated window: its records, the truth, and the estimate from the records alone."""

    probes: ProbeColumns
    truth: Truth
    estimate: FleetEstimate

    @property
    def true_ns(self) -> np.ndarray:
        """Every host's time error at the estimate's instant."""
        return self.truth.offsets_ns(self.estimate.at_ns)

    @property
    def error_ns(self) -> np.ndarray:
        """Estimated less true, every host."""
        return self.estimate.offset_ns - self.true_ns

    @property
    def measured(self) -> np.ndarray:
        """Hosts of which something is claimed, references apart."""
        return np.array([state is HostState.MEASURED for state in self.estimate.state])

    @property
    def covered(self) -> np.ndarray:
        """Measured hosts whose error is within two standard uncertainties."""
        return (np.abs(self.error_ns) <= 2 * self.estimate.uncertainty_ns)[self.measured]

    @property
    def inside(self) -> np.ndarray:
        """Hosts, all of them, whose truth lies within the limits."""
        return (self.estimate.lower_ns <= self.true_ns) & (self.true_ns <= self.estimate.upper_ns)

    def found(self, *kinds: FindingKind) -> list[Finding]:
        """Findings of these kinds; of every kind but left-out rows if none is named."""
        wanted = set(kinds) or set(FindingKind) - {FindingKind.LEFT_OUT}
        return [finding for finding in self.estimate.findings if finding.kind in wanted]


@cache
def solved(kind: str, seed: int, hosts: int = 24, seconds: float = 60.0, epochs: bool = False) -> Solved:
    """Simulate a window of a kind of fleet and solve it against the references that it declares."""
    probes, truth = simulate(kind, hosts=hosts, seed=seed, seconds=seconds, epochs=epochs)
    return Solved(probes, truth, step(probes, references=truth.references))


def solve_again(probes: ProbeColumns, references: Sequence[Reference], at_ns: int | None = None) -> FleetEstimate:
    """The pipeline on changed records."""
    return step(probes, references=references, at_ns=at_ns)
