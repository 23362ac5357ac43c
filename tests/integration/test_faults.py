"""Real programs under faults: the quick part. All of them, with figures: ``python tests/bench/faults.py``.

What must hold in each is in tests/support/fault_scenarios.py, and tabled in deploy/FAULTS.md.
"""

from __future__ import annotations

import asyncio
import os
import random
import resource
import signal
import socket
import subprocess
import time
from pathlib import Path

import fault_scenarios as scenarios
import pytest
from fault_fleet import COMMAND, FaultFleet, fault_fleet

from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.spool import Spool
from noonmark.collector.history import open_history
from noonmark.proto.control import Endpoint, Hello, ProbeCounters
from noonmark.proto.options import HostPort
from noonmark.proto.records import ProbeRecord, StampSource

pytestmark = [pytest.mark.processes, pytest.mark.steady]
KERNEL = (StampSource.KERNEL,) * 4
LIMIT = 60.0


@pytest.mark.namespaces
def test_a_fleet_on_a_bad_network_whose_collector_is_killed(tmp_path: Path) -> None:
    with fault_fleet(tmp_path, agents=3) as fleet:
        fleet.wait_measured()
        scenarios.all_kept(fleet)
        told = scenarios.bad_network(fleet, seconds=2)
        assert told["answers_held"]
        quick_kill(fleet)
        scenarios.hostile(fleet, "garbage", seconds=1)


def quick_kill(fleet: FaultFleet) -> None:
    told = scenarios.collector_killed(fleet, pause=0.5)
    assert float(told["gap_in_history_s"]) < LIMIT


class Side:
    """An agent's reporting, by a test that knows what it measured, and when each record was called kept."""

    def __init__(self, host: str, peer: str, collector: HostPort) -> None:
        self.peer = peer
        self.spool = Spool()
        self.times: list[int] = []
        self.host = host
        self.reporter = Reporter(
            ReportSettings((collector,), interval=0.05, first_pause=0.05, longest_pause=0.2),
            self.spool,
            hello=self.hello,
            on_plan=lambda plan: None,
            counters=ProbeCounters,
            rng=random.Random(1),
        )

    async def hello(self, where: HostPort) -> Hello:
        return Hello(self.host, 7, endpoints=(Endpoint("127.0.0.1", 9),))

    def measure(self) -> None:
        now = time.time_ns()
        self.times.append(now)
        record = ProbeRecord(self.peer, now, now + 50_000, now + 60_000, now + 110_000, KERNEL, 1, 1, True)
        self.reporter.add_records([record])

    @property
    def last_kept_ns(self) -> int:
        """When the newest record was measured that the collector has called kept."""
        kept = self.spool.statistics().records_acknowledged
        return self.times[kept - 1] if kept else 0


@pytest.mark.sockets
def test_what_was_called_kept_is_in_the_history_when_the_collector_is_killed(tmp_path: Path) -> None:
    """At any moment: killed twice, without any warning, while reports stream in."""

    async def main() -> None:
        where = HostPort("127.0.0.1", free_port())
        sides = [Side("quay-gate-1", "quay-reference", where), Side("quay-reference", "quay-gate-1", where)]
        reporting = [asyncio.create_task(side.reporter.run()) for side in sides]
        measuring = asyncio.create_task(measure(sides))
        draw = random.Random(5)
        for _ in range(2):
            collector = start(tmp_path, where)
            try:
                kept = [side.last_kept_ns for side in sides]
                await until(lambda kept=kept: all(side.last_kept_ns > ns for side, ns in zip(sides, kept, strict=True)))
                await asyncio.sleep(draw.uniform(0.0, 0.7))
            finally:
                collector.send_signal(signal.SIGKILL)
                collector.wait(20)
            await asyncio.sleep(0.1)  # what was on its way is read
            check(tmp_path, sides)
        collector = start(tmp_path, where)
        measuring.cancel()
        try:
            for side in sides:
                side.spool.close_batch(now=time.monotonic())
            await until(lambda: not any(side.spool.statistics().rows for side in sides))
            check(tmp_path, sides)
            for side in sides:
                statistics = side.spool.statistics()
                assert (statistics.records_dropped, statistics.records_acknowledged) == (0, len(side.times))
        finally:
            collector.terminate()
            collector.wait(20)
        for side in sides:
            side.reporter.stop()
        await asyncio.gather(*reporting)

    asyncio.run(asyncio.wait_for(main(), 3 * LIMIT))


def test_a_collector_with_too_little_address_space_is_refused_in_a_line(tmp_path: Path) -> None:
    def bound() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (300 << 20, 300 << 20))

    command = [*COMMAND, "collector", "--data", str(tmp_path), "--http", "off"]
    told = subprocess.run(
        command, preexec_fn=bound, capture_output=True, text=True, timeout=LIMIT, check=False, stdin=subprocess.DEVNULL
    )
    assert told.returncode == 2
    assert told.stderr.splitlines() == [
        "Error: the address space is limited to 300 MiB (RLIMIT_AS): allow 600 MiB or more, or limit the memory in use "
        "instead (MemoryMax of a service)"
    ]
    assert not list(tmp_path.iterdir())


def check(folder: Path, sides: list[Side]) -> None:
    with open_history(folder / "history.sqlite", read_only=True) as history:
        span = history.span()
        assert span is not None
        estimate = history.estimate_at(span[1])
    assert estimate is not None
    for side in sides:
        newest = int(estimate.newest_ns[estimate.hosts.index(side.host)])
        # Times are told in reference time, and the two clocks are one here, to within what the estimate is off.
        assert newest >= side.last_kept_ns - 1_000_000, (side.host, side.last_kept_ns - newest)


async def measure(sides: list[Side]) -> None:
    while True:
        for side in sides:
            side.measure()
        await asyncio.sleep(0.02)


async def until(condition: object) -> None:
    async with asyncio.timeout(LIMIT):
        while not condition():  # type: ignore[operator]
            await asyncio.sleep(0.02)


def free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        port: int = trial.getsockname()[1]
        return port


def start(folder: Path, where: HostPort) -> subprocess.Popen[bytes]:
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NOONMARK")}
    command = [*COMMAND, "collector", "--listen", str(where), "--http", "off", "--data", str(folder)]
    command += ["--tick", "500ms", "--window", "10s", "--reference", "quay-reference"]
    with (folder / "collector.log").open("ab") as log:
        return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment)
