from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from builders import START_NS, Host, build, ferry
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.cadence import CadenceSettings
from noonmark.collector.demand import Demand
from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, FleetEstimate
from noonmark.collector.estimator import TickStatistics
from noonmark.collector.exporter import FleetCollector, SeriesLimits
from noonmark.collector.exporter_server import ServerCollector
from noonmark.collector.ingest import IngestFill
from noonmark.collector.keeping import KeepingStatistics
from noonmark.collector.metric_table import MOST_ZONES, OTHER_ZONES, TABLE
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.collector.state import HostFacts, Published

SECOND_NS = 10**9


@dataclass(frozen=True)
class Statistics:
    batches: int = field(default=7, metadata={"help": "Record batches taken in."})
    bad_messages: int = 0


def published(estimate: FleetEstimate, facts: dict[str, HostFacts] | None = None) -> Published:
    return Published(1, estimate, facts or {}, 100 * SECOND_NS, solve_seconds=0.25, lateness_seconds=0.5)


def registry(latest: Published | None, *, now_ns: int = 103 * SECOND_NS, **settings: Any) -> CollectorRegistry:
    made = CollectorRegistry()
    made.register(FleetCollector(lambda: latest, Statistics, monotonic_ns=lambda: now_ns, **settings))
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


def budgets(*texts: str) -> Budgets:
    return Budgets(tuple(map(parse_rule, texts)))


QUAY_GATE = {"quay-gate-2": HostFacts("quay", "gate"), "holm-db-1": HostFacts("holm", "database")}


def test_a_budget_is_a_metric_that_rules_can_compare_with() -> None:
    made = registry(published(ferry(), QUAY_GATE), budgets=budgets("1ms=zone:quay", "database=role:database"))
    gate, database = {"host": "quay-gate-2"}, {"host": "holm-db-1"}

    assert made.get_sample_value("noonmark_budget_seconds", {"budget": "database"}) == 0.5
    assert made.get_sample_value("noonmark_host_budget_seconds", {**gate, "budget": "1ms"}) == 0.001
    assert made.get_sample_value("noonmark_host_budget_seconds", {**database, "budget": "database"}) == 0.5
    assert made.get_sample_value("noonmark_host_budget_state", {**gate, "state": "out"}) == 1
    assert made.get_sample_value("noonmark_host_budget_state", {**gate, "state": "within"}) is None
    assert made.get_sample_value("noonmark_host_budget_headroom_ratio", gate) == pytest.approx(1 - 2.09)
    assert made.get_sample_value("noonmark_host_budget_time_left_seconds", gate) == 0
    left = made.get_sample_value("noonmark_host_budget_time_left_seconds", database)
    assert left == pytest.approx((0.5 - 3.12e-6) / 2e-7)
    earliest = made.get_sample_value("noonmark_host_budget_time_left_lower_limit_seconds", database)
    assert earliest == pytest.approx((0.5 - 3.12e-6 - 1.4e-6) / 2.2e-7)
    hosts = {"budget": "1ms", "zone": "quay"}
    assert made.get_sample_value("noonmark_budget_hosts", {**hosts, "state": "out"}) == 1
    assert made.get_sample_value("noonmark_budget_hosts", {**hosts, "state": "within"}) == 0
    assert made.get_sample_value("noonmark_budget_hosts", {**hosts, "state": "cannot-be-shown"}) == 0


def test_a_host_without_a_budget_has_no_budget_series() -> None:
    made = registry(published(ferry(), QUAY_GATE), budgets=budgets("1ms=zone:quay"))

    assert made.get_sample_value("noonmark_host_budget_state", {"host": "holm-db-1", "state": "within"}) is None
    assert made.get_sample_value("noonmark_host_budget_headroom_ratio", {"host": "holm-db-1"}) is None


def test_above_the_limit_budgets_are_counted_for_every_host_and_the_worst_by_its_budget_are_named() -> None:
    hosts = [Host("tight", 40_000), Host("loose", 900_000), *(Host(f"h{number}", 10) for number in range(30))]
    made = registry(
        published(build(hosts, references=["h29"])),
        limits=SeriesLimits(hosts=20, worst=1),
        budgets=budgets("1s", "30us=host:tight"),
    )

    named = {sample.labels["host"] for family in made.collect() for sample in family.samples if "host" in sample.labels}
    assert named == {"tight", "h29"}
    assert made.get_sample_value("noonmark_budget_hosts", {"budget": "1s", "zone": "", "state": "within"}) == 31


def test_a_step_names_its_host_and_size() -> None:
    steps = [
        Finding(FindingKind.STEP, START_NS, "first", host="quay-gate-2", size_ns=-1_000),
        Finding(FindingKind.STEP, START_NS + 5, "second", host="quay-gate-2", size_ns=5_000_000),
        Finding(FindingKind.LIAR, START_NS, "lies", host="holm-db-1"),
    ]
    made = registry(published(ferry(findings=steps)))

    assert made.get_sample_value("noonmark_host_findings", {"host": "quay-gate-2", "kind": "step"}) == 2
    assert made.get_sample_value("noonmark_host_findings", {"host": "holm-db-1", "kind": "liar"}) == 1
    assert made.get_sample_value("noonmark_host_step_seconds", {"host": "quay-gate-2"}) == 5e-3


