"""Write noonmark.json, the dashboard for Grafana; `--check` only says whether it is fresh (exit code 1: it is not).

Run as: python deploy/grafana/make_dashboard.py [--check]. Five seconds are to be enough for the first row: is the fleet
within its budget, who is out and since when, is the reference good. Everything that says ahead or behind is signed:
positive is ahead. Budgets and limits come from the metrics; no threshold here is a guess at somebody's tolerance.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path

from dashboard_parts import (
    BLUE,
    GREEN,
    JH,
    ORANGE,
    RED,
    SOURCE,
    TITLES,
    YELLOW,
    J,
    annotation,
    course,
    number,
    query,
    thresholds,
    variable,
)
from grafana_foundation_sdk.builders import dashboard, statetimeline, table
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard as d

FILE = Path(__file__).with_name("noonmark.json")
Panels = Sequence[Builder[d.Panel]]


def main() -> int:
    """Write or check."""
    text = document()
    if "--check" in sys.argv[1:]:
        fresh = FILE.exists() and FILE.read_text(encoding="utf-8") == text
        if not fresh:
            print(f"{FILE.name} is not fresh: run python {Path(__file__).name}", file=sys.stderr)
        return 0 if fresh else 1
    FILE.write_text(text, encoding="utf-8")
    return 0


def document() -> str:
    """The dashboard as JSON."""
    made = json.loads(json.dumps(board().build(), cls=JSONEncoder, sort_keys=True))
    made["id"] = None
    del made["style"]  # of old versions
    for number_, panel in enumerate(made["panels"], start=1):
        panel["id"] = number_
        if panel.get("options", {}) is None:
            panel["options"] = {}
    for mark in made["annotations"]["list"]:
        mark["titleFormat"] = TITLES[mark["name"]]  # the library does not know this field
        mark["target"] = {
            "refId": "Anno",
            "expr": mark.pop("expr"),
        }  # the library's is that of Grafana's own annotations
    for variable_ in made["templating"]["list"]:
        for field in ("id", "auto", "auto_min", "auto_count"):  # of intervals only
            variable_.pop(field, None)
        if variable_.get("includeAll"):
            variable_["current"] = {"selected": True, "text": ["All"], "value": ["$__all"]}
    return json.dumps(made, indent=1, sort_keys=True) + "\n"


def board() -> dashboard.Dashboard:
    """All rows."""
    built = (
        dashboard.Dashboard("Clocks of the fleet (noonmark)")
        .uid("noonmark-fleet")
        .description("Time errors of a fleet's clocks against its reference. Positive: the host's clock is ahead.")
        .tags(["noonmark", "time"])
        .refresh("15s")
        .time("now-3h", "now")
        .timezone("utc")
        .tooltip(d.DashboardCursorSync.CROSSHAIR)
        .readonly()
        .with_variable(dashboard.DatasourceVariable("datasource").label("Data source").type("prometheus"))
        .with_variable(variable("job", "Collector", "label_values(noonmark_collector_ready, job)"))
        .with_variable(variable("host", "Host", f"label_values(noonmark_host_state{{{J}}}, host)"))
        .annotation(steps())
        .annotation(alerts())
    )
    for title, panels in rows():
        if title:
            built = built.with_row(dashboard.Row(title))
        for panel in panels:
            built = built.with_panel(panel)
    return built


def rows() -> Sequence[tuple[str, Panels]]:
    """Title and panels of each row."""
    return (
        ("", at_a_glance()),
        ("Who is out, and since when", [worst(), since()]),
        ("Time errors", fleet_over_time()),
        ("Chosen hosts", chosen_hosts()),
        ("References", references()),
        ("Probes and the collector", machinery()),
    )


def steps() -> dashboard.AnnotationQuery:
    """A mark where a clock was set."""
    return annotation("Clock steps", f"noonmark_host_step_seconds{{{JH}}}", "{{host}} was set", ORANGE)


def alerts() -> dashboard.AnnotationQuery:
    """A mark where an alert fires."""
    expr = 'ALERTS{alertname=~"Noonmark.*", alertstate="firing", severity!="info"}'
    return annotation("Alerts", expr, "{{alertname}} {{host}}", RED)


def at_a_glance() -> Panels:
    """The first row."""
    bad_above_zero = thresholds((None, GREEN), (1, RED))
    return [
        number(
            "Shown to be within budget",
            "Share of the hosts of each budget whose certain limits lie inside it.",
            f'sum by (budget) (noonmark_budget_hosts{{{J}, state="within"}})'
            f" / sum by (budget) (noonmark_budget_hosts{{{J}}})",
            "{{budget}}",
            thresholds((None, RED), (0.9, ORANGE), (0.99, YELLOW), (1, GREEN)),
            unit="percentunit",
            span=6,
            none="no budget set",
        ),
        number(
            "Out of budget",
            "Hosts that are shown to be out of their budget.",
            f'sum(noonmark_budget_hosts{{{J}, state="out"}})',
            "out",
            bad_above_zero,
            span=3,
            none="no budget set",
        ),
        number(
            "Cannot be shown",
            "Hosts that are neither shown to be within nor out: mostly, limits wider than the budget.",
            f'sum(noonmark_budget_hosts{{{J}, state="cannot-be-shown"}})',
            "cannot be shown",
            thresholds((None, GREEN), (1, YELLOW)),
            span=3,
            none="no budget set",
        ),
        number(
            "Nothing known of",
            "Hosts that are silent, never measured, or cut off from every reference.",
            f'sum(noonmark_fleet_hosts{{{J}, state=~"stale|unknown|no-route"}})',
            "hosts",
            thresholds((None, GREEN), (1, YELLOW)),
            span=3,
        ),
        number(
            "Furthest apart",
            "Estimated difference of the two measured clocks that are furthest apart.",
            f"max(noonmark_fleet_largest_difference_seconds{{{J}}})",
            "estimated",
            thresholds((None, BLUE)),
            unit="s",
            span=3,
        ),
        number(
            "References used",
            "Share of the declared references that the newest estimate leans on.",
            f"avg(noonmark_reference_used{{{J}}})",
            "used",
            thresholds((None, RED), (0.5, ORANGE), (1, GREEN)),
            unit="percentunit",
            span=3,
            none="no reference",
        ),
        number(
            "Estimate's age",
            "Time since the newest estimate's instant, in ticks of the collector.",
            f"max(noonmark_estimate_age_seconds{{{J}}} / noonmark_tick_interval_seconds{{{J}}})",
            "ticks",
            thresholds((None, GREEN), (3, ORANGE), (10, RED)),
            span=3,
        ),
    ]


def worst() -> table.Panel:
    """Every named host, least headroom first."""
    columns = (
        ("A", f"noonmark_host_budget_headroom_ratio{{{JH}}}"),
        ("B", f"noonmark_host_time_error_seconds{{{JH}}}"),
        ("C", f"2 * noonmark_host_time_error_standard_uncertainty_seconds{{{JH}}}"),
        ("D", f"noonmark_host_time_error_lower_limit_seconds{{{JH}}}"),
        ("E", f"noonmark_host_time_error_upper_limit_seconds{{{JH}}}"),
        ("F", f"noonmark_host_budget_seconds{{{JH}}}"),
        ("G", f"noonmark_host_info{{{JH}}}"),
    )
    names = {
        "Value #A": "headroom (budgets)",
        "Value #B": "time error",
        "Value #C": "U (k=2)",
        "Value #D": "lower limit",
        "Value #E": "upper limit",
        "Value #F": "budget",
        "budget": "budget's name",
    }
    hidden = ["Time", "Value #G", "job", "instance", "__name__"]
    marks = ((None, RED), (0, YELLOW), (0.3, GREEN))
    headroom = {"mode": "absolute", "steps": [{"color": colour, "value": value} for value, colour in marks]}
    order = ["host", "zone", "role", *names]
    built = (
        table.Panel()
        .title("Hosts, least headroom first")
        .description("Positive time error: ahead. Headroom in multiples of the budget, by certain limits.")
        .datasource(SOURCE)
        .span(16)
        .height(10)
        .unit("s")
        .with_transformation(
            d.DataTransformerConfig(id_val="joinByField", options={"byField": "host", "mode": "outer"})
        )
        .with_transformation(
            d.DataTransformerConfig(
                id_val="organize",
                options={
                    "excludeByName": {
                        f"{name}{number}": True for name in hidden for number in ("", *(f" {n}" for n in range(1, 9)))
                    },
                    "indexByName": {name: index for index, name in enumerate(order)},
                    "renameByName": names,
                },
            )
        )
        .with_transformation(
            d.DataTransformerConfig(id_val="sortBy", options={"sort": [{"field": "headroom (budgets)", "desc": False}]})
        )
        .override_by_name(
            "headroom (budgets)",
            [
                d.DynamicConfigValue(id_val="unit", value="percentunit"),
                d.DynamicConfigValue(id_val="thresholds", value=headroom),
                d.DynamicConfigValue(id_val="custom.cellOptions", value={"type": "color-text"}),
            ],
        )
    )
    for ref, expr in columns:
        built = built.with_target(query(expr, "", ref, instant=True))
    return built


def since() -> table.Panel:
    """Alerts and when they began."""
    return (
        table.Panel()
        .title("Alerts, and since when")
        .description("From the alerting rules; when the condition began to hold.")
        .datasource(SOURCE)
        .span(8)
        .height(10)
        .unit("dateTimeFromNow")
        .no_value("no alert")
        .with_transformation(
            d.DataTransformerConfig(
                id_val="organize",
                options={
                    "excludeByName": dict.fromkeys(("Time", "job", "instance", "__name__"), True),
                    "indexByName": {"Value": 0, "alertname": 1, "host": 2, "severity": 3},
                    "renameByName": {"Value": "since", "alertname": "alert"},
                },
            )
        )
        .with_target(query('1000 * ALERTS_FOR_STATE{alertname=~"Noonmark.*"}', "", instant=True))
    )


def fleet_over_time() -> Panels:
    """The whole fleet."""
    bucket = f"noonmark_fleet_absolute_time_error_distribution_seconds_bucket{{{J}}}"
    return [
        course(
            "Absolute time error that a share of the fleet does not exceed",
            "Of the measured hosts, by share.",
            [(f"max by (share) (noonmark_fleet_absolute_time_error_seconds{{{J}}})", "share {{share}}")],
            "s",
            symlog=True,
        ),
        course(
            "99th percentile by zone",
            "From the distributions, which count every host of a fleet of any size.",
            [(f"histogram_quantile(0.99, sum by (zone, le) ({bucket}))", "{{zone}}")],
            "s",
            symlog=True,
        ),
        course(
            "Hosts by answer",
            "How many hosts are shown to be within, out, or neither.",
            [(f"sum by (state) (noonmark_budget_hosts{{{J}}})", "{{state}}")],
            "none",
        ),
        course(
            "Furthest apart, with certain limits",
            "No two measured clocks are further apart than the upper limit; some two are at least as far as the lower.",
            [
                (f"max(noonmark_fleet_largest_difference_seconds{{{J}}})", "estimated"),
                (f"max(noonmark_fleet_largest_difference_upper_limit_seconds{{{J}}})", "certain upper limit"),
                (f"max(noonmark_fleet_largest_difference_lower_limit_seconds{{{J}}})", "certain lower limit"),
            ],
            "s",
        ),
    ]


def chosen_hosts() -> Panels:
    """The hosts of the variable."""
    return [
        course(
            "Time error",
            "Positive: ahead of the reference. Choose hosts above.",
            [(f"noonmark_host_time_error_seconds{{{JH}}}", "{{host}}")],
            "s",
            symlog=True,
        ),
        course(
            "Certain limits and budget",
            "Whatever the network did, the time error lay between its two limits.",
            [
                (f"noonmark_host_time_error_upper_limit_seconds{{{JH}}}", "{{host}} upper limit"),
                (f"noonmark_host_time_error_lower_limit_seconds{{{JH}}}", "{{host}} lower limit"),
                (f"noonmark_host_budget_seconds{{{JH}}}", "{{host}} budget"),
                (f"-noonmark_host_budget_seconds{{{JH}}}", "{{host}} -budget"),
            ],
            "s",
            symlog=True,
            legend=False,
        ),
        course(
            "Drift",
            "Fractional frequency error: seconds gained in a second.",
            [(f"noonmark_host_drift_ratio{{{JH}}}", "{{host}}")],
            "sci",
        ),
        course(
            "Earliest time until the budget is left",
            "At the present drift, by its expanded uncertainty.",
            [(f"noonmark_host_budget_time_left_lower_limit_seconds{{{JH}}} < 86400 * 30", "{{host}}")],
            "s",
            symlog=True,
        ),
    ]


def references() -> Panels:
    """References and what they say."""
    states = {"0": ("unknown", "text"), "1": ("locked", GREEN), "2": ("holdover", ORANGE), "3": ("free-run", RED)}
    expr = (
        f'max by (host) (noonmark_reference_state{{{J}, state="unknown"}} * 0'
        f' or noonmark_reference_state{{{J}, state="locked"}}'
        f' or noonmark_reference_state{{{J}, state="holdover"}} * 2'
        f' or noonmark_reference_state{{{J}, state="free-run"}} * 3)'
    )
    mapping = d.ValueMap(
        options={key: d.ValueMappingResult(text=text, color=colour) for key, (text, colour) in states.items()}
    )
    return [
        statetimeline.Panel()
        .title("State of each reference's own source")
        .description("Terms of ITU-T G.810. Unknown: the reference does not tell.")
        .datasource(SOURCE)
        .span(12)
        .height(7)
        .mappings([mapping])
        .with_target(query(expr, "{{host}}")),
        course(
            "References used, and such that disagree",
            "1: the newest estimate leans on it; disagreeing: a finding says so.",
            [
                (f"noonmark_reference_used{{{J}}}", "{{host}} used"),
                (f"noonmark_reference_disagrees{{{J}}}", "{{host}} disagrees"),
            ],
            "none",
        ),
    ]


def machinery() -> Panels:
    """What the numbers rest on."""
    return [
        course(
            "Probes without an answer",
            "Share of each host's probes.",
            [
                (
                    f"rate(noonmark_host_probes_lost_total{{{JH}}}[$__rate_interval])"
                    f" / (rate(noonmark_host_probes_sent_total{{{JH}}}[$__rate_interval]) > 0)",
                    "{{host}}",
                )
            ],
            "percentunit",
            span=8,
        ),
        course(
            "Findings in the newest estimate",
            "By kind.",
            [(f"max by (kind) (noonmark_findings{{{J}}})", "{{kind}}")],
            "none",
            span=8,
        ),
        course(
            "Paths by state",
            "Pairs of hosts that exchange probes.",
            [(f"max by (state) (noonmark_paths{{{J}}})", "{{state}}")],
            "none",
            span=8,
        ),
        course(
            "Records taken in",
            "Probe records a second.",
            [(f"rate(noonmark_ingest_records_total{{{J}}}[$__rate_interval])", "records")],
            "cps",
            span=8,
        ),
        course(
            "Calculating",
            "How long an estimate takes, against the tick.",
            [
                (f"noonmark_solve_duration_seconds{{{J}}}", "calculation"),
                (f"noonmark_tick_lateness_seconds{{{J}}}", "lateness"),
                (f"noonmark_tick_interval_seconds{{{J}}}", "tick"),
            ],
            "s",
            span=8,
        ),
        course(
            "Agents connected",
            "Of the hosts that reported lately.",
            [
                (f"noonmark_collector_streams{{{J}}}", "connected"),
                (f"noonmark_collector_hosts{{{J}}}", "known"),
            ],
            "none",
            span=8,
        ),
    ]


if __name__ == "__main__":
    sys.exit(main())
