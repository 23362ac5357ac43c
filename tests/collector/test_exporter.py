from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from builders import START_NS, Host, build, ferry
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, FleetEstimate
from noonmark.collector.exporter import FleetCollector, SeriesLimits
from noonmark.collector.state import HostFacts, Published

SECOND_NS = 10**9


@dataclass(frozen=True)
class Statistics:
    batches: int = field(default=7, metadata={"help": "Record batches taken in."})
    bad_messages: int = 0


def published(estimate: FleetEstimate, facts: dict[str, HostFacts] | None = None) -> Published:
    return Published(1, estimate, facts or {}, 100 * SECOND_NS, solve_seconds=0.25, lateness_seconds=0.5)


def registry(
    latest: Published | None, *, limits: SeriesLimits | None = None, now_ns: int = 103 * SECOND_NS
) -> CollectorRegistry:
    made = CollectorRegistry()
    made.register(FleetCollector(lambda: latest, Statistics, limits=limits, monotonic_ns=lambda: now_ns))
    return made


def test_before_the_first_estimate_only_the_collector_itself_is_told() -> None:
    made = registry(None)

    assert made.get_sample_value("noonmark_collector_ready") == 0
    assert made.get_sample_value("noonmark_ingest_batches_total") == 7
    assert made.get_sample_value("noonmark_fleet_hosts", {"state": "measured"}) is None


def test_a_host_is_told_in_seconds_with_its_sign() -> None:
    made = registry(published(ferry()))
    host = {"host": "quay-gate-2"}

    assert made.get_sample_value("noonmark_host_time_error_seconds", host) == pytest.approx(1.84e-3)
    assert made.get_sample_value("noonmark_host_time_error_standard_uncertainty_seconds", host) == pytest.approx(9e-6)
    assert made.get_sample_value("noonmark_host_time_error_lower_limit_seconds", host) == pytest.approx(1.63e-3)
    assert made.get_sample_value("noonmark_host_time_error_upper_limit_seconds", host) == pytest.approx(2.09e-3)
    assert made.get_sample_value("noonmark_host_drift_ratio", host) == pytest.approx(12e-6)
    assert made.get_sample_value("noonmark_host_last_probe_age_seconds", host) == pytest.approx(3.5)


def test_a_stale_host_keeps_its_state_and_loses_its_numbers() -> None:
    made = registry(published(ferry()))
    host = {"host": "holm-berth-1"}

    assert made.get_sample_value("noonmark_host_state", {**host, "state": "stale"}) == 1
    assert made.get_sample_value("noonmark_host_last_probe_age_seconds", host) == pytest.approx(98)
    for name in ("time_error_seconds", "time_error_standard_uncertainty_seconds", "drift_ratio"):
        assert made.get_sample_value(f"noonmark_host_{name}", host) is None


def test_an_unknown_host_is_never_zero() -> None:
    made = registry(published(ferry()))

    assert made.get_sample_value("noonmark_host_time_error_seconds", {"host": "skerry-gate-1"}) is None
    assert made.get_sample_value("noonmark_host_state", {"host": "skerry-gate-1", "state": "no-route"}) == 1


def test_facts_are_an_info_metric() -> None:
    facts = {"quay-gate-2": HostFacts("quay", "gate", 101 * SECOND_NS)}
    made = registry(published(ferry(), facts))

    info = {"host": "quay-gate-2", "zone": "quay", "role": "gate"}
    assert made.get_sample_value("noonmark_host_info", info) == 1
    assert made.get_sample_value("noonmark_host_last_heard_age_seconds", {"host": "quay-gate-2"}) == pytest.approx(2)


