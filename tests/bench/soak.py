"""A fleet left running: does anything grow? ``python tests/bench/soak.py [MINUTES]``, by default 60, as root.

A collector and five agents on a network that loses a little, with a page read and a question asked now and then. Every
ten seconds each program's memory, descriptors and threads are noted. It ends by itself, prints what each had after the
first sixth (when windows and caches are full) and at the end, and the slope between by least squares; exit code 1 if
descriptors or threads grew, if memory grew by more than 5 MiB an hour in an agent or 50 in the collector, if a program
ended, or if a limit was ever wrong.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import numpy as np
from fault_fleet import FaultFleet, Program, fault_fleet, page

EVERY_S = 10.0
MOST_MIB_AN_HOUR = {"agent": 5.0, "collector": 50.0}


def sample(program: Program) -> tuple[float, int, int]:
    """MiB resident, open descriptors, threads. Raises AssertionError for a program that has ended."""
    assert program.process is not None
    assert program.process.poll() is None, f"{program.name} has ended: {program.log.read_text()[-500:]}"
    place = Path(f"/proc/{program.process.pid}")
    lines = dict(line.split(":", 1) for line in (place / "status").read_text().splitlines())
    return int(lines["VmRSS"].split()[0]) / 1024, len(list((place / "fd").iterdir())), int(lines["Threads"])


def run(fleet: FaultFleet, minutes: float) -> dict[str, list[tuple[float, float, int, int]]]:
    noted: dict[str, list[tuple[float, float, int, int]]] = defaultdict(list)
    started = time.monotonic()
    held = 0
    while (now := time.monotonic() - started) < 60 * minutes:
        for program in (*fleet.collectors, *fleet.agents.values()):
            noted[program.name].append((now, *sample(program)))
        held += fleet.check_limits()
        page(fleet.collectors[0].host, 18623, "/metrics")
        page(fleet.collectors[0].host, 18623, "/api/v1/fleet?at=-60s")
        for name in fleet.agents:
            fleet.agent_metrics(name)
        time.sleep(EVERY_S)
    print(f"{held:,} answers, every limit right")
    return noted


def ends(column: np.ndarray) -> tuple[float, float]:
    """Medians of the first and the last fifth."""
    part = max(1, len(column) // 5)
    return float(np.median(column[:part])), float(np.median(column[-part:]))


def judge(noted: dict[str, list[tuple[float, float, int, int]]]) -> int:
    print(f"{'program':<18}{'MiB':>7}{'end':>7}{'MiB/h':>8}{'files':>7}{'end':>5}{'threads':>9}{'end':>5}")
    bad = 0
    for name, rows in noted.items():
        seconds, mib, files, threads = (np.array(column) for column in zip(*rows, strict=True))
        settled = seconds >= seconds[-1] / 6
        seconds, mib, files, threads = seconds[settled], mib[settled], files[settled], threads[settled]
        slope = float(np.polyfit(seconds, mib, 1)[0] * 3600) if len(seconds) > 2 else 0.0
        (mib_first, mib_last), (files_first, files_last), (threads_first, threads_last) = map(
            ends, (mib, files, threads)
        )
        limit = MOST_MIB_AN_HOUR["collector" if name.startswith("collector") else "agent"]
        grew = slope > limit or files_last > files_first + 1 or threads_last > threads_first + 1
        bad += grew
        print(
            f"{name:<18}{mib_first:>7.1f}{mib_last:>7.1f}{slope:>8.2f}{files_first:>7.0f}{files_last:>5.0f}"
            f"{threads_first:>9.0f}{threads_last:>5.0f}{'  GREW' if grew else ''}"
        )
    return bad


def main(minutes: float) -> int:
    with tempfile.TemporaryDirectory() as folder, fault_fleet(Path(folder), agents=5) as fleet:
        fleet.network.every(loss=0.01, queueing=200e-6)
        fleet.wait_measured()
        return 1 if judge(run(fleet, minutes)) else 0


if __name__ == "__main__":
    raise SystemExit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0))
