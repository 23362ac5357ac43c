"""Metrics for Prometheus, built anew at every scrape from the latest estimate; nothing is remembered here.

A host that left, or whose numbers went stale, is simply not there at the next scrape. Series of single hosts are
capped: a fleet of more than `SeriesLimits.hosts` hosts publishes its distributions, its totals and the worst few hosts
only (each agent exports its own host all the same). Names follow the Prometheus conventions: base units, one unit a
name, few labels; the sign of an error is stated in its HELP text. Nothing unknown is exported as zero.
"""

from __future__ import annotations

import dataclasses
import importlib.metadata
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeHistogramMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, HostState, Int64
from noonmark.collector.state import Published

QUANTILES = (0.5, 0.9, 0.99, 1.0)
BUCKETS_SECONDS = (*(float(f"{step}e{power}") for power in range(-7, 3) for step in (1, 3)), 1000.0)
_FRESH = frozenset({HostState.REFERENCE, HostState.MEASURED})


@dataclass(frozen=True, slots=True)
class SeriesLimits:
    """How many series may name a host."""

    hosts: int = 2_000
    """With more hosts than this only the worst are named."""
    worst: int = 50


@dataclass(frozen=True, slots=True)
class _HostGauge:
    """One metric with a `host` label: its name, its meaning, and the column of values in seconds or as a ratio."""

    name: str
    text: str
    values: Float64


