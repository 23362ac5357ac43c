"""The arrow in code: probe records in, the fleet's estimate out. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from noonmark.collector.assemble import assemble, rate_untold
from noonmark.collector.blame import to_blame
from noonmark.collector.common_error import leaning_on, with_rate_unknown
from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference
from noonmark.collector.judge import Accusation, judge
from noonmark.collector.jumps import without_jumps
from noonmark.collector.linefit import anchoring
from noonmark.collector.nearby import nearby
from noonmark.collector.odds import doubted, outvoted, seconds_lead, strained, torn_between
from noonmark.collector.recalled import recall
from noonmark.collector.rows import choose, of_current_epochs, usable
from noonmark.collector.settle import settle
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import survey_window

MOST_SUSPECTS = 12
"""Each named liar or wrong reference costs another fit; more at once are left contradicting, and say so."""


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
    lone = declared[0] if len(declared) == 1 else None
    if lone is not None and lone.uncertainty_ns > 0:
        # Its error is common to all: the fleet is solved as if it had none, and leans on it as a whole afterwards.
        declared = (Reference(lone.host),)
    tick = granularity(probes)
    good = usable(probes, tick)
    rows = choose(probes, good.rows & of_current_epochs(probes))
    if len(rows) == 0:
        raise ValueError("no usable probe to estimate from")
    named = {reference.host for reference in declared}
    roots = np.array([number for number, host in enumerate(probes.hosts) if host in named], dtype=np.int64)
    rows = nearby(rows, at_ns, roots, previous)
    rows, jumps = without_jumps(rows, tick, roots, at_ns)
    dropped: list[Reference] = []
    accused: list[Accusation] = []
    apart_ns, asked = 0.0, False
    while True:
        anchors = anchoring(probes.hosts, tuple(one for one in declared if one not in dropped))
        fit = partial(
            survey_window, anchors=anchors, tick_ns=tick, at_ns=at_ns, previous=previous, slots=settings.slots
        )
        again = recall(rows, anchors, tick, at_ns=at_ns, previous=previous, slots=settings.slots)
        settled = settle(rows, fit, again)
        if len(accused) + len(dropped) == MOST_SUSPECTS:
            break
        believed = tuple(one for one in declared if one not in dropped)
        if not asked and strained(settled.survey):
            asked = True
            first_alone = anchoring(probes.hosts, (Reference(believed[0].host),))
            free = settle(rows, partial(fit, anchors=first_alone)).survey
            wrong = outvoted(free, believed) if len(believed) > 2 else []
            if len(believed) == 2:
                apart_ns = seconds_lead(free, believed)
                declared = doubted(believed, apart_ns)
            dropped += wrong
            if wrong or apart_ns:
                continue
        suspect = to_blame(settled.survey, fit, probes, good, accused)
        if suspect is None:
            break
        honest = (rows.source != suspect.host) & (rows.destination != suspect.host)
        if suspect.host in anchors.declared:
            dropped += [one for one in declared if one.host == probes.hosts[suspect.host]]
        elif honest.any():
            accused.append(suspect)
            rows = choose(rows, honest)
        else:
            break
    settled = replace(settled, changes=(*settled.changes, *(jump.change(settled.survey) for jump in jumps)))
    verdict = judge(settled, accused, dropped, probes, good, torn_between(declared, apart_ns, settled.survey))
    estimate = assemble(settled, declared, verdict, settings.wander_ppb)
    if lone is None:
        return estimate
    estimate = estimate if lone in declared else leaning_on(estimate, lone)
    return with_rate_unknown(estimate) if estimate.references and rate_untold(settled.survey) else estimate


def with_defaults(references: tuple[Reference, ...], settings: Settings) -> tuple[Reference, ...]:
    """Give each of several references that declare no uncertainty the usual one; a single one stays exact."""
    if len(references) < 2:
        return references
    usual = settings.shared_reference_ns
    return tuple(
        reference if reference.uncertainty_ns > 0 else replace(reference, uncertainty_ns=usual, limit_ns=5 * usual)
        for reference in references
    )
