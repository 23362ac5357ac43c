"""What the metrics say of single hosts and of references: of all hosts, or in a large fleet of the worst few."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from prometheus_client.core import Metric

from noonmark.collector.budget_columns import ANSWERS, BudgetColumns
from noonmark.collector.budgets import COVERAGE_FACTOR, forecast
from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, Float64, Int64
from noonmark.collector.families import counter, gauge, info
from noonmark.collector.fleet_columns import FleetColumns
from noonmark.collector.state import Published

Rows = Sequence[int]


@dataclass(frozen=True, slots=True)
class SeriesLimits:
    """How many series may name a host."""

    hosts: int = 2_000
    """With more hosts than this only the worst are named."""
    worst: int = 50


def host_families(
    published: Published, fleet: FleetColumns, held: BudgetColumns, limits: SeriesLimits, monotonic_ns: int
) -> Iterator[Metric]:
    """All families with a `host` label, but those of references."""
    estimate = fleet.estimate
    total = len(estimate.hosts)
    named = list(range(total)) if total <= limits.hosts else _worst(fleet, held, limits.worst)
    yield gauge("series_hosts_limit", [((), limits.hosts)])
    yield gauge("series_hosts_omitted", [((), total - len(named))])
    rows = [row for row in named if fleet.fresh[row]]
    yield from _numbers(fleet, rows)
    yield from _budgets(fleet, held, named, rows)
    yield from _facts(published, fleet, named, monotonic_ns)
    yield from _findings(estimate.findings, {estimate.hosts[row] for row in named})


def _worst(fleet: FleetColumns, held: BudgetColumns, count: int) -> list[int]:
    """Rows of the hosts that a person should see first, in the fleet's order: by time error in multiples of the budget,
    then by time error; and the references, which are few."""
    estimate = fleet.estimate
    error = np.where(fleet.fresh, np.abs(estimate.offset_ns), -1)
    expanded = COVERAGE_FACTOR * np.where(fleet.fresh, estimate.uncertainty_ns, 0.0)
    tolerance = held.tolerance_ns
    used = np.where(fleet.fresh & (tolerance > 0), (error + expanded) / np.maximum(tolerance, 1), 0.0)
    order = np.lexsort((np.arange(len(error)), -error, -used))
    declared = {reference.host for reference in estimate.references}
    references = [row for row, host in enumerate(estimate.hosts) if host in declared] if declared else []
    return sorted({*order[:count].tolist(), *references})


def _numbers(fleet: FleetColumns, rows: Rows) -> Iterator[Metric]:
    estimate = fleet.estimate
    columns: Mapping[str, Float64] = {
        "time_error_seconds": estimate.offset_ns / 1e9,
        "time_error_standard_uncertainty_seconds": estimate.uncertainty_ns / 1e9,
        "time_error_lower_limit_seconds": _limit_seconds(estimate.lower_ns),
        "time_error_upper_limit_seconds": _limit_seconds(estimate.upper_ns),
        "drift_ratio": np.where(np.isfinite(estimate.drift), estimate.drift, np.nan),
        "drift_standard_uncertainty_ratio": estimate.drift_uncertainty,
    }
    for name, column in columns.items():
        yield gauge(f"host_{name}", _known(estimate.hosts, rows, column))


def _limit_seconds(limits: Int64) -> Float64:
    """Limits in seconds; none becomes an infinity, which Prometheus can compare."""
    return np.where(np.abs(limits) >= UNBOUNDED_NS, np.copysign(np.inf, limits), limits / 1e9)


def _known(hosts: Sequence[str], rows: Rows, column: Float64) -> Iterator[tuple[tuple[str], float]]:
    """Samples of those rows that are no NaN: unknown is absent."""
    for row, value in zip(rows, column[rows].tolist(), strict=True):
        if value == value:
            yield (hosts[row],), value


def _budgets(fleet: FleetColumns, held: BudgetColumns, named: Rows, rows: Rows) -> Iterator[Metric]:
    if not held.budgets:
        return
    hosts = fleet.estimate.hosts
    budget, tolerance = held.budget, held.tolerance_ns
    having = [row for row in named if budget[row] >= 0]
    yield gauge(
        "host_budget_seconds",
        (((hosts[row], held.budgets[budget[row]].name), float(tolerance[row]) / 1e9) for row in having),
    )
    yield gauge("host_budget_state", (((hosts[row], ANSWERS[held.fitness[row]]), 1.0) for row in having))
    fresh = [row for row in rows if budget[row] >= 0]
    yield gauge("host_budget_headroom_ratio", _known(hosts, fresh, held.headroom))
    expected, earliest = _time_left(fleet, fresh, tolerance)
    yield gauge("host_budget_time_left_seconds", expected)
    yield gauge("host_budget_time_left_lower_limit_seconds", earliest)


def _time_left(
    fleet: FleetColumns, rows: Rows, tolerance_ns: Int64
) -> tuple[list[tuple[tuple[str], float]], list[tuple[tuple[str], float]]]:
    estimate = fleet.estimate
    expected, earliest = [], []
    columns = (tolerance_ns, estimate.offset_ns, estimate.uncertainty_ns, estimate.drift, estimate.drift_uncertainty)
    for row, *numbers in zip(rows, *(column[list(rows)].tolist() for column in columns), strict=True):
        if all(map(math.isfinite, numbers)):
            told = forecast(*numbers)
            expected.append(((estimate.hosts[row],), told.expected_s))
            earliest.append(((estimate.hosts[row],), told.earliest_s))
    return expected, earliest


def _facts(published: Published, fleet: FleetColumns, rows: Rows, monotonic_ns: int) -> Iterator[Metric]:
    """State, silence and description: these stay for a stale host, whose numbers are gone."""
    estimate = fleet.estimate
    hosts, now_ns = estimate.hosts, published.now_ns(monotonic_ns)
    yield gauge("host_state", (((hosts[row], estimate.state[row]), 1.0) for row in rows))
    newest = ((hosts[row], int(estimate.newest_ns[row])) for row in rows)
    yield gauge(
        "host_last_probe_age_seconds", (((host,), max(0, now_ns - at_ns) / 1e9) for host, at_ns in newest if at_ns)
    )
    known = [(hosts[row], published.facts[hosts[row]]) for row in rows if hosts[row] in published.facts]
    spoke = [(host, facts.heard_monotonic_ns) for host, facts in known if facts.heard_monotonic_ns is not None]
    yield gauge("host_last_heard_age_seconds", (((host,), max(0, monotonic_ns - heard) / 1e9) for host, heard in spoke))
    told = [(host, facts) for host, facts in known if facts.asked is not None]
    yield counter("host_probes_sent_total", (((host,), facts.asked or 0) for host, facts in told))
    yield counter("host_probes_lost_total", (((host,), facts.unanswered or 0) for host, facts in told))
    yield info("host_info", ((host, facts.zone, facts.role) for host, facts in known))


def _findings(findings: Iterable[Finding], named: set[str]) -> Iterator[Metric]:
    counts: dict[tuple[str, str], float] = {}
    newest: dict[str, Finding] = {}
    for finding in findings:
        host = finding.host
        if host is None or host not in named:
            continue
        counts[host, str(finding.kind)] = counts.get((host, str(finding.kind)), 0.0) + 1
        step = finding.kind is FindingKind.STEP and finding.size_ns is not None
        if step and (host not in newest or finding.at_ns >= newest[host].at_ns):
            newest[host] = finding
    yield gauge("host_findings", sorted(counts.items()))
    yield gauge("host_step_seconds", (((host,), (step.size_ns or 0) / 1e9) for host, step in sorted(newest.items())))


def reference_families(published: Published, declared: Sequence[str]) -> Iterator[Metric]:
    """Whether each reference is there and agrees, and what it says of its own source."""
    estimate = published.estimate
    used = {reference.host: reference for reference in estimate.references}
    names = list(dict.fromkeys([*declared, *used]))
    if not names:
        return
    disagrees = {finding.host for finding in estimate.findings if finding.kind is FindingKind.REFERENCE_DISAGREES}
    yield gauge("reference_used", (((host,), float(host in used)) for host in names))
    yield gauge("reference_disagrees", (((host,), float(host in disagrees)) for host in names))
    told = [(host, published.facts[host]) for host in names if host in published.facts]
    yield gauge("reference_state", (((host, facts.reference_state), 1.0) for host, facts in told))
    without = [(host, facts.holdover_seconds) for host, facts in told if facts.holdover_seconds is not None]
    yield gauge("reference_holdover_seconds", (((host,), seconds) for host, seconds in without))
    uncertainty = ((host, reference.uncertainty_ns / 1e9) for host, reference in used.items())
    yield gauge("reference_declared_uncertainty_seconds", (((host,), value) for host, value in uncertainty))
