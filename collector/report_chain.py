"""The chain by which each host's clock is traced to a reference: the path of least round trips. Pure, free of numpy.

Traceability (JCGM 200, 2.41) needs an unbroken chain of comparisons, each with its uncertainty. All paths of the mesh
enter the estimate; shown is the chain that bounds the error tightest: half the least round trip of each step is what
asymmetry can hide there at most.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from noonmark.collector.views import PathView


@dataclass(frozen=True, slots=True)
class Step:
    """One comparison of the chain."""

    host: str
    """Nearer to the reference."""
    probes: int
    min_round_trip_ns: int
    state: str
    """closed, asymmetric, contradicted, untested."""


@dataclass(frozen=True, slots=True)
class Chain:
    """From a host to its reference; no step for a reference, None where there is no way."""

    host: str
    reference: str | None
    steps: tuple[Step, ...] = ()

    @property
    def asymmetry_limit_ns(self) -> int:
        """Half of all least round trips."""
        return sum(step.min_round_trip_ns for step in self.steps) // 2


@dataclass(frozen=True, slots=True)
class _Way:
    round_trips_ns: int
    reference: str
    step: Step | None
    before: str


def chains(hosts: Iterable[str], references: Iterable[str], paths: Iterable[PathView]) -> tuple[Chain, ...]:
    """One chain a host, in the order given. Paths that are contradicted are not used."""
    neighbours = _neighbours(paths)
    ways: dict[str, _Way] = {}
    waiting: list[tuple[int, str, str, str]] = [(0, name, name, "") for name in sorted(set(references))]
    heapq.heapify(waiting)
    while waiting:
        round_trips_ns, host, reference, before = heapq.heappop(waiting)
        if host in ways:
            continue
        step = _step(before, neighbours[before][host]) if before else None
        ways[host] = _Way(round_trips_ns, reference, step, before)
        for other, path in neighbours.get(host, {}).items():
            if other not in ways:
                heapq.heappush(waiting, (round_trips_ns + path.min_round_trip_ns, other, reference, host))
    return tuple(_chain(host, ways) for host in hosts)


def _neighbours(paths: Iterable[PathView]) -> Mapping[str, dict[str, PathView]]:
    found: dict[str, dict[str, PathView]] = {}
    for path in paths:
        if path.state == "contradicted":
            continue
        for one, other in ((path.source, path.destination), (path.destination, path.source)):
            known = found.setdefault(one, {}).get(other)
            if known is None or path.min_round_trip_ns < known.min_round_trip_ns:
                found[one][other] = path
    return found


def _step(host: str, path: PathView) -> Step:
    return Step(host, path.probes, path.min_round_trip_ns, path.state)


def _chain(host: str, ways: Mapping[str, _Way]) -> Chain:
    if host not in ways:
        return Chain(host, None)
    steps = []
    at = host
    while (way := ways[at]).step is not None:
        steps.append(way.step)
        at = way.before
    return Chain(host, ways[host].reference, tuple(steps))
