"""What ordering costs: logs against `sort -m`, which corrects nothing, and events in memory against numpy's argsort.

Run by hand:  python tests/bench/bench_order.py [--lines 2500000] [--events 10000000] [--repeat 3] [--folder DIR]

Both programs read the same four RFC 3339 logs and write a file; each is timed by the wall clock, with its processor
time as the kernel counts it, and its greatest memory (proportional set sizes, looked at five times a second), of it
and its children together. Runs alternate; the best of each is told.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from noonmark.collector.clock_lines import ClockKnots
from noonmark.collector.clock_table import ClockTable
from noonmark.collector.estimate import FleetEstimate, HostState, Paths, Reference
from noonmark.collector.history import open_history
from noonmark.collector.order import Events, order

START_NS = 1_795_589_703 * 10**9
HOSTS = {"quay-gate-1": 3_000_000, "skerry-berth-2": -1_200_000, "holm-db-1": 40_000, "quay-db-3": 0}
GAP_NS = 1_440_000.0


@dataclass(frozen=True)
class Cost:
    wall: float
    processor: float
    memory_mb: float


def write_logs(folder: Path, lines: int) -> list[Path]:
    random = np.random.default_rng(1)
    paths = []
    for host, offset in HOSTS.items():
        path = folder / f"{host}-{lines}.log"
        paths.append(path)
        if path.exists():
            continue
        when = START_NS + offset + np.cumsum(random.exponential(GAP_NS, lines)).astype(np.int64)
        texts = np.datetime_as_string((when // 1000).astype("datetime64[us]"), unit="us")
        tickets = random.integers(0, 10**8, lines)
        with path.open("w") as out:
            for begin in range(0, lines, 100_000):
                rows = zip(
                    texts[begin : begin + 100_000].tolist(), tickets[begin : begin + 100_000].tolist(), strict=True
                )
                out.write(
                    "".join(
                        f"{text}Z INFO gate ticket={ticket:08d} scanned at turnstile {ticket % 7}, "
                        "passenger allowed aboard the morning ferry\n"
                        for text, ticket in rows
                    )
                )
    return paths


def write_history(folder: Path, seconds: int) -> Path:
    """A collector's history over the logs' time: an estimate each five seconds, limits half a round trip wide."""
    path = folder / f"history-{seconds}"
    if path.exists():
        return path
    random = np.random.default_rng(2)
    offsets = np.array([*HOSTS.values()])
    nothing = np.zeros(0)
    paths = Paths(
        first=nothing.astype(np.int32),
        second=nothing.astype(np.int32),
        probes=nothing.astype(np.int64),
        asked=np.zeros((0, 2), np.bool_),
        min_round_trip_ns=nothing.astype(np.int64),
        offset_ns=nothing,
        base_ns=nothing.astype(np.int64),
        variance_ns2=nothing,
        lower_ns=nothing.astype(np.int64),
        upper_ns=nothing.astype(np.int64),
        residual_ns=nothing,
        state=(),
    )
    half = np.where(offsets == 0, 0, 50_000)
    with open_history(path) as history:
        for second in range(-60, seconds + 60, 5):
            at_ns = START_NS + second * 10**9
            history.append(
                FleetEstimate(
                    at_ns=at_ns,
                    window_ns=60 * 10**9,
                    hosts=tuple(HOSTS),
                    references=(Reference("quay-db-3"),),
                    offset_ns=offsets + np.where(offsets == 0, 0, random.normal(0, 2000, 4)).astype(np.int64),
                    drift=np.zeros(4),
                    uncertainty_ns=np.where(offsets == 0, 0.0, 5_000.0),
                    drift_uncertainty=np.full(4, 1e-9),
                    lower_ns=offsets - half,
                    upper_ns=offsets + half,
                    newest_ns=np.full(4, at_ns),
                    state=(*[HostState.MEASURED] * 3, HostState.REFERENCE),
                    component=np.zeros(4, np.int32),
                    paths=paths,
                    findings=(),
                )
            )
    return path


def measured(command: list[str], output: Path) -> Cost:
    began = time.perf_counter()
    with output.open("wb") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL, env=os.environ | {"LC_ALL": "C"})
        ended, memory = threading.Event(), list[float]()
        watcher = threading.Thread(target=watch, args=(process.pid, ended, memory))
        watcher.start()
        _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - began
    ended.set()
    watcher.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command[0]} ended with {process.returncode}")
    return Cost(wall, used.ru_utime + used.ru_stime, max(memory))


def watch(pid: int, ended: threading.Event, memory: list[float]) -> None:
    """Add up the memory of a process and its children again and again, MB."""
    while not ended.wait(0.2):
        try:
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        except OSError:
            children = []
        memory.append(sum(map(proportional_mb, [pid, *children])))


def proportional_mb(pid: int | str) -> float:
    """Proportional set size: pages that several processes share count for each in part (proc(5)); 0 if it has ended."""
    try:
        rows = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(row.split()[1]) for row in rows if row.startswith("Pss:")) / 1024


def best(costs: list[Cost]) -> Cost:
    return Cost(*(min(getattr(cost, name) for cost in costs) for name in ("wall", "processor", "memory_mb")))


def prepared(folder: Path, lines: int) -> tuple[list[Path], Path]:
    """Logs and history, made by a process of its own: a child's memory is counted from its parent's."""
    made = multiprocessing.get_context("spawn").Pool(1)
    with made:
        logs = made.apply(write_logs, (folder, lines))
        return logs, made.apply(write_history, (folder, round(lines * GAP_NS / 1e9)))


def bench_logs(folder: Path, lines: int, repeat: int) -> None:
    logs, history = prepared(folder, lines)
    program = [sys.executable, "-m", "noonmark.collector.cli", "order", "--history", str(history)]
    named = [f"{path.name.rsplit('-', 1)[0]}={path}" for path in logs]
    sorts, orders = [], []
    for _ in range(repeat):
        sorts.append(measured(["sort", "-m", *map(str, logs)], folder / "sorted.txt"))
        orders.append(measured([*program, *named], folder / "ordered.txt"))
    document = measured([*program, "--json", *named], folder / "ordered.json")
    for name, cost in (("sort -m", best(sorts)), ("noonmark order", best(orders)), ("... --json", document)):
        print(f"{name:<16} {cost.wall:6.2f} s, processor {cost.processor:6.2f} s, {cost.memory_mb:6.1f} MB")
    ratios = sorted(one.wall / other.wall for one, other in zip(orders, sorts, strict=True))
    print(
        f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; "
        f"{4 * lines:,} lines: {best(orders).wall / best(sorts).wall:.2f} times sort -m by the best runs "
        f"(single runs {ratios[0]:.2f} to {ratios[-1]:.2f})"
    )


def bench_events(events: int, repeat: int) -> None:
    random = np.random.default_rng(1)
    for hosts in (4, 100):
        knots = 361
        offset = (random.normal(0, 5e6, (hosts, 1)) + random.normal(0, 2e3, (hosts, knots))).astype(np.int64)
        sigma = np.full(offset.shape, 5e3)
        table = ClockTable(
            [f"host-{number}" for number in range(hosts)],
            ClockKnots(
                at_ns=START_NS + np.arange(knots) * 10 * 10**9,
                offset_ns=offset,
                drift=np.zeros(offset.shape),
                uncertainty_ns=sigma,
                drift_uncertainty=np.zeros(offset.shape),
                lower_ns=offset - 50_000,
                upper_ns=offset + 50_000,
                gap=np.zeros(knots - 1, np.bool_),
            ),
        )
        host = random.integers(0, hosts, events).astype(np.int32)
        stamp = START_NS + np.sort(random.integers(0, 3600 * 10**9, events)) + offset[host, 0]
        times, sorts, used = [], [], []
        for _ in range(repeat):
            began, before = time.perf_counter(), time.process_time()
            found = order(Events(host, stamp, 1000), table)
            times.append(time.perf_counter() - began)
            used.append(time.process_time() - before)
            began = time.perf_counter()
            np.argsort(stamp, kind="stable")
            sorts.append(time.perf_counter() - began)
        shares = np.bincount(found.certainty, minlength=3) / events
        print(
            f"{events:,} events of {hosts} hosts: order {min(times):.2f} s, processor {min(used):.2f} s; "
            f"argsort of raw stamps {min(sorts):.2f} s "
            f"(certain {shares[0]:.0%}, likely {shares[1]:.0%}, open {shares[2]:.0%})"
        )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lines", type=int, default=2_500_000, help="of each of four logs; 0 leaves this part out")
    parser.add_argument("--events", type=int, default=10_000_000, help="0 leaves this part out")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    if given.lines:
        with tempfile.TemporaryDirectory() as temporary:
            folder = given.folder or Path(temporary)
            folder.mkdir(parents=True, exist_ok=True)
            bench_logs(folder, given.lines, given.repeat)  # first: a child's memory counts from its parent's
    if given.events:
        bench_events(given.events, given.repeat)


if __name__ == "__main__":
    main()
