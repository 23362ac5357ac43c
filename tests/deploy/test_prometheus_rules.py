"""The rules of deploy/prometheus, judged by promtool on scrapes of lab fleets.

At every instant asked for, the alerts told are all that there are: a rule that fires for something else fails too.
"""

from __future__ import annotations

import dataclasses
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import rule_cases
import yaml
from agent_snapshot import SNAPSHOT
from rule_cases import Course, alerts_query, replay, said, scrape

from noonmark.agent import metrics as agent_metrics
from noonmark.collector.estimator import TickStatistics
from noonmark.collector.state import HostFacts
from noonmark.lab.clocks import ClockModel
from noonmark.lab.faults import Fault, FaultKind
from noonmark.lab.scenarios import KINDS, LAN_FLEET
from noonmark.proto.control import OwnEstimate

FOLDER = Path(__file__).resolve().parent.parent.parent / "deploy" / "prometheus"
RULES = FOLDER / "noonmark-rules.yml"
STEADY = dataclasses.replace(LAN_FLEET, clocks=((1.0, ClockModel(offset_ns=2e4, drift=5e-8)),))
MINUTE = 60 // rule_cases.SCRAPE_S


@pytest.fixture(scope="module")
def promtool() -> str:
    found = shutil.which("promtool")
    assert found, "promtool is not there: it comes with Debian's package prometheus (apt-get install prometheus)"
    return found


