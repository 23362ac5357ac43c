"""Real programs on loopback addresses: agents probe each other, the collector estimates, each ends when told to."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

pytestmark = [pytest.mark.processes, pytest.mark.steady]
LIMIT = 40.0
"""Seconds after which a test that hangs fails; none waits for it."""
STOP_WITHIN = 2.0
"""Promised: SIGTERM and SIGINT end a program cleanly within this."""
OFFSETS_NS = {"quay-master": 0, "skerry-gate": 5_000_000, "holm-berth": -3_000_000}
DRIFT = 20e-6
COMMAND = [sys.executable, "-m", "noonmark.collector.cli"]
Values = dict[tuple[str, str], float]


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class Program:
    """A running program; its log is for the reader of a failed test."""

    process: subprocess.Popen[bytes]
    log: Path

    def end(self, number: signal.Signals = signal.SIGTERM) -> float:
        """Send a signal; the seconds until the program has ended."""
        started = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(LIMIT)
        return time.monotonic() - started


@contextmanager
def program(folder: Path, name: str, *arguments: str) -> Iterator[Program]:
    log = folder / f"{name}.log"
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NOONMARK")}
    with log.open("ab") as stream:
        process = subprocess.Popen(
            [*COMMAND, *arguments], stdin=subprocess.DEVNULL, stdout=stream, stderr=stream, env=environment
        )
    try:
        yield Program(process, log)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(LIMIT)


def wait_for(condition: Callable[[], object], what: str, *programs: Program) -> None:
    deadline = time.monotonic() + LIMIT
    while not condition():
        for each in programs:
            assert each.process.poll() is None, each.log.read_text()
        assert time.monotonic() < deadline, what + "\n" + "\n".join(each.log.read_text() for each in programs)
        time.sleep(0.05)


def metrics(site: str) -> Values:
    """Samples by name and host; nothing while nobody answers."""
    try:
        with urllib.request.urlopen(f"http://{site}/metrics", timeout=5) as answer:
            text = answer.read().decode()
    except OSError:
        return {}
    return {
        (sample.name, sample.labels.get("host", sample.labels.get("state", ""))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


class Fleet:
    """One collector and three agents, on addresses of 127/8 of their own."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder, self.stack = folder, stack
        self.listen, self.http = free_port(), free_port()
        self.epoch_ns = time.time_ns()
        self.collector = self.start_collector()
        self.agents = {host: self.start_agent(number, host) for number, host in enumerate(OFFSETS_NS, 1)}

    def start_collector(self) -> Program:
        return self.stack.enter_context(
            program(
                self.folder,
                "collector",
                *("collector", "--listen", f"127.0.0.1:{self.listen}", "--http", f"127.0.0.1:{self.http}"),
                *(
                    "--data",
                    str(self.folder / "data"),
                    "--tick",
                    "500ms",
                    "--probe-interval",
                    "100ms",
                    "--reference",
                    "quay-master",
                ),
            )
        )

    def start_agent(self, number: int, host: str) -> Program:
        return self.stack.enter_context(
            program(
                self.folder,
                host,
                *("agent", "--host", host, "--zone", host.split("-")[0], "--report-interval", "200ms"),
                *("--collector", f"127.0.0.1:{self.listen}", "--metrics", f"127.0.88.{number}:18622"),
                *("--bind", f"127.0.88.{number}:18620", "--inject-offset", f"{OFFSETS_NS[host]}ns"),
                *("--inject-drift", str(DRIFT if OFFSETS_NS[host] else 0.0), "--inject-epoch", str(self.epoch_ns)),
            )
        )

    def values(self) -> Values:
        return metrics(f"127.0.0.1:{self.http}")

    def everyone(self) -> list[Program]:
        return [self.collector, *self.agents.values()]

    def records(self) -> float:
        return self.values().get(("noonmark_ingest_records_total", ""), 0.0)


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    with ExitStack() as stack:
        yield Fleet(tmp_path, stack)


def test_agents_probe_each_other_and_every_clock_is_known_within_its_limits(fleet: Fleet) -> None:
    wait_for(lambda: fleet.records() > 300, "records arrive", *fleet.everyone())
    name = "noonmark_host_time_error_seconds"

    def all_known() -> bool:
        values = fleet.values()
        return all((name, host) in values for host in OFFSETS_NS)

    wait_for(all_known, "every host is estimated", *fleet.everyone())
    before_ns = time.time_ns()
    values = fleet.values()
    for host, offset_ns in OFFSETS_NS.items():
        # The estimate's instant lies some moments back: by so much the injected drift may have moved the truth.
        truth = (offset_ns + (DRIFT * (before_ns - fleet.epoch_ns) if offset_ns else 0)) / 1e9
        moved = DRIFT * (10.0 if offset_ns else 0.0)
        assert values[name, host] == pytest.approx(truth, abs=50e-6 + moved)
        assert values["noonmark_host_time_error_lower_limit_seconds", host] <= truth + 1e-9
        assert values["noonmark_host_time_error_upper_limit_seconds", host] >= truth - moved - 1e-9
    wait_for(
        lambda: ("noonmark_agent_time_error_seconds", "") in metrics("127.0.88.2:18622"), "an agent hears of itself"
    )
    own = metrics("127.0.88.2:18622")
    assert own["noonmark_agent_time_error_seconds", ""] == pytest.approx(5e-3, abs=1e-3)
    assert own["noonmark_agent_records_dropped_total", ""] == 0
    for each in fleet.everyone():
        assert each.end() < STOP_WITHIN
        assert each.process.returncode == 0, each.log.read_text()


def test_ctrl_c_ends_each_program_too(fleet: Fleet) -> None:
    wait_for(lambda: fleet.records() > 20, "records arrive", *fleet.everyone())
    for each in reversed(fleet.everyone()):
        assert each.end(signal.SIGINT) < STOP_WITHIN
        assert each.process.returncode == 0, each.log.read_text()
        assert "Traceback" not in each.log.read_text()


def test_a_collector_that_is_killed_is_found_again_with_nothing_dropped(fleet: Fleet) -> None:
    wait_for(lambda: fleet.records() > 50, "records arrive", *fleet.everyone())
    fleet.collector.process.kill()
    fleet.collector.process.wait(LIMIT)
    held = "noonmark_agent_buffer_records"
    wait_for(lambda: metrics("127.0.88.1:18622").get((held, ""), 0) > 20, "records wait", *fleet.agents.values())
    fleet.collector = fleet.start_collector()
    wait_for(lambda: fleet.records() > 100, "records arrive again", *fleet.everyone())

    def back_and_empty(site: str) -> bool:
        values = metrics(site)
        return values.get(("noonmark_agent_collector_connections_total", "")) == 2 and values[held, ""] < 20

    for number in (1, 2, 3):
        site = f"127.0.88.{number}:18622"
        wait_for(lambda site=site: back_and_empty(site), "it is back, its buffer empty", *fleet.everyone())
        assert metrics(site)["noonmark_agent_records_dropped_total", ""] == 0
    assert fleet.values()["noonmark_ingest_repeats_total", ""] == 0


def test_a_bound_address_is_a_clear_refusal(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.88.9", 0))
        port = taken.getsockname()[1]
        arguments = ("agent", "--collector", "127.0.0.1:1", "--metrics", "off", "--bind", f"127.0.88.9:{port}")
        with program(tmp_path, "agent", *arguments) as agent:
            assert agent.process.wait(LIMIT) == 2
            (line,) = agent.log.read_text().strip().splitlines()
            assert "--bind" in line
            assert f"127.0.88.9:{port}" in line
