"""A fleet of real programs on a fabric, to be hurt: agents and collectors that are started, killed, stopped and asked.

Every host has a namespace of its own; the clocks are wrong by known amounts, so each answer can be held to the truth.
"""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from fabric import Network, fabric
from namespaces import Namespace

COMMAND = (sys.executable, "-m", "noonmark.collector.cli")
WITHIN = 60.0
"""Seconds after which something that was waited for will not come."""
TICK = 1.0
Result = TypeVar("Result")
_LIBRARY = ctypes.CDLL(None, use_errno=True)


def inside(host: Namespace, work: Callable[[], Result]) -> Result:
    """Run something in a host's network namespace, in a thread of its own."""
    told: list[Result] = []
    failed: list[BaseException] = []

    def body() -> None:
        try:
            with Path(f"/var/run/netns/{host.name}").open() as namespace:
                if _LIBRARY.setns(namespace.fileno(), 0):
                    raise OSError(ctypes.get_errno(), "setns")
            told.append(work())
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=body)
    thread.start()
    thread.join()
    if failed:
        raise failed[0]
    return told[0]


def page(host: Namespace, port: int, path: str) -> str:
    """A page of a program on this host's loopback; empty if nobody answers."""

    def work() -> str:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        try:
            connection.request("GET", path)
            return connection.getresponse().read().decode()
        except (OSError, http.client.HTTPException):
            return ""
        finally:
            connection.close()

    return inside(host, work)


@dataclass
class Program:
    """One program of the fleet."""

    name: str
    host: Namespace
    command: list[str]
    log: Path
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0

    def start(self) -> None:
        """Start it, or start it anew."""
        environment = {key: value for key, value in os.environ.items() if not key.startswith("NOONMARK")}
        self.starts += 1
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.host.command(*self.command), stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment
            )

    def signal(self, number: int) -> None:
        """Send it a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it without a word."""
        self.signal(signal.SIGKILL)
        assert self.process is not None
        self.process.wait(20)

    def end(self) -> None:
        """Ask it to end; kill it if it does not. The second time nothing happens."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.kill()


@dataclass(frozen=True)
class Change:
    """What was done to an agent's clock on trial, as its log tells it."""

    at_ns: int
    by_ns: int
    within_ns: int = 0
    """0: set; else evenly over so long."""

    def done(self, at_ns: int) -> float:
        """How much of it was done by then."""
        past_ns = at_ns - self.at_ns
        if past_ns < 0 or self.within_ns == 0:
            return self.by_ns if past_ns >= 0 else 0.0
        return self.by_ns * min(past_ns, self.within_ns) / self.within_ns


@dataclass
class FaultFleet:
    """The running fleet."""

    network: Network
    folder: Path
    collectors: list[Program] = field(default_factory=list)
    agents: dict[str, Program] = field(default_factory=dict)
    errors: dict[str, tuple[int, float]] = field(default_factory=dict)
    """By host: offset (ns) and drift of its clock."""
    changes: dict[str, list[Change]] = field(default_factory=dict)
    """By host: what was done to its clock since it was started."""
    disturbed: set[str] = field(default_factory=set)
    """Hosts whose clock something is being done to: their wrong limits are collected, not asserted."""
    wrong: list[tuple[str, int, float]] = field(default_factory=list)
    """Of the disturbed: host, instant, and by how much the truth lay outside of the limits (ns)."""
    epoch_ns: int = field(default_factory=time.time_ns)

    def truth(self, host: str, at_ns: int) -> float:
        """A clock's true offset against the reference's clock, which is right."""
        offset, drift = self.errors[host]
        return offset + drift * (at_ns - self.epoch_ns) + sum(each.done(at_ns) for each in self.changes.get(host, ()))

    def disturb(self, host: str, number: int) -> Change:
        """Have an agent's clock set (SIGUSR1) or slewed (SIGUSR2); what its log tells of it."""
        program = self.agents[host]
        known = self.changes.setdefault(host, [])
        told: list[Change] = []

        def heard() -> bool:
            found = re.findall(r"on trial at_ns=(\d+) by_ns=(-?\d+)(?: within_ns=(\d+))?", program.log.read_text())
            told[:] = [Change(int(at), int(by), int(within or 0)) for at, by, within in found]
            return len(told) > len(known)

        heard()
        assert told == known, "the agent was started anew since"
        self.disturbed.add(host)
        program.signal(number)
        self.wait(heard, "the clock is disturbed")
        known.append(told[-1])
        return told[-1]

    def fleet(self, collector: int = 0) -> dict[str, Any]:
        """What a collector says now; empty if it says nothing."""
        text = page(self.collectors[collector].host, 18623, "/api/v1/fleet")
        told: dict[str, Any] = json.loads(text) if text.startswith("{") else {}
        return told if "hosts" in told else {}

    def metrics(self, program: Program, port: int) -> dict[str, float]:
        """Samples without labels, by name without prefix."""
        found = {}
        for line in page(program.host, port, "/metrics").splitlines():
            name, _, value = line.partition(" ")
            if name.startswith("noonmark_") and "{" not in name:
                found[name.removeprefix("noonmark_").removesuffix("_total")] = float(value)
        return found

    def agent_metrics(self, host: str) -> dict[str, float]:
        """Of one agent."""
        return self.metrics(self.agents[host], 18622)

    def measured(self, collector: int = 0) -> set[str]:
        """Hosts that a collector has a present answer for."""
        return {host["host"] for host in self.fleet(collector).get("hosts", ()) if host["state"] == "measured"}

    def wait(self, condition: Callable[[], object], what: str, within: float = WITHIN) -> float:
        """Wait for something; how long it took. Raises AssertionError, with the logs' ends, if it does not come."""
        started = time.monotonic()
        while not condition():
            if time.monotonic() - started > within:
                logs = "\n".join(f"--- {log.name}\n{log.read_text()[-800:]}" for log in self.folder.glob("*.log"))
                raise AssertionError(f"{what}: not within {within} s\n{logs}")
            time.sleep(0.1)
        return time.monotonic() - started

    def wait_measured(self, collector: int = 0, hosts: set[str] | None = None) -> float:
        """Until all (or these) hosts but the reference are measured."""
        wanted = hosts if hosts is not None else set(self.agents) - {REFERENCE}
        return self.wait(lambda: wanted <= self.measured(collector), f"{sorted(wanted)} measured")

    def check_limits(self, collector: int = 0) -> int:
        """Hold every answer to the truth: no limit may be wrong. Returns how many were held."""
        told = self.fleet(collector)
        held = 0
        for host in told.get("hosts", ()):
            if host["state"] in ("measured", "reference") and host.get("lower_ns") is not None:
                true = self.truth(host["host"], told["at_ns"])
                outside = max(host["lower_ns"] - 1 - true, true - host["upper_ns"] - 1)
                if host["host"] in self.disturbed:
                    if outside > 0 and (host["host"], told["at_ns"], outside) not in self.wrong:
                        self.wrong.append((host["host"], told["at_ns"], outside))
                    continue
                assert outside <= 0, (host, true)
                held += 1
        return held


