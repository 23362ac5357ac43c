"""A real fleet, a real Prometheus, a real browser: a clock is set, and everybody hears of it.

One small fleet for all tests of this file: agents, a collector, a Prometheus server with the rules as shipped, and
Chromium with the collector's page open, all on loopback, all ended by their process ids. Within two ticks of a 5 ms
step the metric has moved, the step is told, the page shows it without being touched, and the alert is pending; it fires
after its own `for`; and every query of the dashboard gives data.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import dashboards
import pytest
from browser import chromium
from click.testing import CliRunner
from playwright.sync_api import Page
from prometheus_client.parser import text_string_to_metric_families

from noonmark.collector.cli import main
from noonmark.collector.metric_table import TABLE
from noonmark.collector.query_client import QueryClient
from noonmark.lab.demo_fleet import DemoFleet, free_port
from noonmark.lab.harbours import DemoHost

pytestmark = [pytest.mark.processes, pytest.mark.browser, pytest.mark.steady]
DEPLOY = Path(__file__).resolve().parent.parent.parent / "deploy"
LIMIT = 90.0
STEPPED, STEADY = "skerry-gate-1", "quay-gate-1"
STEP_S = 5e-3
ALERT_FOR_S = 20


def host(number: int, name: str, role: str, offset_ns: int) -> DemoHost:
    zone = name.split("-")[0]
    return DemoHost(name, zone, role, f"127.0.87.{number}", offset_ns, 1e-8 * number, time.time_ns())


class Fleet(DemoFleet):
    """Two references and four others, with budgets, each agent ready to act as if its clock were set."""

    def __init__(self) -> None:
        super().__init__(
            [
                host(1, "quay-reference", "reference", 30),
                host(2, "skerry-reference", "reference", -20),
                host(3, STEADY, "ticket gate", 200_000),
                host(4, STEPPED, "ticket gate", -300_000),
                host(5, "holm-berth-1", "berth sensor", 50_000),
                host(6, "holm-booking", "booking database", 900_000),
            ]
        )

    def collector_arguments(self) -> list[str]:
        return [*super().collector_arguments(), "--budget=2ms", "--budget=database=role:booking database"]

    def agent_arguments(self, host: DemoHost) -> list[str]:
        own = [argument for argument in super().agent_arguments(host) if "--report-interval" not in argument]
        return [*own, "--report-interval=200ms", f"--inject-step={round(STEP_S * 1e9)}ns"]

    def process_of(self, name: str) -> int:
        return self.process_ids[1 + [host.name for host in self.hosts].index(name)]

    def metrics(self) -> dict[tuple[str, ...], float]:
        """Samples of the collector by name and label values, in the labels' alphabetical order."""
        return {
            (sample.name, *sample.labels.values()): sample.value
            for family in text_string_to_metric_families(scraped(f"127.0.0.1:{self.http_port}"))
            for sample in family.samples
        }


def scraped(site: str) -> str:
    with urllib.request.urlopen(f"http://{site}/metrics", timeout=10) as answer:
        text: str = answer.read().decode()
        return text


class Prometheus:
    """One server and what it answers."""

    def __init__(self, folder: Path, fleet: Fleet) -> None:
        program = shutil.which("prometheus")
        assert program, "prometheus is not there: install Debian's package prometheus (apt-get install prometheus)"
        self.site = f"127.0.0.1:{free_port('127.0.0.1', 0, socket.SOCK_STREAM)}"
        agents = [f"{host.address}:{fleet.agent_ports[host.name]}" for host in fleet.hosts]
        jobs = {"noonmark-collector": [f"127.0.0.1:{fleet.http_port}"], "noonmark-agent": agents}
        settings = {
            "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
            "rule_files": [str(DEPLOY / "prometheus" / "noonmark-rules.yml")],
            "scrape_configs": [
                {"job_name": job, "honor_labels": True, "static_configs": [{"targets": targets}]}
                for job, targets in jobs.items()
            ],
        }
        (folder / "prometheus.yml").write_text(json.dumps(settings))
        self.log = folder / "prometheus.log"
        with self.log.open("wb") as stream:
            self.process = subprocess.Popen(
                [
                    program,
                    f"--config.file={folder / 'prometheus.yml'}",
                    f"--storage.tsdb.path={folder / 'data'}",
                    f"--web.listen-address={self.site}",
                    "--log.level=warn",
                ],
                stdin=subprocess.DEVNULL,
                stdout=stream,
                stderr=stream,
            )

    def ask(self, path: str, **fields: object) -> Any:
        """The data of an answer; None while nobody answers."""
        url = f"http://{self.site}/api/v1/{path}?{urllib.parse.urlencode(fields)}"
        try:
            with urllib.request.urlopen(url, timeout=10) as answer:
                return json.load(answer)["data"]
        except urllib.error.HTTPError as error:
            if error.code == 503:  # it listens, and is not ready yet
                return None
            raise AssertionError(f"{fields}: {error.read().decode()}") from None
        except OSError:
            assert self.process.poll() is None, self.log.read_text()
            return None

    def query(self, expression: str) -> list[Any]:
        found = self.ask("query", query=expression)
        return found["result"] if found else []

    def first(self, expression: str, since: float) -> float | None:
        """The earliest second since then at which an expression gave anything."""
        found = self.ask("query_range", query=expression, start=since, end=time.time(), step=1)
        moments = [float(values[0][0]) for series in found["result"] if (values := series["values"])]
        return min(moments) if moments else None


