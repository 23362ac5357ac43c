"""History beside plain rows in SQLite: room, writing, asking. Run by hand: ``python tests/bench/bench_history.py``.

A fleet of 1,000 hosts and 4,000 paths with the noise of a quiet network: windows overlap, so what one tick says is
much like what the last one said. The other method is one row a host and tick with the same nine columns in full
(primary key time and host), in the same run and on the same machine. Times are processor times.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from noonmark.collector.estimate import FleetEstimate, HostState, Paths, PathState, Reference
from noonmark.collector.history import Retention, open_history
from noonmark.collector.history_columns import host_columns

SECOND_NS = 10**9
START_NS = 1_795_586_400 * SECOND_NS  # a whole hour: chunks are full
TICK_NS = 5 * SECOND_NS
OVERLAP = 0.08
"""A tick's share of new probes in its window of 60 s: 5 of 60."""


def fleet(hosts: int, paths: int, ticks: int, seed: int = 1) -> Iterator[FleetEstimate]:
    """So many ticks of one fleet; noise is carried on from tick to tick as overlapping windows carry it."""
    random = np.random.default_rng(seed)
    names = tuple(f"host-{number:05d}" for number in range(hosts))
    true_offset, true_drift = random.normal(0, 2e6, hosts), random.normal(0, 1e-5, hosts)
    first = random.integers(0, hosts - 1, paths)
    second = random.integers(first + 1, hosts)
    level = random.uniform(300, 1500, hosts)
    width = random.uniform(15_000, 80_000, hosts)
    path_width = random.uniform(10_000, 60_000, paths)
    round_trip = random.uniform(20_000, 120_000, paths)
    noise, drift_noise = random.normal(0, 1, hosts), random.normal(0, 1, hosts)
    slack, path_noise, path_slack = (
        random.exponential(1, (2, hosts)),
        random.normal(0, 1, paths),
        random.exponential(1, (2, paths)),
    )
    keep, fresh = 1 - OVERLAP, (1 - (1 - OVERLAP) ** 2) ** 0.5
    state = (HostState.REFERENCE, *[HostState.MEASURED] * (hosts - 1))
    path_state = (PathState.CLOSED,) * paths
    for tick in range(ticks):
        at_ns = START_NS + tick * TICK_NS
        noise = keep * noise + fresh * random.normal(0, 1, hosts)
        drift_noise = keep * drift_noise + fresh * random.normal(0, 1, hosts)
        path_noise = keep * path_noise + fresh * random.normal(0, 1, paths)
        # A limit is the least of a window's delays: it stays until that probe leaves the window.
        slack = np.where(random.random((2, hosts)) < OVERLAP, random.exponential(1, (2, hosts)), slack)
        path_slack = np.where(random.random((2, paths)) < OVERLAP, random.exponential(1, (2, paths)), path_slack)
        truth = true_offset + true_drift * tick * TICK_NS
        offset = np.rint(truth + 0.5 * level * noise).astype(np.int64)
        uncertainty = level * (1 + 0.02 * noise)
        uncertainty[0] = 0
        path_truth = truth[second] - truth[first]
        path_offset = np.rint(path_truth + 700 * path_noise).astype(np.int64)
        yield FleetEstimate(
            at_ns=at_ns,
            window_ns=60 * SECOND_NS,
            hosts=names,
            references=(Reference(names[0]),),
            offset_ns=offset,
            drift=true_drift + 4e-9 * drift_noise,
            uncertainty_ns=uncertainty,
            drift_uncertainty=np.full(hosts, 5e-9) * (1 + 0.02 * drift_noise),
            lower_ns=np.floor(truth - width * (1 + 0.05 * slack[0])).astype(np.int64),
            upper_ns=np.ceil(truth + width * (1 + 0.05 * slack[1])).astype(np.int64),
            newest_ns=at_ns - random.integers(0, SECOND_NS, hosts),
            state=state,
            component=np.zeros(hosts, np.int32),
            paths=Paths(
                first=first.astype(np.int32),
                second=second.astype(np.int32),
                probes=np.full(paths, 120) - random.integers(0, 3, paths),
                asked=np.ones((paths, 2), np.bool_),
                min_round_trip_ns=(round_trip * (1 + 0.02 * path_slack[0])).astype(np.int64),
                offset_ns=np.zeros(paths),
                base_ns=path_offset,
                variance_ns2=np.full(paths, 900.0**2) * (1 + 0.05 * path_noise**2),
                lower_ns=np.floor(path_truth - path_width * (1 + 0.05 * path_slack[0])).astype(np.int64),
                upper_ns=np.ceil(path_truth + path_width * (1 + 0.05 * path_slack[1])).astype(np.int64),
                residual_ns=np.zeros(paths),
                state=path_state,
            ),
            findings=(),
            own_ns=0.4 * uncertainty,
        )


