"""The demonstration's programs: a collector and one agent a host, real processes on loopback. Rim.

Each agent has its own loopback address; ports are chosen free, and the usual ones belong to the first of several
demonstrations that run at once. All programs are children of this one, known by their
process ids; they end with it, in order: agents first, so that they deliver what they measured.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from noonmark.lab.harbours import REFERENCE_LIMIT_NS, REFERENCE_UNCERTAINTY_NS, DemoHost

COLLECTOR_ADDRESS = "127.0.0.1"
PREFERRED_PORTS = {"probe": 18620, "report": 18621, "agent-http": 18622, "http": 18623}
CLAIM = "\0noonmark-demo"
"""An abstract Unix socket (unix(7)): who is bound to it has the preferred ports; it vanishes with its process."""
TICK = "1s"
WINDOW = "30s"
PROBE_INTERVAL = "500ms"
REPORT_INTERVAL = "1s"
RECEIVER_DELAY = "300us/1ms"
"""What two programs on a machine that is not overloaded take to hand a sentence over."""
LOCK_AFTER, LOSE_AFTER = "3s", "2s"
OSCILLATOR = "quartz"
SECONDS_TO_END = 3.0


class ChildEnded(Exception):  # noqa: N818 - named for what the catcher holds
    """A program of the demonstration ended by itself; the text says which, and its last words."""


@dataclass(frozen=True, slots=True)
class _Child:
    name: str
    process: subprocess.Popen[bytes]
    log: Path


def free_port(address: str, preferred: int, kind: socket.SocketKind) -> int:
    """A port that is free at this moment: the preferred one if it can be had."""
    for port in (preferred, 0):
        with socket.socket(socket.AF_INET, kind) as probe, contextlib.suppress(OSError):
            probe.bind((address, port))
            return int(probe.getsockname()[1])
    raise OSError(f"no free port at {address}")


def claim_preferred_ports() -> socket.socket | None:
    """Claim them until the socket is closed; None if another demonstration has them.

    Without this, two that start together would both find the same ports free.
    """
    claim = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        claim.bind(CLAIM)
    except OSError:
        claim.close()
        return None
    return claim


class DemoFleet:
    """All programs. Use as a context manager; leaving it ends them and removes their files."""

    def __init__(self, hosts: Sequence[DemoHost], receivers: Mapping[str, str] | None = None) -> None:
        """`receivers`: places of the satellite receivers that references listen to, by the reference's name."""
        self.hosts = tuple(hosts)
        self._receivers = dict(receivers or {})
        self._claim = claim_preferred_ports()
        preferred = PREFERRED_PORTS if self._claim else dict.fromkeys(PREFERRED_PORTS, 0)
        tcp, udp = socket.SOCK_STREAM, socket.SOCK_DGRAM
        self.report_port = free_port(COLLECTOR_ADDRESS, preferred["report"], tcp)
        self.http_port = free_port(COLLECTOR_ADDRESS, preferred["http"], tcp)
        self.probe_ports = {host.name: free_port(host.address, preferred["probe"], udp) for host in hosts}
        self.agent_ports = {host.name: free_port(host.address, preferred["agent-http"], tcp) for host in hosts}
        self._folder = Path(tempfile.mkdtemp(prefix="noonmark-demo-"))
        self._children: list[_Child] = []

    @property
    def collector(self) -> str:
        """Where agents report and questions are answered."""
        return f"{COLLECTOR_ADDRESS}:{self.report_port}"

    @property
    def page(self) -> str:
        """The collector's own page."""
        return f"http://{COLLECTOR_ADDRESS}:{self.http_port}/"

    @property
    def process_ids(self) -> tuple[int, ...]:
        """Of all programs that were started."""
        return tuple(child.process.pid for child in self._children)

    def __enter__(self) -> DemoFleet:
        try:
            self._start("collector", self.collector_arguments())
            for host in self.hosts:
                self._start(host.name, self.agent_arguments(host))
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def collector_arguments(self) -> list[str]:
        """Command line of the collector."""
        declared = f"={REFERENCE_UNCERTAINTY_NS}ns/{REFERENCE_LIMIT_NS}ns"
        references = [host.name + declared for host in self.hosts if host.is_reference]
        return [
            "collector",
            f"--listen={self.collector}",
            f"--http={COLLECTOR_ADDRESS}:{self.http_port}",
            f"--data={self._folder / 'data'}",
            *(f"--reference={reference}" for reference in references),
            f"--tick={TICK}",
            f"--window={WINDOW}",
            f"--probe-interval={PROBE_INTERVAL}",
        ]

    def agent_arguments(self, host: DemoHost) -> list[str]:
        """Command line of one agent."""
        return [
            "agent",
            f"--host={host.name}",
            f"--zone={host.zone}",
            f"--role={host.role}",
            f"--collector={self.collector}",
            f"--bind={host.address}:{self.probe_ports[host.name]}",
            f"--metrics={host.address}:{self.agent_ports[host.name]}",
            f"--report-interval={REPORT_INTERVAL}",
            f"--inject-offset={host.offset_ns}ns",
            f"--inject-drift={host.drift!r}",
            f"--inject-epoch={host.epoch_ns}",
            *self._receiver_arguments(host),
        ]

    def _receiver_arguments(self, host: DemoHost) -> list[str]:
        place = self._receivers.get(host.name)
        if place is None:
            return []
        return [
            f"--reference-nmea={place}",
            f"--reference-nmea-delay={RECEIVER_DELAY}",
            f"--reference-lock-after={LOCK_AFTER}",
            f"--reference-lose-after={LOSE_AFTER}",
            f"--reference-oscillator={OSCILLATOR}",
        ]

    def _start(self, name: str, arguments: Sequence[str]) -> None:
        log = self._folder / f"{name}.log"
        # Settings of the user's own programs must not reach these.
        environment = {key: value for key, value in os.environ.items() if not key.startswith("NOONMARK_")}
        with log.open("wb") as stream:
            process = subprocess.Popen(
                [sys.executable, "-m", "noonmark.lab.demo_child", str(os.getpid()), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=stream,
                stderr=stream,
                env=environment,
            )
        self._children.append(_Child(name, process, log))

    def check(self) -> None:
        """Raises ChildEnded if any program is not running any more."""
        for child in self._children:
            code = child.process.poll()
            if code is not None:
                words = child.log.read_text(errors="replace").strip().splitlines()
                last = words[-1] if words else "no word"
                raise ChildEnded(f"the program of {child.name} ended by itself (exit code {code}): {last}")

    def close(self) -> None:
        """End all programs by their ids, and remove their files. May be called twice."""
        agents, collectors = self._children[1:], self._children[:1]
        for group in (agents, collectors):
            _end([child.process for child in group])
        self._children = []
        if self._claim is not None:
            self._claim.close()
            self._claim = None
        shutil.rmtree(self._folder, ignore_errors=True)


def _end(processes: Sequence[subprocess.Popen[bytes]]) -> None:
    """Ask politely, wait a little, then insist."""
    for process in processes:
        process.terminate()
    deadline = time.monotonic() + SECONDS_TO_END
    for process in processes:
        try:
            process.wait(max(0.0, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