def wait_for(condition: Callable[[], object], what: str, *fleets: Fleet) -> None:
    deadline = time.monotonic() + LIMIT
    while not condition():
        for fleet in fleets:
            fleet.check()
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


@pytest.fixture(scope="module")
def fleet() -> Iterator[Fleet]:
    with Fleet() as running:

        def all_within() -> bool:
            try:
                told = running.metrics()
            except OSError:
                return False
            return all(("noonmark_host_budget_state", host.name, "within") in told for host in running.hosts)

        wait_for(all_within, "every clock is shown to be within its budget", running)
        yield running


@pytest.fixture(scope="module")
def prometheus(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Prometheus]:
    server = Prometheus(tmp_path_factory.mktemp("prometheus"), fleet)
    try:
        wait_for(lambda: server.query(f'noonmark_host_time_error_seconds{{host="{STEPPED}"}}'), "it scrapes", fleet)
        yield server
    finally:
        server.process.terminate()
        try:
            server.process.wait(20)
        except subprocess.TimeoutExpired:
            server.process.kill()
            server.process.wait(20)


SEEN = """([where, words]) => {
  window.seenAt = null;
  const look = () => {
    const says = (part) => words.every((word) => part.textContent.includes(word));
    const found = [...document.querySelectorAll(where)].some(says);
    if (found && window.seenAt === null) window.seenAt = Date.now() / 1e3;
  };
  new MutationObserver(look).observe(document.body, { subtree: true, childList: true, characterData: true });
  look();
  return window.seenAt;
}"""


@pytest.fixture(scope="module")
def pages(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Page]]:
    """The collector's page in two tabs, at the fleet and at the findings; each notes when it shows the stepped host."""
    shows = {"fleet": ("h1.verdict.out", [STEPPED, "ahead by 4."]), "findings": (".findings li", [STEPPED, "step"])}
    with chromium(tmp_path_factory.mktemp("cache")) as browser:
        tabs = {}
        for view, (where, words) in shows.items():
            tab = tabs[view] = browser.new_page(viewport={"width": 1280, "height": 800})
            tab.goto(f"{fleet.page}#/{view}")
            tab.wait_for_selector(f"main[data-ready={view}]")
            assert tab.evaluate(SEEN, [where, words]) is None
        assert tabs["fleet"].locator(".reference-standing").text_content()
        assert "within budget" in (tabs["fleet"].locator("h1.verdict.within").text_content() or "")
        yield tabs


@pytest.fixture(scope="module")
def step(fleet: Fleet, prometheus: Prometheus, pages: dict[str, Page]) -> tuple[float, float]:
    """A clock is set by 5 ms: when (Unix time), and how many ticks there had been."""
    ticks = fleet.metrics()["noonmark_collector_ticks_total", "published"]
    moment = time.time()
    os.kill(fleet.process_of(STEPPED), signal.SIGUSR1)
    return moment, ticks


def test_within_two_ticks_the_metric_has_moved_and_the_step_is_told(fleet: Fleet, step: tuple[float, float]) -> None:
    told: dict[tuple[str, ...], float] = {}

    def moved() -> bool:
        told.clear()
        told.update(fleet.metrics())
        return told.get(("noonmark_host_time_error_seconds", STEPPED), 0.0) > STEP_S / 2

    wait_for(moved, "the time error moves", fleet)
    # One tick may have been under way already when the clock was set.
    assert told["noonmark_collector_ticks_total", "published"] - step[1] <= 3
    assert told["noonmark_host_time_error_seconds", STEPPED] == pytest.approx(STEP_S - 300e-6, abs=300e-6)
    assert told["noonmark_host_step_seconds", STEPPED] == pytest.approx(STEP_S, abs=300e-6)
    assert told["noonmark_host_findings", STEPPED, "step"] == 1
    assert told["noonmark_host_budget_state", STEPPED, "out"] == 1
    assert told["noonmark_budget_hosts", "2ms", "out", "skerry"] == 1
    with QueryClient(fleet.collector) as client:
        found = [finding for finding in client.fleet().findings if finding.kind == "step"]
    assert [finding.host for finding in found] == [STEPPED]
    assert found[0].at_ns / 1e9 == pytest.approx(step[0], abs=1.0)


