"""Metrics for Prometheus, built anew at every scrape from the latest estimate; nothing is remembered here.

A host that left, or whose numbers went stale, is simply not there at the next scrape. Series of single hosts are
capped: a fleet of more than `SeriesLimits.hosts` hosts publishes its distributions, its totals and the worst few hosts
only (each agent exports its own host all the same). Names, types and texts are those of metric_table.py; what speaks of
single hosts is in exporter_hosts.py. Nothing unknown is exported as zero.
"""

from __future__ import annotations

import dataclasses
import importlib.metadata
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from prometheus_client.core import CounterMetricFamily, Metric
from prometheus_client.registry import Collector

from noonmark.collector.budget_columns import ANSWERS, hold
from noonmark.collector.budgets import Budgets
from noonmark.collector.estimate import UNBOUNDED_NS, HostState, Int64
from noonmark.collector.exporter_hosts import SeriesLimits, host_families, reference_families
from noonmark.collector.families import by_label, gauge, histogram, info, single
from noonmark.collector.fleet_columns import FleetColumns
from noonmark.collector.state import Published

__all__ = ["FleetCollector", "SeriesLimits"]

QUANTILES = (0.5, 0.9, 0.99, 1.0)
BUCKETS_SECONDS = (*(float(f"{step}e{power}") for power in range(-7, 3) for step in (1, 3)), 1000.0)


class FleetCollector(Collector):
    """A prometheus-client collector over the latest estimate.

    `latest` gives what was published last, or None. `statistics` gives a frozen dataclass of counts since start, each
    field of which becomes `noonmark_ingest_<field>_total`; the field's metadata may carry its HELP text as "help".
    `references` names the hosts that are declared to be references, whether heard of or not.
    """

    def __init__(
        self,
        latest: Callable[[], Published | None],
        statistics: Callable[[], Any] | None = None,
        *,
        budgets: Budgets | None = None,
        references: Sequence[str] = (),
        limits: SeriesLimits | None = None,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._latest = latest
        self._statistics = statistics
        self._budgets = budgets or Budgets()
        self._references = tuple(references)
        self._limits = limits or SeriesLimits()
        self._monotonic_ns = monotonic_ns

    def describe(self) -> Iterable[Metric]:
        """Nothing ahead of the scrape: registering must not need an estimate."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All families, of one and the same estimate."""
        yield info("build_info", [(importlib.metadata.version("noonmark"),)])
        if self._statistics is not None:
            yield from _counters(self._statistics())
        published = self._latest()
        yield single("collector_ready", 0.0 if published is None else 1.0)
        if self._budgets:
            yield by_label("budget_seconds", {budget.name: budget.tolerance_ns / 1e9 for budget in self._budgets.all})
        if published is None:
            return
        now_ns = self._monotonic_ns()
        fleet = FleetColumns.of(published.estimate, published.facts)
        held = hold(fleet.estimate, fleet.labels, self._budgets)
        yield from _tick(published, now_ns)
        yield from _fleet(fleet)
        if self._budgets:
            yield _budget_hosts(fleet, held.budget, held.fitness, self._budgets)
        yield from host_families(published, fleet, held, self._limits, now_ns)
        yield from reference_families(published, self._references)


def _counters(statistics: Any) -> Iterator[Metric]:
    for field in dataclasses.fields(statistics):
        value = getattr(statistics, field.name)
        if isinstance(value, int | float):
            yield CounterMetricFamily(f"noonmark_ingest_{field.name}", ingest_text(field), value=value)


def ingest_text(field: dataclasses.Field[Any]) -> str:
    """HELP of a count of the ingest."""
    return field.metadata.get("help") or f"Since the collector started: {field.name.replace('_', ' ')}."


def _tick(published: Published, monotonic_ns: int) -> Iterator[Metric]:
    estimate = published.estimate
    yield single("solve_duration_seconds", published.solve_seconds)
    yield single("tick_lateness_seconds", published.lateness_seconds)
    yield single("estimate_age_seconds", (monotonic_ns - published.published_monotonic_ns) / 1e9)
    yield single("estimate_window_seconds", estimate.window_ns / 1e9)
    yield by_label("findings", _tally(finding.kind for finding in estimate.findings))
    yield by_label("paths", _tally(estimate.paths.state))


def _tally(values: Iterable[str]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for value in values:
        counts[value] = counts.get(value, 0) + 1
    return counts


def _fleet(fleet: FleetColumns) -> Iterator[Metric]:
    estimate, fresh = fleet.estimate, fleet.fresh
    counts = _tally(estimate.state)
    yield gauge("fleet_hosts", (((state,), counts.get(state, 0)) for state in HostState))
    if not fresh.any():
        return
    error = np.abs(estimate.offset_ns[fresh]) / 1e9
    shares = zip(QUANTILES, np.quantile(error, QUANTILES).tolist(), strict=True)
    yield gauge("fleet_absolute_time_error_seconds", (((f"{share:g}",), value) for share, value in shares))
    yield from _largest_difference(estimate.offset_ns[fresh], estimate.lower_ns[fresh], estimate.upper_ns[fresh])
    yield _distribution(fleet)


def _largest_difference(offset: Int64, lower: Int64, upper: Int64) -> Iterator[Metric]:
    """Over all pairs max(x_a - x_b) = max x - min x; its certain limits follow from each host's own (see views.py)."""
    yield single("fleet_largest_difference_seconds", int(offset.max() - offset.min()) / 1e9)
    bounded = bool((np.abs(lower) < UNBOUNDED_NS).all() and (np.abs(upper) < UNBOUNDED_NS).all())
    widest = int(upper.max() - lower.min()) / 1e9 if bounded else float("inf")
    yield single("fleet_largest_difference_upper_limit_seconds", widest)
    yield single("fleet_largest_difference_lower_limit_seconds", max(0, int(lower.max()) - int(upper.min())) / 1e9)


def _distribution(fleet: FleetColumns) -> Metric:
    error = np.abs(fleet.estimate.offset_ns) / 1e9
    samples: dict[tuple[str, ...], tuple[list[tuple[str, float]], float]] = {}
    for number, zone in enumerate(fleet.zones):
        here = np.sort(error[fleet.fresh & (fleet.zone == number)])
        if len(here):
            counts = np.searchsorted(here, BUCKETS_SECONDS, side="right").tolist()
            buckets = [(f"{bound:g}", float(count)) for bound, count in zip(BUCKETS_SECONDS, counts, strict=True)]
            samples[zone,] = ([*buckets, ("+Inf", float(len(here)))], float(here.sum()))
    return histogram("fleet_absolute_time_error_distribution_seconds", samples)


def _budget_hosts(fleet: FleetColumns, budget: Any, fitness: Any, budgets: Budgets) -> Metric:
    """Every zone in which a budget has hosts tells all three answers, zeros too."""
    size = (len(budgets.all), len(fleet.zones), len(ANSWERS))
    counts = np.zeros(size, np.int64)
    has = budget >= 0
    np.add.at(counts, (budget[has], fleet.zone[has], fitness[has]), 1)
    samples = (
        ((budgets.all[row].name, fleet.zones[zone], str(answer)), float(counts[row, zone, column]))
        for row, zone in np.argwhere(counts.sum(axis=2)).tolist()
        for column, answer in enumerate(ANSWERS)
    )
    return gauge("budget_hosts", samples)
