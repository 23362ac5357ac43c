"""Estimates of a small invented fleet over time, with known truth: what a history is fed with in tests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from builders import SECOND_NS, START_NS, Host, Path, build

from noonmark.collector.estimate import Finding, FleetEstimate, HostState

TICK_NS = 5 * SECOND_NS


@dataclass(frozen=True)
class Clock:
    """A clock that drifts evenly and may be set once."""

    name: str
    offset_ns: float = 0.0
    drift: float = 0.0
    set_at_ns: int | None = None
    set_by_ns: float = 0.0

    def error_ns(self, at_ns: int) -> float:
        """Its true time error."""
        jump = self.set_by_ns if self.set_at_ns is not None and at_ns >= self.set_at_ns else 0.0
        return self.offset_ns + self.drift * (at_ns - START_NS) + jump


FERRY = (
    Clock("quay-ref"),
    Clock("quay-gate-1", 1_840_000.0, 12e-6),
    Clock("holm-db-1", -3_120.0, -2e-7),
    Clock("skerry-berth-1", 52_000.0, 3e-6),
)
PAIRS = ((0, 1), (0, 2), (1, 2), (2, 3), (1, 3))


def estimate_of(
    clocks: Sequence[Clock], at_ns: int, random: np.random.Generator, *, findings: Sequence[Finding] = ()
) -> FleetEstimate:
    """Limits always hold the truth; the first clock is the reference."""
    hosts, paths = [], []
    seen = []
    for clock in clocks:
        truth = clock.error_ns(at_ns)
        noise = 0.0 if clock is clocks[0] else random.normal(0, 300)
        offset = round(truth + noise)
        seen.append(offset)
        slack = 0 if clock is clocks[0] else 8_000 + int(random.integers(0, 2_000))
        hosts.append(
            Host(
                clock.name,
                offset,
                clock.drift,
                0.0 if clock is clocks[0] else 350.0,
                max(0, offset - int(np.floor(truth - slack))),
                max(0, int(np.ceil(truth + slack)) - offset),
                2e-9,
                state=HostState.MEASURED,
            )
        )
    for a, b in PAIRS:
        if b < len(clocks):
            truth = clocks[b].error_ns(at_ns) - clocks[a].error_ns(at_ns)
            offset = round(truth + random.normal(0, 300))
            low, high = int(np.floor(truth - 5_000)), int(np.ceil(truth + 5_000))
            paths.append(Path(clocks[a].name, clocks[b].name, offset, 400.0, offset - low, high - offset, 10_000))
    return build(hosts, paths, at_ns=at_ns, references=[clocks[0].name], findings=findings)


def ticks(
    count: int, clocks: Sequence[Clock] = FERRY, *, since_ns: int = START_NS, tick_ns: int = TICK_NS, seed: int = 7
) -> Iterator[FleetEstimate]:
    """So many ticks of the fleet."""
    random = np.random.default_rng(seed)
    for number in range(count):
        yield estimate_of(clocks, since_ns + number * tick_ns, random)
