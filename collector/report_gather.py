"""Gathers what a report of evidence needs, from a collector or a history at hand. Rim: only its source does I/O."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

from noonmark.collector.budgets import Budgets
from noonmark.collector.cli_options import Source
from noonmark.collector.history import History
from noonmark.collector.query_errors import NoData
from noonmark.collector.report import Evidence, HostEvidence, ReferenceEvidence, host_evidence
from noonmark.collector.report_chain import chains
from noonmark.collector.report_samples import Samples, from_course, from_history
from noonmark.collector.views import FindingView, FleetView

STATE_KINDS = frozenset({"reference-state", "source-fault", "claim-contradicted", "reference-disagrees", "leap-second"})
"""Findings that speak of how good a reference is."""


@dataclass(frozen=True, slots=True)
class Gathering:
    """How to look: two moments further apart than `reach_ns` have a gap between; `step_ns` apart at most, if kept."""

    step_ns: int
    reach_ns: int
    hosts: tuple[str, ...] = ()
    """Only these; empty: every host."""


def gather(
    source: Source, history: History | None, budgets: Budgets, since_ns: int, until_ns: int, how: Gathering
) -> Evidence:
    """The evidence of [since, until). Raises NoData where no host was ever known."""
    view = _fleet(source, until_ns)
    # A host that had left by the end still had its zone and role: the history keeps them.
    facts = history.places(until_ns - 1) if history is not None else {}
    facts |= {host.host: (host.zone, host.role) for host in view.hosts if host.zone or host.role} if view else {}
    names = how.hosts or source.span().hosts or tuple(host.host for host in (view.hosts if view else ()))
    if not names:
        raise NoData("no host is known yet")
    found: list[HostEvidence] = []
    without = []
    for name in sorted(names):
        zone, role = facts.get(name, ("", ""))
        policy = budgets.of(name, zone, role)
        if policy is None:
            without.append(name)
            continue
        samples = _samples(source, history, name, since_ns, until_ns, how)
        found.append(
            host_evidence(name, samples, policy, since_ns, until_ns, reach_ns=how.reach_ns, zone=zone, role=role)
        )
    findings = tuple(source.findings(since_ns, until_ns))
    references = view.references if view else ()
    return Evidence(
        since_ns,
        until_ns,
        budgets.all,
        tuple(found),
        _references(history, references, findings, since_ns, until_ns),
        chains([host.host for host in found], references, view.paths) if view else (),
        view.at_ns if view else None,
        findings,
        tuple(without),
    )


def _fleet(source: Source, until_ns: int) -> FleetView | None:
    """The fleet with its paths at the end of the stretch, or at the newest moment before it that is kept."""
    last_ns = source.span().last_ns
    moment = until_ns - 1 if last_ns is None else min(until_ns - 1, last_ns)
    try:
        return source.fleet(moment, paths=True)
    except NoData:
        return None


def _samples(
    source: Source, history: History | None, host: str, since_ns: int, until_ns: int, how: Gathering
) -> Samples:
    if history is not None:
        return from_history(history, host, since_ns, until_ns, step_ns=how.step_ns)
    return from_course(source.course(host, None, since_ns, until_ns, step_ns=0))


def _references(
    history: History | None, names: Iterable[str], findings: Iterable[FindingView], since_ns: int, until_ns: int
) -> tuple[ReferenceEvidence, ...]:
    """Each with the widest that was declared of it in that time."""
    declared: dict[str, tuple[float, float]] = {}
    if history is not None:
        for reference in itertools.chain.from_iterable(history.references(since_ns, until_ns)):
            uncertainty, limit = declared.get(reference.host, (0.0, 0.0))
            declared[reference.host] = max(uncertainty, reference.uncertainty_ns), max(limit, reference.limit_ns)
    told = [finding for finding in findings if finding.kind in STATE_KINDS]
    rows = []
    for name in dict.fromkeys([*names, *declared]):
        uncertainty_ns, limit_ns = declared.get(name, (None, None))
        rows.append(
            ReferenceEvidence(
                name,
                uncertainty_ns,
                limit_ns if limit_ns is not None and math.isfinite(limit_ns) else None,
                tuple(finding for finding in told if finding.concerns(name)),
            )
        )
    return tuple(rows)
