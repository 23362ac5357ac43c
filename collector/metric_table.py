"""Every metric of the collector: its name, type, labels and meaning, declared once. Pure, nothing but data.

This table is a public interface: the exporter makes its families from it, and the metrics' document is generated from
it. Prometheus's conventions (prometheus.io/docs/practices/naming): base units in the name, `_total` for counters and
for nothing else, few labels with few values. A sign's meaning stands in the text. Labels that say where a host is have
few values too: beyond `MOST_ZONES` zones the rest is one.
"""

from __future__ import annotations

from dataclasses import dataclass

MOST_ZONES = 100
OTHER_ZONES = "(other)"
"""Stands for all zones beyond the first `MOST_ZONES`."""


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric. `kind` is gauge, counter, histogram or info; a counter's name ends in `_total`, an info's in
    `_info`."""

    name: str
    kind: str
    text: str
    labels: tuple[str, ...] = ()
    group: str = ""

    @property
    def unit(self) -> str:
        """By the name's ending, as the conventions have it."""
        stem = self.name.removesuffix("_total")
        for unit in ("seconds", "ratio"):
            if stem.endswith(f"_{unit}"):
                return unit
        if "records" in stem.split("_"):
            return "records"
        return "count" if self.kind == "counter" else ""


def _group(group: str, *rows: tuple[str, str, str, tuple[str, ...]]) -> tuple[Metric, ...]:
    return tuple(Metric(f"noonmark_{name}", kind, text, labels, group) for name, kind, text, labels in rows)