class PlainRows:
    """The other method: a row a host and tick."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.connection = sqlite3.connect(path, isolation_level=None)
        self.connection.execute("PRAGMA journal_mode = WAL")
        self.connection.execute("PRAGMA synchronous = NORMAL")
        columns = ", ".join(f"c{number} INTEGER" for number in range(9))
        self.connection.execute(
            f"CREATE TABLE tick (at_ns INTEGER, host INTEGER, {columns}, PRIMARY KEY (at_ns, host))"
        )

    def append(self, estimate: FleetEstimate) -> None:
        """One transaction a tick."""
        rows = np.vstack([np.arange(len(estimate.hosts)), host_columns(estimate)]).T.tolist()
        self.connection.execute("BEGIN")
        self.connection.executemany(
            "INSERT INTO tick VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", ([estimate.at_ns, *row] for row in rows)
        )
        self.connection.execute("COMMIT")

    def at(self, host: int, at_ns: int) -> object:
        """The rows on both sides."""
        before = self.connection.execute(
            "SELECT * FROM tick WHERE at_ns <= ? AND host = ? ORDER BY at_ns DESC LIMIT 1", (at_ns, host)
        ).fetchone()
        after = self.connection.execute(
            "SELECT * FROM tick WHERE at_ns > ? AND host = ? ORDER BY at_ns LIMIT 1", (at_ns, host)
        ).fetchone()
        return before, after


def timed(work: Callable[[], object], times: int) -> list[float]:
    """Milliseconds of processor time of each call: what else the machine does must not count."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append((time.process_time() - start) * 1e3)
    return taken