def test_the_fleet_is_told_in_few_numbers() -> None:
    made = registry(published(ferry(findings=[Finding(FindingKind.STEP, START_NS, "set", host="quay-gate-2")])))

    assert made.get_sample_value("noonmark_fleet_hosts", {"state": "reference"}) == 2
    assert made.get_sample_value("noonmark_fleet_hosts", {"state": "unknown"}) == 0
    assert made.get_sample_value("noonmark_fleet_largest_difference_seconds") == pytest.approx(1.84312e-3)
    upper = made.get_sample_value("noonmark_fleet_largest_difference_upper_limit_seconds")
    assert upper == pytest.approx((1_840_000 + 250_000 + 3_120 + 15_000) / 1e9)
    lower = made.get_sample_value("noonmark_fleet_largest_difference_lower_limit_seconds")
    assert lower == pytest.approx((1_840_000 - 210_000) / 1e9)
    assert made.get_sample_value("noonmark_fleet_absolute_time_error_seconds", {"share": "1"}) == pytest.approx(1.84e-3)
    assert made.get_sample_value("noonmark_findings", {"kind": "step"}) == 1
    assert made.get_sample_value("noonmark_paths", {"state": "asymmetric"}) == 1
    assert made.get_sample_value("noonmark_solve_duration_seconds") == 0.25
    assert made.get_sample_value("noonmark_tick_lateness_seconds") == 0.5
    assert made.get_sample_value("noonmark_estimate_age_seconds") == 3


def test_the_distribution_counts_measured_hosts_by_zone() -> None:
    facts = {"quay-gate-2": HostFacts("quay", "gate"), "holm-db-1": HostFacts("holm", "database")}
    made = registry(published(ferry(), facts))
    name = "noonmark_fleet_absolute_time_error_distribution_seconds"

    assert made.get_sample_value(f"{name}_bucket", {"zone": "quay", "le": "0.001"}) == 0
    assert made.get_sample_value(f"{name}_bucket", {"zone": "quay", "le": "0.003"}) == 1
    assert made.get_sample_value(f"{name}_bucket", {"zone": "holm", "le": "1e-05"}) == 1
    assert made.get_sample_value(f"{name}_gcount", {"zone": ""}) == 2


def test_a_missing_limit_is_infinite() -> None:
    made = registry(published(build([Host("a", below_ns=UNBOUNDED_NS), Host("b", above_ns=UNBOUNDED_NS)])))

    lower = made.get_sample_value("noonmark_host_time_error_lower_limit_seconds", {"host": "a"})
    assert lower == float("-inf")
    assert made.get_sample_value("noonmark_fleet_largest_difference_upper_limit_seconds") == float("inf")


def test_above_the_limit_only_the_worst_are_named() -> None:
    hosts = [Host(f"h{number}", offset_ns=number * (-1) ** number) for number in range(30)]
    made = registry(published(build(hosts)), limits=SeriesLimits(hosts=20, worst=3))

    named = {sample.labels["host"] for family in made.collect() for sample in family.samples if "host" in sample.labels}
    assert named == {"h27", "h28", "h29"}
    assert made.get_sample_value("noonmark_series_hosts_omitted") == 27
    assert made.get_sample_value("noonmark_fleet_hosts", {"state": "measured"}) == 30


def test_a_fleet_at_the_limit_is_named_whole() -> None:
    made = registry(published(build([Host("a"), Host("b")])), limits=SeriesLimits(hosts=2, worst=1))

    assert made.get_sample_value("noonmark_host_time_error_seconds", {"host": "b"}) == 0
    assert made.get_sample_value("noonmark_series_hosts_omitted") == 0


@pytest.mark.parametrize("generate", [generate_latest, generate_openmetrics])
def test_text_has_one_prefix_and_help_for_every_family(generate: Callable[[CollectorRegistry], bytes]) -> None:
    text = generate(registry(published(ferry()))).decode()

    names = {line.split()[2] for line in text.splitlines() if line.startswith("# TYPE")}
    helped = {line.split()[2] for line in text.splitlines() if re.match(r"# HELP \S+ \S", line)}
    assert names
    assert names == helped
    assert all(name.startswith("noonmark_") for name in names)


def test_openmetrics_reads_back() -> None:
    text = generate_openmetrics(registry(published(ferry()))).decode()

    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert families["noonmark_fleet_absolute_time_error_distribution_seconds"].type == "gaugehistogram"