HOST = ("host",)
ZONES_TEXT = f"at most {MOST_ZONES} zones are named"
TABLE: tuple[Metric, ...] = (
    *_group(
        "The collector",
        ("build_info", "info", "The collector's version; always 1.", ("version",)),
        ("collector_ready", "gauge", "1 once there is an estimate, 0 before.", ()),
        ("collector_streams", "gauge", "Agents connected.", ()),
        ("collector_hosts", "gauge", "Hosts that reported lately.", ()),
        ("collector_window_records", "gauge", "Probe records in the window.", ()),
        ("collector_ticks_total", "counter", "Ticks, by outcome.", ("outcome",)),
        (
            "collector_store_failures_total",
            "counter",
            "Attempts to store an estimate that failed; each is tried again.",
            (),
        ),
        ("collector_estimates_kept_total", "counter", "Estimates stored in the history.", ()),
        (
            "collector_estimates_given_up_total",
            "counter",
            "Estimates that are not in the history, and will not be.",
            (),
        ),
        ("collector_estimates_waiting", "gauge", "Estimates that wait to be stored.", ()),
        ("collector_plans_total", "counter", "Probe plans drawn up.", ()),
        (
            "collector_pressure_level",
            "gauge",
            "How much less is asked of agents because the collector is pressed: 0 nothing, to 3 each doubles the time "
            "between reports, beyond each doubles the time between probes.",
            (),
        ),
        ("collector_loop_late_ratio", "gauge", "Part of the last ten seconds for which the event loop was late.", ()),
        (
            "collector_probed_hosts",
            "gauge",
            "Hosts by the time between their probes, in multiples of the probe interval; absent if it is fixed.",
            ("multiple",),
        ),
        (
            "collector_refused_total",
            "counter",
            "Calls and pages refused, by reason: no-credentials, wrong-token, wrong-role, no-role, refused, plain, "
            "old-tls.",
            ("reason",),
        ),
        (
            "collector_certificate_expiry_timestamp_seconds",
            "gauge",
            "When the collector's certificate expires, seconds since 1970; absent without TLS.",
            (),
        ),
        ("solve_duration_seconds", "gauge", "How long the latest estimate took to calculate.", ()),
        ("tick_interval_seconds", "gauge", "Planned time between two estimates.", ()),
        ("tick_lateness_seconds", "gauge", "How much later than planned the latest calculation began.", ()),
        ("estimate_age_seconds", "gauge", "Time since the latest estimate's instant (monotonic).", ()),
        ("estimate_window_seconds", "gauge", "Span of the probes behind the latest estimate.", ()),
        ("series_hosts_limit", "gauge", "Most hosts that get series of their own.", ()),
        (
            "series_hosts_omitted",
            "gauge",
            "Hosts without series of their own, because the fleet is larger than the limit.",
            (),
        ),
    ),
    *_group(
        "The fleet",
        ("fleet_hosts", "gauge", "Hosts known to the collector, by state.", ("state",)),
        ("findings", "gauge", "Findings in the latest estimate, by kind.", ("kind",)),
        ("paths", "gauge", "Pairs of hosts that exchange probes, by state.", ("state",)),
        (
            "fleet_absolute_time_error_seconds",
            "gauge",
            "Absolute time error against the reference that this share of the measured hosts does not exceed.",
            ("share",),
        ),
        (
            "fleet_largest_difference_seconds",
            "gauge",
            "Estimated difference of the two measured hosts whose clocks are furthest apart.",
            (),
        ),
        (
            "fleet_largest_difference_upper_limit_seconds",
            "gauge",
            "Certain: no two measured hosts' clocks are further apart than this; +Inf if a host without limits is "
            "among them.",
            (),
        ),
        (
            "fleet_largest_difference_lower_limit_seconds",
            "gauge",
            "Certain: some two measured hosts' clocks are at least this far apart.",
            (),
        ),
        (
            "fleet_absolute_time_error_distribution_seconds",
            "histogram",
            f"Measured hosts by absolute time error against the reference, now; by zone ({ZONES_TEXT}).",
            ("zone",),
        ),
    ),
    *_group(
        "Budgets",
        ("budget_seconds", "gauge", "The budget: a time error may be so large, ahead or behind.", ("budget",)),
        (
            "budget_hosts",
            "gauge",
            "Hosts of this budget by answer: within, out, or cannot-be-shown (mostly: limits wider than the budget); "
            f"by zone ({ZONES_TEXT}).",
            ("budget", "zone", "state"),
        ),
        ("host_budget_seconds", "gauge", "The host's budget.", ("host", "budget")),
        (
            "host_budget_state",
            "gauge",
            "1 for the answer that holds, and no other: within, out, or cannot-be-shown.",
            ("host", "state"),
        ),
        (
            "host_budget_headroom_ratio",
            "gauge",
            "Certain headroom in multiples of the budget: 1 minus the largest absolute limit over the budget. "
            "Negative: not shown to be within; -Inf: no limits.",
            HOST,
        ),
        (
            "host_budget_time_left_seconds",
            "gauge",
            "Until the budget is left if the drift stays as it is; +Inf: never.",
            HOST,
        ),
        (
            "host_budget_time_left_lower_limit_seconds",
            "gauge",
            "The same at the earliest, by the expanded uncertainties (k=2) of drift and time error.",
            HOST,
        ),
    ),
    *_group(
        "Single hosts",
        (
            "host_time_error_seconds",
            "gauge",
            "Host's clock minus the reference, estimated. Positive: the host's clock is ahead.",
            HOST,
        ),
        (
            "host_time_error_standard_uncertainty_seconds",
            "gauge",
            "Standard uncertainty (k=1) of the host's time error.",
            HOST,
        ),
        (
            "host_time_error_lower_limit_seconds",
            "gauge",
            "Certain lower limit of the host's time error; -Inf: none.",
            HOST,
        ),
        (
            "host_time_error_upper_limit_seconds",
            "gauge",
            "Certain upper limit of the host's time error; +Inf: none.",
            HOST,
        ),
        (
            "host_drift_ratio",
            "gauge",
            "Host's fractional frequency error, seconds per second. Positive: the host's clock gains.",
            HOST,
        ),
        ("host_drift_standard_uncertainty_ratio", "gauge", "Standard uncertainty (k=1) of the host's drift.", HOST),
        ("host_state", "gauge", "1 for the state that the host is in, and no other.", ("host", "state")),
        (
            "host_findings",
            "gauge",
            "Findings in the latest estimate that name this host, by kind; hosts without any are absent.",
            ("host", "kind"),
        ),
        (
            "host_step_seconds",
            "gauge",
            "Size of the newest step of the host's clock in the latest estimate. Positive: set forward.",
            HOST,
        ),
        ("host_last_probe_age_seconds", "gauge", "Time since the newest probe that the host took part in.", HOST),
        (
            "host_last_heard_age_seconds",
            "gauge",
            "Time since the host's own newest message to the collector; absent: it never spoke.",
            HOST,
        ),
        ("host_probes_sent_total", "counter", "Probe packets sent, as the host's agent last told.", HOST),
        ("host_probes_lost_total", "counter", "Probe packets not answered in time, as the agent last told.", HOST),
        ("host_info", "info", "What the host says of itself; always 1.", ("host", "zone", "role")),
    ),
    *_group(
        "References",
        (
            "reference_used",
            "gauge",
            "1 while the latest estimate leans on this declared reference, 0 while it does not: no probes of it.",
            HOST,
        ),
        ("reference_disagrees", "gauge", "1 while a finding says that this reference disagrees with others.", HOST),
        (
            "reference_state",
            "gauge",
            "1 for the state of the reference's own source, and no other (terms of ITU-T G.810): locked, holdover, "
            "free-run, or unknown if the reference tells none.",
            ("host", "state"),
        ),
        (
            "reference_holdover_seconds",
            "gauge",
            "How long the reference has been without its source; absent unless it is in holdover or free-run.",
            HOST,
        ),
        (
            "reference_declared_uncertainty_seconds",
            "gauge",
            "Standard uncertainty (k=1) that is declared for the reference.",
            HOST,
        ),
    ),
)
BY_NAME = {metric.name: metric for metric in TABLE}
