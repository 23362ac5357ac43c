"""Eight hosts in network namespaces joined by a bridge: real agents, a real collector, and the truth known."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from namespaces import Namespace, bridged_namespaces

pytestmark = [pytest.mark.namespaces, pytest.mark.processes, pytest.mark.steady]
HOSTS = 8
MEASURE_S = 12.0
LIMIT_S = 90.0
COMMAND = [sys.executable, "-m", "noonmark.collector.cli"]


@contextmanager
def program(folder: Path, host: Namespace, name: str, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NOONMARK")}
    with (folder / f"{name}.log").open("wb") as log:
        process = subprocess.Popen(
            host.command(*COMMAND, *arguments), stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(20)


def fleet(host: Namespace) -> dict[str, Any] | None:
    told = subprocess.run(
        host.command(
            *COMMAND, "fleet", "--collector", f"{host.address}:18621", "--plaintext-beyond-loopback", "--json"
        ),
        capture_output=True,
        timeout=30,
        check=False,
    )
    return json.loads(told.stdout) if told.returncode in (0, 1) and told.stdout else None


def test_a_bridged_fleet_is_measured_to_microseconds(tmp_path: Path) -> None:
    draw = random.Random(8)
    epoch = time.time_ns()
    errors = {
        f"berth-{n}": (draw.randrange(-20_000_000, 20_000_000), draw.uniform(-30e-6, 30e-6)) for n in range(HOSTS)
    }
    errors["berth-0"] = (0, 0.0)
    with bridged_namespaces(HOSTS) as network, ExitStack() as running:
        first = network[0]
        collector = (
            "collector",
            "--listen",
            f"{first.address}:18621",
            "--http",
            "off",
            "--data",
            str(tmp_path / "data"),
            "--plaintext-beyond-loopback",
        )
        running.enter_context(program(tmp_path, first, "collector", *collector, "--reference", "berth-0"))
        for host, (name, (offset, drift)) in zip(network, errors.items(), strict=True):
            arguments = ["agent", "--host", name, "--collector", f"{first.address}:18621", "--metrics", "off"]
            arguments.append("--plaintext-beyond-loopback")
            arguments += ["--bind", f"{host.address}:18620", "--inject-offset", f"{offset}ns"]
            arguments += ["--inject-drift", repr(drift), "--inject-epoch", str(epoch)]
            running.enter_context(program(tmp_path, host, name, *arguments))
        logs = "\n".join(f"{log.name}:\n{log.read_text()[-600:]}" for log in tmp_path.glob("*.log"))
        deadline = time.monotonic() + LIMIT_S
        measured_since = None
        answer = None
        while measured_since is None or time.monotonic() < measured_since + MEASURE_S:
            assert time.monotonic() < deadline + MEASURE_S, logs
            answer = fleet(first)
            if answer and sum(host["state"] in ("measured", "reference") for host in answer["hosts"]) == HOSTS:
                measured_since = measured_since or time.monotonic()
            time.sleep(1.0)

    assert answer is not None
    off = {}
    for host in answer["hosts"]:
        offset, drift = errors[host["host"]]
        true = offset + drift * (answer["at_ns"] - epoch)
        off[host["host"]] = abs(host["offset_ns"] - true)
        assert host["lower_ns"] - 1 <= true <= host["upper_ns"] + 1, host
    assert median(off.values()) <= 3_000, off
