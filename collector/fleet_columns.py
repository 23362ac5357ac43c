"""A fleet's estimate with what its hosts say of themselves, in columns: who is fresh, and where each host is. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from noonmark.collector.budgets import FRESH_STATES
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, FleetEstimate, HostState, Int32
from noonmark.collector.metric_table import MOST_ZONES, OTHER_ZONES


class Facts(Protocol):
    """What a host says of itself."""

    @property
    def zone(self) -> str:
        """Where it is."""

    @property
    def role(self) -> str:
        """What it is for."""


@dataclass(frozen=True, slots=True)
class FleetColumns:
    """One row a host of the estimate (H)."""

    estimate: FleetEstimate
    labels: Mapping[str, tuple[str, str]]
    """Zone and role by host."""
    fresh: Bool
    """Whose numbers are published: measured now, with a finite uncertainty."""
    zones: tuple[str, ...]
    """Names of the zones in alphabetical order, the largest `MOST_ZONES` of them; `OTHER_ZONES` last if there are more.
    """
    zone: Int32
    """Index into `zones`."""

    @classmethod
    def of(cls, estimate: FleetEstimate, facts: Mapping[str, Facts]) -> FleetColumns:
        """Lay the columns out. A host that said nothing is in the zone without a name; one that spoke once and is not
        in the estimate any more is put in again, as unknown."""
        estimate = with_silent(estimate, facts)
        size = len(estimate.hosts)
        labels = {host: (said.zone, said.role) for host, said in facts.items()}
        nowhere = ("", "")
        every = [labels.get(host, nowhere)[0] for host in estimate.hosts]
        names, zone = _largest(every, MOST_ZONES)
        states = np.fromiter((state in FRESH_STATES for state in estimate.state), np.bool_, size)
        return cls(estimate, labels, np.asarray(states & np.isfinite(estimate.uncertainty_ns)), names, zone)


def with_silent(estimate: FleetEstimate, known: Iterable[str]) -> FleetEstimate:
    """The estimate and, at its end, those known hosts of which it says nothing: they must not go unnoticed."""
    there = set(estimate.hosts)
    missing = tuple(host for host in known if host not in there)
    if not missing:
        return estimate
    count = len(missing)
    nothing, unsure = np.zeros(count, np.int64), np.full(count, np.inf)
    limit = np.full(count, UNBOUNDED_NS, np.int64)
    return replace(
        estimate,
        hosts=estimate.hosts + missing,
        offset_ns=np.concatenate([estimate.offset_ns, nothing]),
        drift=np.concatenate([estimate.drift, np.zeros(count)]),
        uncertainty_ns=np.concatenate([estimate.uncertainty_ns, unsure]),
        drift_uncertainty=np.concatenate([estimate.drift_uncertainty, unsure]),
        lower_ns=np.concatenate([estimate.lower_ns, -limit]),
        upper_ns=np.concatenate([estimate.upper_ns, limit]),
        newest_ns=np.concatenate([estimate.newest_ns, nothing]),
        state=estimate.state + (HostState.UNKNOWN,) * count,
        component=np.concatenate([estimate.component, np.full(count, -1, np.int32)]),
    )


def _largest(values: list[str], most: int) -> tuple[tuple[str, ...], Int32]:
    """The commonest names and each value's index among them; all others share one index."""
    counts: dict[str, int] = {}
    for value in values:
        counts[value] = counts.get(value, 0) + 1
    kept = sorted(sorted(counts, key=lambda name: (-counts[name], name))[:most])
    number = {name: index for index, name in enumerate(kept)}
    if len(counts) > most:
        kept.append(OTHER_ZONES)
    indices = np.fromiter((number.get(value, most) for value in values), np.int32, len(values))
    return tuple(kept), indices