def judge(promtool: str, folder: Path, *tests: dict[str, Any]) -> None:
    file = folder / "rules_test.yml"
    rule_cases.write(file, RULES, tests)
    done = subprocess.run([promtool, "test", "rules", str(file)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]


def holds(
    promtool: str, folder: Path, course: Course, *, repeated: int = 0, only: str = ".*", **expected: Sequence[str]
) -> None:
    """`at_45=[...]`: what there is at second 45."""
    times = {int(name.removeprefix("at_")): alerts for name, alerts in expected.items()}
    judge(promtool, folder, alerts_query(course, times, repeated=repeated, only=only))


def test_promtool_finds_nothing_wrong(promtool: str) -> None:
    done = subprocess.run([promtool, "check", "rules", RULES], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_promtool_finds_nothing_wrong_with_the_metrics(promtool: str) -> None:
    course = replay(STEADY, hosts=6, scrapes=1, budgets=("1ms",))
    lines = [f"{name} {value}" for name, value in course.scrapes[0].items()]
    done = subprocess.run([promtool, "check", "metrics"], input="\n".join(lines) + "\n", capture_output=True, text=True)
    complaints = [line for line in done.stderr.splitlines() if "no help text" not in line]
    assert not complaints


def test_every_alert_has_its_texts_and_its_place_in_the_runbook() -> None:
    anchors = {
        re.sub(r"[^a-z0-9]", "", line.lower())
        for line in (FOLDER / "RUNBOOK.md").read_text().splitlines()
        if line.startswith("## ")
    }
    alerts = [
        rule for group in yaml.safe_load(RULES.read_text())["groups"] for rule in group["rules"] if "alert" in rule
    ]
    assert len(alerts) >= 15
    for alert in alerts:
        name, annotations = alert["alert"], alert["annotations"]
        assert re.fullmatch(r"Noonmark([A-Z][a-z]+)+", name)
        assert alert["labels"]["severity"] in ("critical", "warning", "info"), name
        assert annotations["summary"].endswith(".")
        assert "{{" not in annotations["summary"], "a summary is one static sentence"
        assert annotations["description"], name
        assert annotations["runbook_url"] == f"RUNBOOK.md#{name.lower()}"
        assert name.lower() in anchors


def test_a_quiet_fleet_is_quiet(promtool: str, tmp_path: Path) -> None:
    course = replay(STEADY, hosts=8, budgets=("1ms",))
    holds(promtool, tmp_path, course, repeated=90 * MINUTE, at_0=[], at_165=[], at_1500=[], at_5000=[])


def test_a_step_is_told_at_once_and_its_host_is_out_of_budget(promtool: str, tmp_path: Path) -> None:
    step = Fault(FaultKind.STEP, count=1, size=(5e6, 5e6), when=(0.5, 0.52))
    course = replay(dataclasses.replace(STEADY, name="step", faults=(step,)), hosts=10, budgets=("1ms",))
    assert course.truth is not None
    (event,) = course.truth.events
    true_second = (event.at_ns - course.truth.start_ns) / 1e9 - rule_cases.WINDOW_S
    assert event.host is not None
    stepped, out = f'NoonmarkClockStepped{{host="{event.host}"}}', f'NoonmarkHostOutOfBudget{{host="{event.host}"}}'
    before = int(true_second // 15) * 15
    expected = {f"at_{before}": [], f"at_{before + 30}": [stepped, f"~{out}"], f"at_{before + 60}": [stepped, out]}
    holds(promtool, tmp_path, course, **expected)


@pytest.mark.parametrize(("error_s", "words"), [(0.005, "5ms ahead of"), (-0.005, "5ms behind")])
def test_a_description_tells_host_direction_amount_and_budget(
    promtool: str, tmp_path: Path, error_s: float, words: str
) -> None:
    host = 'host="quay \\"gate\\" 1"'
    told = {
        f"noonmark_host_time_error_seconds{{{host}}}": error_s,
        f"noonmark_host_time_error_standard_uncertainty_seconds{{{host}}}": 0.00001,
        f'noonmark_host_budget_state{{{host},state="out"}}': 1.0,
        f'noonmark_host_budget_seconds{{{host},budget="gates"}}': 0.001,
        "noonmark_collector_ready{}": 1.0,
    }
    test = alerts_query(Course((told,)), {}, repeated=4)
    test["alert_rule_test"] = [
        {
            "eval_time": "45s",
            "alertname": "NoonmarkHostOutOfBudget",
            "exp_alerts": [
                {
                    "exp_labels": {"host": 'quay "gate" 1', "severity": "warning"},
                    "exp_annotations": {
                        "summary": "A host's clock is out of its budget.",
                        "description": f'quay "gate" 1\'s clock is {words} the reference, and out of its budget of '
                        "1ms (gates); expanded uncertainty 20us.",
                        "runbook_url": "RUNBOOK.md#noonmarkhostoutofbudget",
                    },
                }
            ],
        }
    ]
    judge(promtool, tmp_path, test)


def test_an_agent_speaks_for_its_host_where_the_collector_does_not_name_it(promtool: str, tmp_path: Path) -> None:
    told = {
        'noonmark_collector_ready{job="c"}': 1.0,
        'noonmark_host_state{job="c",host="holm-db-1",state="measured"}': 1.0,
    }
    own = OwnEstimate("measured", 0, 5_000_000, 0.0, 10, 0.0, 4_999_000, 5_001_000, "locked", "gates", 10**6, "out")
    for number, (name, answer) in enumerate({"quay-1": "out", "quay-2": "within", "holm-db-1": "out"}.items()):
        snapshot = dataclasses.replace(SNAPSHOT, own=dataclasses.replace(own, budget_answer=answer), host=name)
        for family in agent_metrics.families(snapshot):
            if family.name.removeprefix("noonmark_agent_") in ("host_info", "time_error_seconds", "budget_state"):
                for labels, value in family.samples:
                    place = {"job": "a", "instance": f"{number}:1", **labels}
                    text = ",".join(f'{key}="{value}"' for key, value in place.items())
                    told[f"{family.full_name}{{{text}}}"] = value
    alert = 'NoonmarkAgentOutOfBudget{host="quay-1",instance="0:1",job="a"}'
    holds(promtool, tmp_path, Course((told,)), repeated=4, only=".*Budget", at_0=[f"~{alert}"], at_30=[alert])


def test_the_rules_for_the_prometheus_operator_are_these_rules() -> None:
    """The form is that of the Prometheus operator's PrometheusRule, monitoring.coreos.com/v1."""
    script = FOLDER / "make_prometheus_rule.py"
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    made = yaml.safe_load((FOLDER.parent / "kubernetes" / "prometheus-rule.yaml").read_text())
    assert (made["apiVersion"], made["kind"]) == ("monitoring.coreos.com/v1", "PrometheusRule")
    assert made["spec"] == yaml.safe_load(RULES.read_text())


def test_a_fleet_of_bad_clocks_is_a_matter_of_the_fleet(promtool: str, tmp_path: Path) -> None:
    bad = dataclasses.replace(LAN_FLEET, clocks=((1.0, ClockModel(offset_ns=5e7, drift=1e-7)),))
    course = replay(bad, hosts=8, scrapes=10, budgets=("1ms",))
    out = [f'NoonmarkHostOutOfBudget{{host="{host}"}}' for host in out_of_budget(course)]
    assert len(out) >= 5
    holds(promtool, tmp_path, course, at_90=['NoonmarkFleetOutOfBudget{budget="1ms"}', *out])


def out_of_budget(course: Course) -> list[str]:
    names = course.scrapes[-1]
    return [
        match[1]
        for name in names
        if (match := re.match(r'noonmark_host_budget_state{host="([^"]+)",state="out"', name))
    ]


def test_limits_that_are_too_wide_are_told_after_a_while(promtool: str, tmp_path: Path) -> None:
    course = replay(
        dataclasses.replace(KINDS["three-zones"], clocks=STEADY.clocks), hosts=8, scrapes=4, budgets=("trading",)
    )
    wide = [
        match[1]
        for name in course.scrapes[-1]
        if (match := re.match(r'noonmark_host_budget_state{host="([^"]+)",state="cannot-be-shown"', name))
    ]
    assert wide, course.scrapes[-1]
    cannot = [f'NoonmarkBudgetCannotBeShown{{host="{host}"}}' for host in wide]
    pending = [f"~{alert}" for alert in cannot]
    # So close to the edge of a tight budget, some of them are also about to leave it.
    only = "NoonmarkBudgetCannotBeShown|.*OutOfBudget"
    holds(promtool, tmp_path, course, repeated=30 * MINUTE, only=only, at_600=pending, at_1200=cannot)


def test_a_drifting_clock_is_told_before_it_leaves_its_budget(promtool: str, tmp_path: Path) -> None:
    drifting = dataclasses.replace(LAN_FLEET, clocks=((1.0, ClockModel(offset_ns=1e5, drift=50e-6)),))
    course = replay(drifting, hosts=6, scrapes=4, budgets=("20ms",))
    soon = [
        match[1]
        for name, value in course.scrapes[-1].items()
        if value < 3600 and (match := re.match(r'noonmark_host_budget_time_left_seconds{host="([^"]+)"', name))
    ]
    assert soon
    expected = [f'NoonmarkHostLeavesBudgetSoon{{host="{host}"}}' for host in soon]
    holds(promtool, tmp_path, course, repeated=20 * MINUTE, at_900=expected)


def test_a_silent_host_is_told(promtool: str, tmp_path: Path) -> None:
    names = replay(STEADY, hosts=8, scrapes=1).truth
    assert names is not None
    host = next(name for name in names.hosts if name not in {reference.host for reference in names.references})
    course = replay(STEADY, hosts=8, scrapes=18, silent=(host, 3), budgets=("1ms",))
    holds(
        promtool,
        tmp_path,
        course,
        at_45=[],
        at_105=[f'~NoonmarkHostSilent{{host="{host}"}}', "~NoonmarkManyHostsUnknown"],
        at_240=[f'NoonmarkHostSilent{{host="{host}"}}', "~NoonmarkManyHostsUnknown"],
    )


def test_a_part_that_is_cut_off_is_told(promtool: str, tmp_path: Path) -> None:
    course = replay(KINDS["disconnected"], hosts=8, scrapes=4)
    cut = re.findall(r'noonmark_host_state{host="([^"]+)",state="no-route"', "\n".join(course.scrapes[-1]))
    assert cut
    expected = [f'NoonmarkHostCutOff{{host="{host}"}}' for host in cut]
    holds(
        promtool,
        tmp_path,
        course,
        repeated=MINUTE,
        at_90=[*(f"~{alert}" for alert in expected), "~NoonmarkManyHostsUnknown"],
    )


def test_a_lying_host_is_told(promtool: str, tmp_path: Path) -> None:
    course = replay(KINDS["liar-two-faced"], hosts=12, scrapes=4)
    liars = re.findall(r'noonmark_host_findings{host="([^"]+)",kind="liar"', "\n".join(course.scrapes[-1]))
    assert len(liars) == 1
    said_so = f'NoonmarkStampsContradict{{host="{liars[0]}",kind="liar"}}'
    unknown = [f'~NoonmarkHostSilent{{host="{liars[0]}"}}', "~NoonmarkManyHostsUnknown"]
    state = f'noonmark_host_state{{host="{liars[0]}",state="unknown"}}' in course.scrapes[-1]
    holds(promtool, tmp_path, course, repeated=MINUTE, at_75=[said_so, *(unknown if state else [])])


def test_references_at_odds_are_told(promtool: str, tmp_path: Path) -> None:
    course = replay(KINDS["references-disagree"], hosts=12, scrapes=4)
    assert course.truth is not None
    wrong = [event.host for event in course.truth.events if event.kind is FaultKind.REFERENCE_WRONG]
    holds(promtool, tmp_path, course, repeated=MINUTE, at_60=[f'NoonmarkReferencesDisagree{{host="{wrong[0]}"}}'])


def test_a_reference_that_has_lost_its_source_is_told_after_an_hour(promtool: str, tmp_path: Path) -> None:
    truth = replay(STEADY, hosts=6, scrapes=1).truth
    assert truth is not None
    reference = truth.references[0].host

    def facts(host: str, second: int) -> HostFacts:
        holdover = {"reference_state": "holdover", "holdover_seconds": 3540.0 + second}
        return dataclasses.replace(said(host, second), **(holdover if host == reference else {}))  # type: ignore[arg-type]

    course = replay(STEADY, hosts=6, scrapes=6, facts=facts)
    told = f'NoonmarkReferenceInHoldover{{host="{reference}"}}'
    holds(promtool, tmp_path, course, at_60=[], at_75=[told])


def test_unanswered_probes_are_told(promtool: str, tmp_path: Path) -> None:
    truth = replay(STEADY, hosts=6, scrapes=1).truth
    assert truth is not None
    host = truth.hosts[-1]

    def facts(name: str, second: int) -> HostFacts:
        lost = 30 * second if name == host else 0
        return dataclasses.replace(said(name, second), unanswered=lost)

    course = replay(STEADY, hosts=6, scrapes=48, facts=facts)
    holds(promtool, tmp_path, course, at_300=[f'~NoonmarkProbesUnanswered{{host="{host}"}}'],
          at_700=[f'NoonmarkProbesUnanswered{{host="{host}"}}'])  # fmt: skip


def test_a_late_collector_is_told(promtool: str, tmp_path: Path) -> None:
    course = replay(STEADY, hosts=6, scrapes=8, lateness=lambda number: 12.0 if number >= 2 else 0.0)
    holds(promtool, tmp_path, course, at_15=[], at_45=["~NoonmarkCollectorLate"], at_105=["NoonmarkCollectorLate"])


def test_a_collector_without_an_estimate_a_reference_or_a_store_is_told(promtool: str, tmp_path: Path) -> None:
    empty = Course((scrape(None),))
    missing = replay(STEADY, hosts=6, scrapes=1)
    told = {**missing.scrapes[0], 'noonmark_reference_used{host="holm-reference"}': 0.0}
    failing = [scrape(None, ticks=TickStatistics(number, 0, 0, 0, 0), store_failures=number) for number in range(12)]
    judge(
        promtool,
        tmp_path,
        alerts_query(empty, {150: ["NoonmarkCollectorNotReady"]}, repeated=3 * MINUTE),
        alerts_query(Course((told,)), {150: ['NoonmarkReferenceMissing{host="holm-reference"}']}, repeated=3 * MINUTE),
        alerts_query(Course(({"up{}": 1.0},)), {150: ["NoonmarkCollectorAbsent"]}, repeated=3 * MINUTE),
        alerts_query(Course(tuple(failing)), {150: ["NoonmarkCollectorNotReady", "NoonmarkHistoryNotStored"]}),
    )


def test_certificates_names_and_forgeries_are_told(promtool: str, tmp_path: Path) -> None:
    day = 86_400.0
    agent = 'noonmark_agent_certificate_expiry_timestamp_seconds{instance="quay-gate-1:18622"}'
    own = "noonmark_collector_certificate_expiry_timestamp_seconds{}"
    ready = {"noonmark_collector_ready{}": 1.0}
    good = Course(({**ready, agent: 9 * day, own: 9 * day},))
    bad = Course(({**ready, agent: 4 * day, own: 3 * day},))
    refused = [
        {
            **ready,
            "noonmark_ingest_names_refused_total{}": float(number),
            'noonmark_agent_requests_refused_total{instance="a",reason="forged"}': 20.0 * number,
            'noonmark_agent_requests_refused_total{instance="b",reason="short"}': 20.0 * number,
        }
        for number in range(12)
    ]
    late = 70 * 60
    judge(
        promtool,
        tmp_path,
        alerts_query(good, {late: []}, repeated=80 * MINUTE),
        alerts_query(bad, {late: ['NoonmarkCertificateExpires{instance="quay-gate-1:18622"}']}, repeated=80 * MINUTE),
        alerts_query(Course(tuple(refused)), {150: ["NoonmarkNameRefused", 'NoonmarkProbesForged{instance="a"}']}),
    )
