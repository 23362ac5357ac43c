"""Two endpoints in two network namespaces, two processes on one clock: the true offset is zero."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from namespaces import Namespace, bridged_namespaces

PROGRAM = Path(__file__).resolve().parent.parent / "support/probing_process.py"
INTERVAL_NS = 20_000_000
WANTED = 120
PORT = 8620
KERNEL = 1

pytestmark = pytest.mark.namespaces


def start(host: Namespace, own: str, peer: str) -> subprocess.Popen[str]:
    words = [sys.executable, str(PROGRAM), own, str(PORT), peer, str(INTERVAL_NS), str(WANTED)]
    return subprocess.Popen(host.command(*words), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


@pytest.mark.parametrize("family", ["IPv4", "IPv6"])
def test_endpoints_in_two_namespaces_measure_each_other(family: str) -> None:
    with bridged_namespaces(2) as hosts:
        addresses = [host.address if family == "IPv4" else host.address6 for host in hosts]
        processes = [start(host, addresses[n], addresses[1 - n]) for n, host in enumerate(hosts)]
        try:
            lines = [process.stdout.readline() for process in processes if process.stdout]
        finally:
            for process in processes:
                if process.stdin:
                    process.stdin.close()
            codes = [process.wait(30) for process in processes]
            for process in processes:
                if process.stdout:
                    process.stdout.close()
    assert codes == [0, 0]
    for line in lines:
        records = json.loads(line)
        assert len(records) >= WANTED
        for t1, t2, t3, t4, _, _ in records:
            assert t1 <= t2 <= t3 <= t4, "one clock stamps all: time cannot run backward along the way"
        assert any(record[4] == [KERNEL] * 4 for record in records)


def test_namespaces_are_removed_whatever_happens() -> None:
    names: list[str] = []

    def fail_inside() -> None:
        with bridged_namespaces(1) as hosts:
            names.append(hosts[0].name)
            raise RuntimeError("on purpose")

    with pytest.raises(RuntimeError, match="on purpose"):
        fail_inside()
    left = subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=True).stdout
    assert names[0].split("-")[0] not in left
