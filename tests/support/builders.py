"""Builders of estimates for tests: say what matters, get a whole `FleetEstimate`; pure, no randomness of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    Finding,
    FleetEstimate,
    HostState,
    Paths,
    PathState,
    Reference,
)

SECOND_NS = 10**9
# 2026-11-25T06:55:03Z, a moment like any other.
START_NS = 1_795_589_703 * SECOND_NS


@dataclass(frozen=True)
class Host:
    """One row: offset, standard uncertainty and half-widths of the limits in ns; drift in s/s."""

    name: str
    offset_ns: int = 0
    drift: float = 0.0
    uncertainty_ns: float = 1_000.0
    below_ns: int = 10_000
    above_ns: int = 10_000
    drift_uncertainty: float = 1e-8
    age_ns: int = 500_000_000
    state: HostState = HostState.MEASURED
    component: int = 0


def unknown(name: str, state: HostState = HostState.UNKNOWN) -> Host:
    """A host of which nothing is known."""
    return Host(name, 0, 0.0, float("inf"), UNBOUNDED_NS, UNBOUNDED_NS, float("inf"), state=state, component=1)


@dataclass(frozen=True)
class Path:
    """One row: y = b's clock - a's clock in ns, its standard uncertainty and half-widths of its limits."""

    a: str
    b: str
    offset_ns: int = 0
    uncertainty_ns: float = 1_000.0
    below_ns: int = 10_000
    above_ns: int = 10_000
    round_trip_ns: int = 20_000
    probes: int = 60
    asked: tuple[bool, bool] = (True, True)
    residual_ns: float = 0.0
    state: PathState = PathState.CLOSED


def _limit(value: int) -> int:
    return max(-UNBOUNDED_NS, min(UNBOUNDED_NS, value))


def build_paths(paths: Sequence[Path], row: Mapping[str, int]) -> Paths:
    """Columns from rows; a and b are put in the order of the hosts, with y's sign turned if need be."""
    ordered = []
    for path in paths:
        if row[path.a] < row[path.b]:
            ordered.append(path)
            continue
        turned = Path(
            path.b,
            path.a,
            -path.offset_ns,
            path.uncertainty_ns,
            path.above_ns,
            path.below_ns,
            path.round_trip_ns,
            path.probes,
            (path.asked[1], path.asked[0]),
            -path.residual_ns,
            path.state,
        )
        ordered.append(turned)
    return Paths(
        first=np.array([row[p.a] for p in ordered], np.int32),
        second=np.array([row[p.b] for p in ordered], np.int32),
        probes=np.array([p.probes for p in ordered], np.int64),
        asked=np.array([p.asked for p in ordered], np.bool_).reshape(-1, 2),
        min_round_trip_ns=np.array([p.round_trip_ns for p in ordered], np.int64),
        offset_ns=np.zeros(len(ordered)),
        base_ns=np.array([p.offset_ns for p in ordered], np.int64),
        variance_ns2=np.array([p.uncertainty_ns**2 for p in ordered], np.float64),
        lower_ns=np.array([p.offset_ns - p.below_ns for p in ordered], np.int64),
        upper_ns=np.array([p.offset_ns + p.above_ns for p in ordered], np.int64),
        residual_ns=np.array([p.residual_ns for p in ordered], np.float64),
        state=tuple(p.state for p in ordered),
    )


def build(
    hosts: Sequence[Host],
    paths: Sequence[Path] = (),
    *,
    at_ns: int = START_NS,
    window_ns: int = 60 * SECOND_NS,
    references: Sequence[str] = (),
    findings: Sequence[Finding] = (),
) -> FleetEstimate:
    """An estimate with these rows. `references` are marked so in `state`; several of them differ by up to 2.5 µs."""
    names = tuple(host.name for host in hosts)
    row = {name: index for index, name in enumerate(names)}
    return FleetEstimate(
        at_ns=at_ns,
        window_ns=window_ns,
        hosts=names,
        references=tuple(
            Reference(name) if len(references) == 1 else Reference(name, 200.0, 2_500.0) for name in references
        ),
        offset_ns=np.array([host.offset_ns for host in hosts], np.int64),
        drift=np.array([host.drift for host in hosts], np.float64),
        uncertainty_ns=np.array([host.uncertainty_ns for host in hosts], np.float64),
        drift_uncertainty=np.array([host.drift_uncertainty for host in hosts], np.float64),
        lower_ns=np.array([_limit(host.offset_ns - host.below_ns) for host in hosts], np.int64),
        upper_ns=np.array([_limit(host.offset_ns + host.above_ns) for host in hosts], np.int64),
        newest_ns=np.array([0 if host.state is HostState.UNKNOWN else at_ns - host.age_ns for host in hosts], np.int64),
        state=tuple(HostState.REFERENCE if host.name in references else host.state for host in hosts),
        component=np.array([host.component for host in hosts], np.int32),
        paths=build_paths(paths, row),
        findings=tuple(findings),
    )


def ferry(at_ns: int = START_NS, *, findings: Sequence[Finding] = ()) -> FleetEstimate:
    """The three harbours in small: two references, a fast gate, a slow database, a silent sensor, an unknown."""
    hosts = [
        Host("quay-ref", 0, 0.0, 0.0, 0, 0),
        Host("skerry-ref", 300, 0.0, 400.0, 2_000, 2_000),
        Host("quay-gate-2", 1_840_000, 12e-6, 9_000.0, 210_000, 250_000),
        Host("holm-db-1", -3_120, -2e-7, 700.0, 15_000, 16_000),
        Host("holm-berth-1", 52_000, 1e-6, 4_000.0, 90_000, 90_000, age_ns=95 * SECOND_NS, state=HostState.STALE),
        unknown("skerry-gate-1", HostState.NO_ROUTE),
    ]
    paths = [
        Path("quay-ref", "skerry-ref", 290, 500.0, 2_500, 2_500, 5_000),
        Path("quay-ref", "quay-gate-2", 1_841_000, 9_500.0, 211_000, 249_000, 480_000, asked=(True, False)),
        Path("skerry-ref", "holm-db-1", -3_400, 900.0, 16_000, 16_000, 32_000, state=PathState.UNTESTED),
        Path(
            "quay-gate-2",
            "holm-db-1",
            -1_830_000,
            10_000.0,
            300_000,
            300_000,
            610_000,
            residual_ns=13_120.0,
            state=PathState.ASYMMETRIC,
        ),
    ]
    return build(hosts, paths, at_ns=at_ns, references=["quay-ref", "skerry-ref"], findings=findings)
