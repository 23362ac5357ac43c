"""The arrow in code: probe records in, the fleet's estimate out. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from noonmark.collector.assemble import assemble
from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference
from noonmark.collector.judge import judge
from noonmark.collector.linefit import anchoring
from noonmark.collector.rows import choose, of_current_epochs, usable
from noonmark.collector.settle import settle
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import Survey, survey_window


@dataclass(frozen=True, slots=True)
class Settings:
    """What an estimate may assume."""

    slots: int = 24
    """Equal parts of the window, in each of which a path keeps its best probe each way."""
    wander_ppb: float = 1.0
    """How far from straight a clock may run within the window: limits allow this much for each second away from the
    asked instant, on top of the stamps' granularity."""
    shared_reference_ns: float = 100.0
    """Standard uncertainty of each of several references that declare none."""


def step(
    probes: ProbeColumns,
    *,
    references: Sequence[Reference],
    at_ns: int | None = None,
    previous: FleetEstimate | None = None,
    settings: Settings | None = None,
) -> FleetEstimate:
    """Estimate every clock of the fleet at one instant.

    `probes` are those of the window, of any hosts, in any order (of arrival, where they tell clock epochs). `at_ns` is
    reference time; None means the newest instant measured. Without references the fleet's weighted mean is the
    reference. `previous` makes the start warm and changes nothing else. Raises ValueError for a reference that no probe
    mentions, and where no probe is usable.
    """
    settings = settings or Settings()
    declared = with_defaults(tuple(references), settings)
    anchors = anchoring(probes.hosts, declared)
    tick = granularity(probes)
    good = usable(probes, tick)
    rows = choose(probes, good.rows & of_current_epochs(probes))
    if len(rows) == 0:
        raise ValueError("no usable probe to estimate from")

    def fit(chosen: ProbeColumns) -> Survey:
        return survey_window(chosen, anchors, tick, at_ns=at_ns, previous=previous, slots=settings.slots)

    settled = settle(rows, fit)
    verdict = judge(settled, probes, good, declared)
    return assemble(settled.survey, declared, verdict, settings.wander_ppb)


def with_defaults(references: tuple[Reference, ...], settings: Settings) -> tuple[Reference, ...]:
    """Give each of several references that declare no uncertainty the usual one; a single one stays exact."""
    if len(references) < 2:
        return references
    usual = settings.shared_reference_ns
    return tuple(
        reference if reference.uncertainty_ns > 0 else replace(reference, uncertainty_ns=usual, limit_ns=5 * usual)
        for reference in references
    )
