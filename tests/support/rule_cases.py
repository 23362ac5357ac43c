"""Lab fleets replayed as scrapes of a collector, written down as `promtool test rules` wants its series.

A fleet is simulated, estimated at every scrape from the probes of the last minute as a collector would, and exported;
what the exporter says becomes the series. After the simulation the last scrape is repeated, so that slow alerts come.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from prometheus_client import CollectorRegistry

from noonmark.collector import pipeline
from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference
from noonmark.collector.estimator import TickStatistics
from noonmark.collector.exporter import FleetCollector
from noonmark.collector.exporter_server import ServerCollector
from noonmark.collector.ingest import IngestFill
from noonmark.collector.keeping import KeepingStatistics
from noonmark.collector.state import HostFacts, Published
from noonmark.lab.scenario import Scenario
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

NS = 10**9
SCRAPE_S, WINDOW_S = 15, 60
Facts = Callable[[str, int], HostFacts]
"""What a host says of itself, by its name and the seconds since the first scrape."""


def said(host: str, second: int) -> HostFacts:
    """A host that is well."""
    return HostFacts("quay", "gate", second * NS, asked=100 * (second + 15), unanswered=second + 15)


@dataclass(frozen=True)
class Course:
    """Scrapes of one collector: for each the text of the sample's name with its labels, and its value."""

    scrapes: tuple[dict[str, float], ...]
    truth: Truth | None = None
    estimates: tuple[FleetEstimate, ...] = ()


def scrape(
    published: Published | None,
    *,
    budgets: Sequence[str] = (),
    references: Sequence[str] = (),
    ticks: TickStatistics | None = None,
    store_failures: int = 0,
    now_ns: int = 0,
) -> dict[str, float]:
    """One scrape."""
    registry = CollectorRegistry(auto_describe=False)
    rules = Budgets(tuple(map(parse_rule, budgets)))
    registry.register(
        FleetCollector(lambda: published, budgets=rules, references=references, monotonic_ns=lambda: now_ns)
    )
    counts = ticks or TickStatistics(1, 0, 0, 0, 0)
    keeping = KeepingStatistics(0, 0, store_failures, 0, "")
    registry.register(
        ServerCollector(lambda: IngestFill(1, 1, 1), lambda: counts, lambda: 1, interval=5.0, keeping=lambda: keeping)
    )
    return {
        sample.name + "{" + ",".join(f"{key}={json.dumps(text)}" for key, text in sample.labels.items()) + "}": (
            sample.value
        )
        for family in registry.collect()
        for sample in family.samples
    }


def replay(
    scenario: Scenario,
    *,
    hosts: int,
    scrapes: int = 12,
    seed: int = 1,
    budgets: Sequence[str] = (),
    facts: Facts = said,
    silent: tuple[str, int] | None = None,
    lateness: Callable[[int], float] = lambda _: 0.0,
) -> Course:
    """Scrapes from the first full window on. `silent` names a host and the scrape from which on it is silent."""
    seconds = WINDOW_S + SCRAPE_S * (scrapes - 1)
    probes, truth = simulate(scenario, hosts=hosts, seconds=float(seconds), seed=seed, interval_s=1.0)
    told, estimates = [], []
    references = [reference.host for reference in truth.references]
    for number in range(scrapes):
        second = SCRAPE_S * number
        at_ns = truth.start_ns + (WINDOW_S + second) * NS
        gone = silent[0] if silent and number >= silent[1] else None
        since = truth.start_ns + (WINDOW_S + SCRAPE_S * silent[1]) * NS if silent and gone else 0
        part = _window(probes, at_ns, gone, since)
        seen = {probes.hosts[row] for row in np.union1d(part.source, part.destination).tolist()}
        estimate = pipeline.step(part, references=_present(truth.references, seen), at_ns=at_ns)
        estimates.append(estimate)
        spoken = {host: facts(host, second) for host in truth.hosts}
        if gone and silent:
            spoken[gone] = dataclasses.replace(facts(gone, SCRAPE_S * silent[1]))
        published = Published(1, estimate, spoken, second * NS, 0.1, lateness(number))
        told.append(scrape(published, budgets=budgets, references=references, now_ns=second * NS))
    return Course(tuple(told), truth, tuple(estimates))


def _present(references: Sequence[Reference], seen: set[str]) -> tuple[Reference, ...]:
    return tuple(reference for reference in references if reference.host in seen)


def _window(probes: ProbeColumns, at_ns: int, gone: str | None, since_ns: int) -> ProbeColumns:
    """Rows of the last minute before `at_ns`, by the asking host's clock (errors of ms do not matter here)."""
    rows = (probes.t1_ns > at_ns - WINDOW_S * NS) & (probes.t4_ns <= at_ns)
    if gone is not None:
        host = probes.hosts.index(gone)
        rows &= ~(((probes.source == host) | (probes.destination == host)) & (probes.t1_ns > since_ns))
    columns = {
        field.name: getattr(probes, field.name)[rows] for field in dataclasses.fields(probes) if field.name != "hosts"
    }
    return ProbeColumns(hosts=probes.hosts, **columns)


def series(course: Course, repeated: int = 0) -> list[dict[str, str]]:
    """Input series: a sample a scrape, `stale` where one ends, and the last scrape repeated so many times more."""
    names = dict.fromkeys(name for told in course.scrapes for name in told)
    rows = []
    for name in names:
        values, there = [], False
        for told in course.scrapes:
            values.append(_number(told[name]) if name in told else ("stale" if there else "_"))
            there = name in told
        if there and repeated:
            values[-1] += f"+0x{repeated}"
        rows.append({"series": name, "values": " ".join(values)})
    return rows


def _number(value: float) -> str:
    return {"inf": "Inf", "-inf": "-Inf", "nan": "NaN"}.get(repr(value), repr(float(value)))


def alerts_query(
    course: Course, expected: dict[int, Sequence[str]], *, repeated: int = 0, only: str = ".*"
) -> dict[str, Any]:
    """One test of promtool: at each second exactly these alerts (of the names that match `only`) are there, written
    `Name{label="value"}`.

    A pending alert is written with a `~` in front.
    """
    queries = []
    for second, alerts in expected.items():
        samples = []
        for alert in alerts:
            state = "pending" if alert.startswith("~") else "firing"
            name, _, labels = alert.lstrip("~").partition("{")
            rest = f",{labels}" if labels else "}"
            samples.append({"labels": f'ALERTS{{alertname="{name}",alertstate="{state}"{rest}', "value": 1})
        query = f'label_replace(ALERTS{{alertname=~"{only}"}}, "severity", "", "", "")'
        queries.append({"expr": query, "eval_time": f"{second}s", "exp_samples": samples})
    return {
        "interval": f"{SCRAPE_S}s",
        "input_series": series(course, repeated),
        "promql_expr_test": queries,
    }


def write(path: Path, rules: Path, tests: Sequence[dict[str, Any]]) -> None:
    """A file for `promtool test rules`; JSON is YAML."""
    document = {"rule_files": [str(rules)], "evaluation_interval": f"{SCRAPE_S}s", "tests": list(tests)}
    path.write_text(json.dumps(document))