STEPS = {1: "1h", 2: "-1h", 3: "1h"}
"""By an agent's number: by how much its clock is set at SIGUSR1."""
SLEW = "3ms"
"""By how much any clock is slewed at SIGUSR2."""
REFERENCE = "quay-reference"
NAMES = (REFERENCE, "quay-gate-1", "skerry-gate-1", "skerry-berth-1", "holm-gate-1", "holm-booking")


@contextlib.contextmanager
def fault_fleet(
    folder: Path,
    *,
    agents: int = 4,
    collectors: int = 1,
    data: Path | None = None,
    tls: dict[str, Path] | None = None,
) -> Iterator[FaultFleet]:
    """Collectors on the first hosts of a fabric, agents on the others; all started. Ends everything.

    `tls`: by program, the folder of its certificate; then nothing goes plain but probes.
    """
    draw = random.Random(7)
    with fabric(collectors + agents) as network:
        made = FaultFleet(network, folder)
        try:
            for number in range(collectors):
                made.collectors.append(_collector(made, number, data))
            for number in range(agents):
                name = NAMES[number]
                made.errors[name] = (draw.randrange(-20_000_000, 20_000_000), draw.uniform(-30e-6, 30e-6))
                made.agents[name] = _agent(made, collectors + number, name, collectors)
            made.errors[REFERENCE] = (0, 0.0)
            for each in (*made.collectors, *made.agents.values()):
                if each.name == REFERENCE:
                    each.command = _without_error(each.command)
                if tls is not None:
                    each.command += _secured(tls[each.name])
                each.start()
            yield made
        finally:
            for each in (*made.agents.values(), *made.collectors):
                each.end()


def _collector(fleet: FaultFleet, number: int, data: Path | None) -> Program:
    host = fleet.network.hosts[number]
    place = data or fleet.folder / f"data-{number}"
    command = [*COMMAND, "collector", "--listen", f"{host.address}:18621", "--plaintext-beyond-loopback"]
    command += ["--data", str(place), "--reference", REFERENCE, "--tick", f"{TICK}s", "--window", "10s"]
    command += ["--probe-interval", "200ms", "--leave-after", "20s"]
    return Program(f"collector-{number}", host, command, fleet.folder / f"collector-{number}.log")


def _agent(fleet: FaultFleet, place: int, name: str, collectors: int) -> Program:
    host = fleet.network.hosts[place]
    offset, drift = fleet.errors[name]
    command = [*COMMAND, "agent", "--host", name, "--bind", f"{host.address}:18620", "--plaintext-beyond-loopback"]
    for number in range(collectors):
        command += ["--collector", f"{fleet.network.hosts[number].address}:18621"]
    command += ["--report-interval", "300ms", "--zone", name.split("-")[0]]
    command += ["--inject-offset", f"{offset}ns", "--inject-drift", repr(drift), "--inject-epoch", str(fleet.epoch_ns)]
    number = place - len(fleet.collectors)
    command += [f"--inject-slew={SLEW}", f"--inject-step={STEPS.get(number, '1h')}"]
    return Program(name, host, command, fleet.folder / f"{name}.log")


def _without_error(command: list[str]) -> list[str]:
    return command[: command.index("--inject-offset")]


def _secured(folder: Path) -> list[str]:
    names = {"authority": "authority.pem", "certificate": "own.pem", "key": "own.key"}
    return [f"--tls-{what}={folder / name}" for what, name in names.items()]