def main() -> None:
    """Fill both, then measure both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hosts", type=int, default=1_000)
    parser.add_argument("--paths", type=int, default=4_000)
    parser.add_argument("--hours", type=float, default=4.1)
    parser.add_argument("--plain-hours", type=float, default=1.0)
    options = parser.parse_args()
    ticks = round(options.hours * 720)
    plain_ticks = round(options.plain_hours * 720)
    with tempfile.TemporaryDirectory() as folder:
        history = open_history(Path(folder) / "history", retention=Retention())
        plain = PlainRows(Path(folder) / "plain")
        spent = plain_spent = 0.0
        worst = 0.0
        for number, estimate in enumerate(fleet(options.hosts, options.paths, ticks)):
            start = time.process_time()
            history.append(estimate)
            taken = time.process_time() - start
            spent, worst = spent + taken, max(worst, taken)
            if number < plain_ticks:
                start = time.process_time()
                plain.append(estimate)
                plain_spent += time.process_time() - start
        start = time.process_time()
        history.tidy()
        packing = time.process_time() - start
        print(f"{ticks} ticks of {options.hosts} hosts and {options.paths} paths; last packing {packing:.2f} s")
        rows, plain_rows = ticks * options.hosts, plain_ticks * options.hosts
        print(f"append: {rows / spent:,.0f} host-ticks/s, longest {worst * 1e3:.0f} ms")
        print(f"        plain rows {plain_rows / plain_spent:,.0f}/s")
        report_room(Path(folder), plain, options.hosts, options.paths, plain_rows)
        random = np.random.default_rng(3)
        moments = START_NS + random.integers(0, (ticks - 740) * TICK_NS, 400)
        names = [f"host-{number:05d}" for number in random.integers(1, options.hosts, 400)]
        asked = iter(zip(names, moments.tolist(), strict=True))
        taken = timed(lambda: history.at(*next(asked)), 400)
        plain_moments = iter((START_NS + random.integers(0, (plain_ticks - 1) * TICK_NS, 400)).tolist())
        plain_taken = timed(lambda: plain.at(int(random.integers(1, options.hosts)), next(plain_moments)), 400)
        told("point query, one host, packed", taken, plain_taken)
        history.pair_at(names[0], names[1], int(moments[0]))  # brings what is read once: names, scipy
        pairs = iter([(names[k], names[k + 1], int(moments[k % 8]) + k) for k in range(48)])
        told("pair with all paths, packed, read before", timed(lambda: history.pair_at(*next(pairs)), 48)[8:], None)
        recent = iter([(names[k], names[k + 1], START_NS + (ticks - 200 + 3 * k) * TICK_NS) for k in range(48)])
        told("the same in the last quarter of an hour", timed(lambda: history.pair_at(*next(recent)), 48)[8:], None)
        told("the same, nothing of that hour read before", cold(Path(folder), names, moments, ticks), None)
        told(
            "course of one host, 1 h",
            timed(lambda: list(history.course(names[0], None, START_NS, START_NS + 720 * TICK_NS)), 5),
            None,
        )
        history.close()


def cold(folder: Path, names: list[str], moments: np.ndarray, ticks: int) -> list[float]:
    """Pairs, each of an hour that was not read before; of so few hours that a history is opened anew for each time."""
    taken = []
    hours = ticks // 720
    for again in range(-(-40 // hours)):
        with open_history(folder / "history", read_only=True) as fresh:
            fresh.pair_at(names[again], names[again + 1], START_NS + (ticks - 1) * TICK_NS)
            for hour in range(hours):
                k = again * hours + hour
                at_ns = START_NS + hour * 720 * TICK_NS + int(moments[k]) % (715 * TICK_NS)
                start = time.process_time()
                fresh.pair_at(names[k], names[k + 30], at_ns)
                taken.append((time.process_time() - start) * 1e3)
    return taken


def report_room(folder: Path, plain: PlainRows, hosts: int, paths: int, plain_rows: int) -> None:
    """Bytes a host-tick and a path-snapshot in chunks, and what a month of the fleet would take."""
    connection = sqlite3.connect(f"file:{folder / 'history'}?mode=ro", uri=True)
    page = connection.execute("PRAGMA page_size").fetchone()[0]
    size = {name: pages * page for name, pages in connection.execute("SELECT name, count(*) FROM dbstat GROUP BY name")}
    plain.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain_bytes = plain.path.stat().st_size / plain_rows
    spans = connection.execute("SELECT count(DISTINCT span) FROM host_chunk").fetchone()[0]
    each = (size["host_chunk"] + size["host_chunk_bundle"]) / (spans * 720 * hosts)
    print(f"room: {each:.2f} bytes a host and moment in chunks of {spans} hours")
    print(f"      plain rows {plain_bytes:.0f} bytes, {plain_bytes / each:.0f} times as many")
    snapshots = connection.execute("SELECT count(*) FROM path_snapshot").fetchone()[0]
    each_path = size["path_snapshot"] / (snapshots * paths)
    print(f"      {each_path:.2f} bytes a path and moment in {snapshots} snapshots")
    month = each * 518_400 * 1000 + each_path * 43_200 * 4000
    connection.close()
    print(f"      30 days of 1,000 hosts each 5 s and 4,000 paths each minute: {month / 1e9:.2f} GB")


def told(what: str, taken: list[float], other: list[float] | None) -> None:
    """Median and 99th percentile, and the ratio of medians."""
    ordered = sorted(taken)
    median = statistics.median(ordered)
    text = f"{what}: median {median:.2f} ms, 99 % {ordered[int(len(ordered) * 0.99)]:.2f} ms"
    if other:
        text += f"; plain rows {statistics.median(other):.2f} ms ({median / statistics.median(other):.1f} times)"
    print(text)


if __name__ == "__main__":
    main()