class FleetCollector(Collector):
    """A prometheus-client collector over the latest estimate.

    `latest` gives what was published last, or None. `statistics` gives a frozen dataclass of counts since start, each
    field of which becomes `noonmark_ingest_<field>_total`; the field's metadata may carry its HELP text as "help".
    """

    def __init__(
        self,
        latest: Callable[[], Published | None],
        statistics: Callable[[], Any] | None = None,
        *,
        limits: SeriesLimits | None = None,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._latest = latest
        self._statistics = statistics
        self._limits = limits or SeriesLimits()
        self._monotonic_ns = monotonic_ns

    def describe(self) -> Iterable[Metric]:
        """Nothing ahead of the scrape: registering must not need an estimate."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All families, of one and the same estimate."""
        build = InfoMetricFamily("noonmark_build", "The collector's version.")
        build.add_metric((), {"version": importlib.metadata.version("noonmark")})
        yield build
        if self._statistics is not None:
            yield from _counters(self._statistics())
        published = self._latest()
        yield _gauge(
            "noonmark_collector_ready",
            "1 once there is an estimate, 0 before.",
            0.0 if published is None else 1.0,
        )
        if published is not None:
            yield from _tick(published, self._monotonic_ns())
            yield from _fleet(published)
            yield from _hosts(published, self._limits, self._monotonic_ns())


def _gauge(name: str, text: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, text, value=value)


def _counters(statistics: Any) -> Iterator[Metric]:
    for field in dataclasses.fields(statistics):
        value = getattr(statistics, field.name)
        if isinstance(value, int | float):
            text = field.metadata.get("help") or f"Since the collector started: {field.name.replace('_', ' ')}."
            yield CounterMetricFamily(f"noonmark_ingest_{field.name}", text, value=value)


def _tick(published: Published, monotonic_ns: int) -> Iterator[Metric]:
    estimate = published.estimate
    yield _gauge(
        "noonmark_solve_duration_seconds", "How long the latest estimate took to calculate.", published.solve_seconds
    )
    yield _gauge(
        "noonmark_tick_lateness_seconds",
        "How much later than planned the latest calculation began.",
        published.lateness_seconds,
    )
    age = (monotonic_ns - published.published_monotonic_ns) / 1e9
    yield _gauge("noonmark_estimate_age_seconds", "Time since the latest estimate's instant (monotonic).", age)
    yield _gauge(
        "noonmark_estimate_window_seconds", "Span of the probes behind the latest estimate.", estimate.window_ns / 1e9
    )
    findings = GaugeMetricFamily("noonmark_findings", "Findings in the latest estimate, by kind.", labels=("kind",))
    for kind, count in sorted(_tally(finding.kind for finding in estimate.findings).items()):
        findings.add_metric((kind,), count)
    yield findings
    paths = GaugeMetricFamily("noonmark_paths", "Pairs of hosts that exchange probes, by state.", labels=("state",))
    for state, count in sorted(_tally(estimate.paths.state).items()):
        paths.add_metric((state,), count)
    yield paths


def _tally(values: Iterable[str]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for value in values:
        counts[value] = counts.get(value, 0) + 1
    return counts


def _fresh(published: Published) -> Bool:
    """(H,) which hosts' numbers are published: measured now, with a finite uncertainty."""
    estimate = published.estimate
    states = np.fromiter((state in _FRESH for state in estimate.state), np.bool_, len(estimate.state))
    return np.asarray(states & np.isfinite(estimate.uncertainty_ns))


def _fleet(published: Published) -> Iterator[Metric]:
    estimate = published.estimate
    states = GaugeMetricFamily("noonmark_fleet_hosts", "Hosts known to the collector, by state.", labels=("state",))
    counts = _tally(estimate.state)
    for state in HostState:
        states.add_metric((state,), counts.get(state, 0))
    yield states
    fresh = _fresh(published)
    if not fresh.any():
        return
    error = np.abs(estimate.offset_ns[fresh]) / 1e9
    quantiles = GaugeMetricFamily(
        "noonmark_fleet_absolute_time_error_seconds",
        "Absolute time error against the reference that this share of the measured hosts does not exceed.",
        labels=("share",),
    )
    for quantile, value in zip(QUANTILES, np.quantile(error, QUANTILES), strict=True):
        quantiles.add_metric((f"{quantile:g}",), float(value))
    yield quantiles
    yield from _largest_difference(estimate.offset_ns[fresh], estimate.lower_ns[fresh], estimate.upper_ns[fresh])
    yield _distribution(published, fresh)


def _largest_difference(offset: Int64, lower: Int64, upper: Int64) -> Iterator[Metric]:
    """Over all pairs max(x_a - x_b) = max x - min x; its certain limits follow from each host's own (see views.py)."""
    yield _gauge(
        "noonmark_fleet_largest_difference_seconds",
        "Estimated difference of the two measured hosts whose clocks are furthest apart.",
        int(offset.max() - offset.min()) / 1e9,
    )
    bounded = bool((np.abs(lower) < UNBOUNDED_NS).all() and (np.abs(upper) < UNBOUNDED_NS).all())
    yield _gauge(
        "noonmark_fleet_largest_difference_upper_limit_seconds",
        "Certain: no two measured hosts' clocks are further apart than this; +Inf if a host without limits is among "
        "them.",
        int(upper.max() - lower.min()) / 1e9 if bounded else float("inf"),
    )
    yield _gauge(
        "noonmark_fleet_largest_difference_lower_limit_seconds",
        "Certain: some two measured hosts' clocks are at least this far apart.",
        max(0, int(lower.max()) - int(upper.min())) / 1e9,
    )


def _distribution(published: Published, fresh: Bool) -> Metric:
    estimate = published.estimate
    family = GaugeHistogramMetricFamily(
        "noonmark_fleet_absolute_time_error_distribution_seconds",
        "Measured hosts by absolute time error against the reference, now; by zone.",
        labels=("zone",),
    )
    zones: dict[str, list[int]] = {}
    for row in np.flatnonzero(fresh).tolist():
        facts = published.facts.get(estimate.hosts[row])
        zones.setdefault(facts.zone if facts else "", []).append(row)
    for zone, rows in sorted(zones.items()):
        error = np.sort(np.abs(estimate.offset_ns[rows]) / 1e9)
        counts = np.searchsorted(error, BUCKETS_SECONDS, side="right")
        buckets = [(f"{bound:g}", float(count)) for bound, count in zip(BUCKETS_SECONDS, counts, strict=True)]
        family.add_metric((zone,), [*buckets, ("+Inf", float(len(error)))], gsum_value=float(error.sum()))
    return family


def _limit_seconds(limits: Int64) -> Float64:
    """Limits in seconds; none becomes an infinity, which Prometheus can compare."""
    return np.where(np.abs(limits) >= UNBOUNDED_NS, np.copysign(np.inf, limits), limits / 1e9)


def _hosts(published: Published, limits: SeriesLimits, monotonic_ns: int) -> Iterator[Metric]:
    estimate = published.estimate
    total = len(estimate.hosts)
    capped = total > limits.hosts
    fresh = _fresh(published)
    named = np.arange(total)
    if capped:
        badness = np.where(fresh, np.abs(estimate.offset_ns), -1)
        worst = np.argsort(-badness, kind="stable")[: limits.worst]
        named = np.sort(worst)
    yield _gauge("noonmark_series_hosts_limit", "Most hosts that get series of their own.", limits.hosts)
    yield _gauge(
        "noonmark_series_hosts_omitted",
        "Hosts without series of their own, because the fleet is larger than the limit.",
        total - len(named),
    )
    rows = [row for row in named.tolist() if fresh[row]]
    for gauge in _host_gauges(published):
        family = GaugeMetricFamily(gauge.name, gauge.text, labels=("host",))
        for row, value in zip(rows, gauge.values[rows].tolist(), strict=True):
            if value == value:  # not a NaN: unknown is absent
                family.add_metric((estimate.hosts[row],), value)
        yield family
    yield from _host_facts(published, named.tolist(), monotonic_ns)


def _host_gauges(published: Published) -> Iterator[_HostGauge]:
    estimate = published.estimate
    yield _HostGauge(
        "noonmark_host_time_error_seconds",
        "Host's clock minus the reference, estimated. Positive: the host's clock is ahead.",
        estimate.offset_ns / 1e9,
    )
    yield _HostGauge(
        "noonmark_host_time_error_standard_uncertainty_seconds",
        "Standard uncertainty (k=1) of the host's time error.",
        estimate.uncertainty_ns / 1e9,
    )
    yield _HostGauge(
        "noonmark_host_time_error_lower_limit_seconds",
        "Certain lower limit of the host's time error; -Inf: none.",
        _limit_seconds(estimate.lower_ns),
    )
    yield _HostGauge(
        "noonmark_host_time_error_upper_limit_seconds",
        "Certain upper limit of the host's time error; +Inf: none.",
        _limit_seconds(estimate.upper_ns),
    )
    yield _HostGauge(
        "noonmark_host_drift_ratio",
        "Host's fractional frequency error, seconds per second. Positive: the host's clock gains.",
        np.where(np.isfinite(estimate.drift), estimate.drift, np.nan),
    )
    yield _HostGauge(
        "noonmark_host_drift_standard_uncertainty_ratio",
        "Standard uncertainty (k=1) of the host's drift.",
        estimate.drift_uncertainty,
    )


def _host_facts(published: Published, rows: Iterable[int], monotonic_ns: int) -> Iterator[Metric]:
    """State, silence and description: these stay for a stale host, whose numbers are gone."""
    estimate = published.estimate
    state = GaugeMetricFamily(
        "noonmark_host_state", "1 for the state that the host is in, and no other.", labels=("host", "state")
    )
    probed = GaugeMetricFamily(
        "noonmark_host_last_probe_age_seconds",
        "Time since the newest probe that the host took part in.",
        labels=("host",),
    )
    heard = GaugeMetricFamily(
        "noonmark_host_last_heard_age_seconds",
        "Time since the host's own newest message to the collector; absent: it never spoke.",
        labels=("host",),
    )
    info = InfoMetricFamily("noonmark_host", "What the host says of itself.", labels=("host",))
    now_ns = published.now_ns(monotonic_ns)
    for row in rows:
        host = estimate.hosts[row]
        state.add_metric((host, estimate.state[row]), 1)
        newest = int(estimate.newest_ns[row])
        if newest:
            probed.add_metric((host,), max(0, now_ns - newest) / 1e9)
        facts = published.facts.get(host)
        if facts is None:
            continue
        if facts.heard_monotonic_ns is not None:
            heard.add_metric((host,), max(0, monotonic_ns - facts.heard_monotonic_ns) / 1e9)
        info.add_metric((host,), {"zone": facts.zone, "role": facts.role})
    yield from (state, probed, heard, info)
