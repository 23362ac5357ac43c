"""The demonstration as a whole: real programs, real packets on loopback, held to the injected truth."""

from __future__ import annotations

import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NobodyThere, NoData
from noonmark.lab.demo_fleet import ChildEnded, DemoFleet, free_port
from noonmark.lab.harbours import DemoHost, make_harbours

pytestmark = [pytest.mark.processes, pytest.mark.sockets, pytest.mark.steady]
SECONDS = 15


def start(folder: Path, *options: str) -> subprocess.Popen[str]:
    """A demo whose files are made below a folder."""
    command = [sys.executable, "-m", "noonmark.collector.cli", "demo", *options]
    environment = {**os.environ, "TMPDIR": str(folder)}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)


def children_of(parent: int) -> set[int]:
    """Ids of living processes whose parent it is (proc(5))."""
    found = set()
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            state, ppid = (folder / "stat").read_text().rpartition(")")[2].split()[:2]
        except OSError:
            continue
        if int(ppid) == parent and state != "Z":
            found.add(int(folder.name))
    return found


def alive(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


def wait_until(true: Callable[[], object], seconds: float = 20.0) -> bool:
    """Poll until it holds."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if true():
            return True
        time.sleep(0.1)
    return False


def measured(collector: str) -> int:
    """Number of hosts with a known offset."""
    try:
        with QueryClient(collector) as client:
            return sum(host.known for host in client.fleet().hosts)
    except (NobodyThere, NoData):
        return 0


@pytest.fixture
def running(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A demo that stays up, all its programs started."""
    process = start(tmp_path)
    assert wait_until(lambda: len(children_of(process.pid)) == 16)
    yield process
    if process.poll() is None:
        process.terminate()
        process.wait(20)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    process.stderr.close()


def test_estimates_agree_with_the_injected_truth(tmp_path: Path) -> None:
    process = start(tmp_path, "--seconds", str(SECONDS), "--seed", "4", "--json")
    output, errors = process.communicate(timeout=90)
    assert process.returncode == 0, errors
    document = json.loads(output)
    truth = document["truth"]
    assert len(truth) == len(document["hosts"]) == 15
    assert sorted(document["references"]) == ["holm-reference", "quay-reference", "skerry-reference"]
    for host in document["hosts"]:
        true = truth[host["host"]]
        assert host["lower_ns"] <= true["offset_ns"] <= host["upper_ns"]
        assert host["drift_ppb"] == pytest.approx(true["drift_ppb"], abs=1000)
    wrong = [abs(host["offset_ns"] - truth[host["host"]]["offset_ns"]) for host in document["hosts"]]
    # Kernel stamps on loopback err by some 0.2 µs; a wide margin for a busy machine.
    assert statistics.median(wrong) < 3_000
    assert document["paths"]
    assert "http://127.0.0.1:" in errors
    assert not list(tmp_path.iterdir())


def test_sigterm_ends_all_programs_and_still_reports(running: subprocess.Popen[str], tmp_path: Path) -> None:
    children = children_of(running.pid)
    assert running.stdout is not None
    greeting = next(line for line in running.stdout if "--collector" in line)
    assert wait_until(lambda: measured(greeting.split()[-1]) == 15, 60)
    running.send_signal(signal.SIGTERM)
    output, errors = running.communicate(timeout=30)
    assert running.returncode == 0, errors
    assert "15 of 15 hosts measured" in " ".join(output.split())
    assert not any(map(alive, children))
    assert "Traceback" not in output + errors
    assert not list(tmp_path.iterdir())


def test_programs_end_even_when_the_demo_is_killed(running: subprocess.Popen[str]) -> None:
    children = children_of(running.pid)
    running.kill()
    running.wait(10)
    assert wait_until(lambda: not any(map(alive, children)))


def test_program_that_ends_by_itself_is_named_with_its_last_words() -> None:
    hosts = make_harbours(1, time.time_ns())[:1]

    class Misled(DemoFleet):
        def agent_arguments(self, host: DemoHost) -> list[str]:
            return ["agent", "--no-such-option"]

    def ended(fleet: DemoFleet) -> str:
        try:
            fleet.check()
        except ChildEnded as error:
            return str(error)
        return ""

    with Misled(hosts) as fleet:
        assert len(fleet.process_ids) == 2
        assert wait_until(lambda: ended(fleet))
        assert "quay-reference ended by itself (exit code 2)" in ended(fleet)
        assert "No such option" in ended(fleet)
        children = fleet.process_ids
    assert not any(map(alive, children))


def test_two_demonstrations_at_once_have_ports_of_their_own() -> None:
    hosts = make_harbours(1, time.time_ns())
    with closing(DemoFleet(hosts)) as one, closing(DemoFleet(hosts)) as other:
        assert {one.report_port, one.http_port}.isdisjoint({other.report_port, other.http_port})
        for host in hosts:
            assert one.probe_ports[host.name] != other.probe_ports[host.name]
            assert one.agent_ports[host.name] != other.agent_ports[host.name]


def test_port_in_use_is_not_chosen() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        busy = taken.getsockname()[1]
        assert free_port("127.0.0.1", busy, socket.SOCK_STREAM) != busy
    assert free_port("127.0.0.1", busy, socket.SOCK_STREAM) == busy