def test_a_reference_is_told_whether_heard_of_or_not() -> None:
    facts = {
        "quay-ref": HostFacts("quay", "reference", reference_state="holdover", holdover_seconds=90.0),
        "skerry-ref": HostFacts("skerry", "reference"),
    }
    disagrees = [Finding(FindingKind.REFERENCE_DISAGREES, START_NS, "off", host="skerry-ref", size_ns=7)]
    made = registry(published(ferry(findings=disagrees), facts), references=["quay-ref", "skerry-ref", "holm-ref"])

    def value(name: str, host: str, **labels: str) -> float | None:
        return made.get_sample_value(f"noonmark_reference_{name}", {"host": host, **labels})

    assert [value("used", host) for host in ("quay-ref", "skerry-ref", "holm-ref")] == [1, 1, 0]
    assert [value("disagrees", host) for host in ("quay-ref", "skerry-ref", "holm-ref")] == [0, 1, 0]
    assert value("state", "quay-ref", state="holdover") == 1
    assert value("state", "skerry-ref", state="unknown") == 1
    assert value("holdover_seconds", "quay-ref") == 90
    assert value("holdover_seconds", "skerry-ref") is None
    assert value("declared_uncertainty_seconds", "skerry-ref") == 200e-9


def test_what_an_agent_counts_is_told_and_silence_is_not_zero() -> None:
    facts = {"quay-gate-2": HostFacts(asked=100, unanswered=7), "holm-db-1": HostFacts()}
    made = registry(published(ferry(), facts))

    assert made.get_sample_value("noonmark_host_probes_sent_total", {"host": "quay-gate-2"}) == 100
    assert made.get_sample_value("noonmark_host_probes_lost_total", {"host": "quay-gate-2"}) == 7
    assert made.get_sample_value("noonmark_host_probes_lost_total", {"host": "holm-db-1"}) is None


def test_zones_beyond_the_largest_are_one() -> None:
    hosts = [Host(f"h{number}") for number in range(2 * MOST_ZONES + 5)]
    facts = {f"h{number}": HostFacts(f"zone {number // 2:03}") for number in range(2 * MOST_ZONES + 5)}
    made = registry(published(build(hosts), facts), budgets=budgets("1s"))

    name = "noonmark_fleet_absolute_time_error_distribution_seconds_gcount"
    assert made.get_sample_value(name, {"zone": "zone 000"}) == 2
    assert made.get_sample_value(name, {"zone": OTHER_ZONES}) == 5
    zones = {sample.labels["zone"] for family in made.collect() for sample in family.samples if "le" in sample.labels}
    assert len(zones) == MOST_ZONES + 1
    assert made.get_sample_value("noonmark_budget_hosts", {"budget": "1s", "zone": OTHER_ZONES, "state": "within"}) == 5


def test_everything_told_stands_in_the_table_with_its_labels() -> None:
    facts = {"quay-ref": HostFacts("quay", "reference", 1, 5, 1, reference_state="holdover", holdover_seconds=3.0)}
    step = [Finding(FindingKind.STEP, START_NS, "set", host="quay-gate-2", size_ns=1)]
    made = registry(published(ferry(findings=step), facts), budgets=budgets("1ms"), references=["quay-ref"])
    demand = Demand(PlanKeeper((), cadence_settings=CadenceSettings(slowest_ns=4 * SECOND_NS)))
    demand.look(published(ferry()), elapsed=1.0, lateness=0.0, fill=0.0, now=1.0)
    made.register(
        ServerCollector(
            lambda: IngestFill(1, 2, 3),
            lambda: TickStatistics(1, 2, 3, 4, 5),
            lambda: 4,
            interval=5.0,
            demand=demand,
            keeping=lambda: KeepingStatistics(1, 2, 3, 4, ""),
            refusals=lambda: {"wrong-role": 7},
            certificate_expires_s=lambda: 8.0,
        )
    )

    told = {
        (sample.name, tuple(sorted(sample.labels)))
        for family in made.collect()
        for sample in family.samples
        if not sample.name.startswith("noonmark_ingest_") and family.type != "gaugehistogram"
    }
    assert told == {(metric.name, tuple(sorted(metric.labels))) for metric in TABLE if metric.kind != "histogram"}


def test_a_host_that_is_silent_for_longer_than_the_window_stays_in_view() -> None:
    facts = {"holm-gate-9": HostFacts("holm", "gate", heard_monotonic_ns=3 * SECOND_NS)}
    made = registry(published(ferry(), facts), budgets=budgets("1ms=zone:holm"))
    host = {"host": "holm-gate-9"}

    assert made.get_sample_value("noonmark_host_state", {**host, "state": "unknown"}) == 1
    assert made.get_sample_value("noonmark_host_last_heard_age_seconds", host) == 100
    assert made.get_sample_value("noonmark_host_budget_state", {**host, "state": "cannot-be-shown"}) == 1
    assert made.get_sample_value("noonmark_fleet_hosts", {"state": "unknown"}) == 1
    assert made.get_sample_value("noonmark_host_time_error_seconds", host) is None
