"""The arrow in code: probe records in, the fleet's estimate out. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference


@dataclass(frozen=True, slots=True)
class Settings:
    """What an estimate may assume."""

    drift_limit: float = 15e-6
    """Past the window's end limits widen at this rate where a clock's own drift limit is not known (RFC 5905's PHI)."""


def step(
    probes: ProbeColumns,
    *,
    references: Sequence[Reference],
    at_ns: int | None = None,
    previous: FleetEstimate | None = None,
    zones: Mapping[str, str] | None = None,
    settings: Settings | None = None,
) -> FleetEstimate:
    """Estimate every clock of the fleet at one instant.

    `probes` are those of the window, of any hosts, in any order. `at_ns` is reference time; None means the newest
    instant measured. Without references the fleet's weighted mean is the reference. `previous` makes the start warm and
    changes nothing else. Raises ValueError for a reference that no probe mentions.
    """
    raise NotImplementedError