@pytest.mark.parametrize("view", ["fleet", "findings"])
def test_within_two_ticks_the_page_shows_it_without_being_touched(
    fleet: Fleet, pages: dict[str, Page], step: tuple[float, float], view: str
) -> None:
    tab = pages[view]
    wait_for(lambda: tab.evaluate("window.seenAt"), f"the view of {view} shows it", fleet)
    tick = 1
    assert tab.evaluate("window.seenAt") - step[0] <= 2 * tick + 1
    assert tab.evaluate("performance.getEntriesByType('navigation').length") == 1


def test_the_gate_lets_the_steady_host_pass_and_not_the_stepped_one(fleet: Fleet, step: tuple[float, float]) -> None:
    def gate(host: str, budget: str) -> int:
        arguments = ["--collector", fleet.collector, "--host", host, "--budget", budget, "--timeout", "2s"]
        return CliRunner().invoke(main, ["gate", *arguments]).exit_code

    assert gate(STEADY, "2ms") == 0
    assert gate(STEPPED, "2ms") == 1
    assert gate(STEPPED, "database") == 0


def test_alerts_go_from_pending_to_firing(fleet: Fleet, prometheus: Prometheus, step: tuple[float, float]) -> None:
    def alert(name: str, state: str) -> str:
        return f'ALERTS{{alertname="{name}", alertstate="{state}", host="{STEPPED}"}}'

    firing = alert("NoonmarkHostOutOfBudget", "firing")
    since = step[0] - 30
    wait_for(lambda: prometheus.first(firing, since), "the alert fires", fleet)
    moved = prometheus.first(f'noonmark_host_time_error_seconds{{host="{STEPPED}"}} > {STEP_S / 2}', since)
    stepped = prometheus.first(alert("NoonmarkClockStepped", "firing"), since)
    pending = prometheus.first(alert("NoonmarkHostOutOfBudget", "pending"), since)
    fired = prometheus.first(firing, since)
    assert moved is not None
    assert stepped is not None
    assert pending is not None
    assert fired is not None
    tick = scrape = evaluation = 1
    assert moved - step[0] <= 2 * tick + scrape + 1
    assert stepped - step[0] <= 2 * tick + scrape + evaluation + 1
    assert pending - step[0] <= 2 * tick + scrape + evaluation + 1
    assert ALERT_FOR_S <= fired - pending <= ALERT_FOR_S + 2 * evaluation
    others = prometheus.query(f'ALERTS{{alertname=~"Noonmark.*", host!="{STEPPED}", severity!="info"}}')
    assert not others, "nobody else is accused"
    told = [entry for entry in prometheus.ask("alerts")["alerts"] if entry["labels"].get("host") == STEPPED]
    (out,) = [entry for entry in told if entry["labels"]["alertname"] == "NoonmarkHostOutOfBudget"]
    words = out["annotations"]["description"]
    assert re.search(rf"^{STEPPED}'s clock is 4\.\d+ms ahead of the reference, .* budget of 2ms \(2ms\);", words), words


def test_every_query_of_the_dashboard_gives_data(
    prometheus: Prometheus, fleet: Fleet, step: tuple[float, float]
) -> None:
    dashboard = json.loads((DEPLOY / "grafana" / "noonmark.json").read_text())
    asked = [dashboards.filled(expression) for expression in dashboards.queries(dashboard)]
    assert len(asked) > 40
    fired = 'ALERTS{alertname="NoonmarkHostOutOfBudget", alertstate="firing"}'
    wait_for(lambda: prometheus.query(fired), "the alert fires", fleet)
    since = step[0] - 5
    empty = [expression for expression in asked if prometheus.first(expression, since) is None]
    assert not empty


def test_what_is_scraped_is_what_the_table_promises(fleet: Fleet, prometheus: Prometheus) -> None:
    promtool = shutil.which("promtool")
    assert promtool, "promtool is not there: it comes with Debian's package prometheus"
    promised = {metric.name for metric in TABLE}
    agent = fleet.hosts[2]
    for site in (f"127.0.0.1:{fleet.http_port}", f"{agent.address}:{fleet.agent_ports[agent.name]}"):
        text = scraped(site)
        done = subprocess.run([promtool, "check", "metrics"], input=text, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")
        names = {line.split()[2] for line in text.splitlines() if line.startswith("# TYPE")}
        unknown = {
            name
            for name in names - promised
            if not name.startswith(("noonmark_agent_", "noonmark_ingest_")) and not name.endswith(("_gsum", "_gcount"))
        }
        assert not unknown
    up = {tuple(sorted(series["metric"].items())): series["value"][1] for series in prometheus.query("up")}
    assert len(up) == 1 + len(fleet.hosts)
    assert set(up.values()) == {"1"}
