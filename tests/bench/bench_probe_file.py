"""Reading a probe file: rows a second, against the csv module and numpy.loadtxt in the same run.

By hand: python tests/bench/bench_probe_file.py [ROWS]. The file is simulated; the two alternatives read a slice of it
that takes them some seconds, and their figures are for that slice.
"""

from __future__ import annotations

import csv
import itertools
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from noonmark.collector.probe_file import read_probe_file
from noonmark.lab.probe_csv import write_probes
from noonmark.lab.simulate import simulate

SLICE = 300_000


def with_csv_module(path: Path, rows: int) -> None:
    """The plainest way: a dictionary of names, lists of integers, arrays at the end."""
    names: dict[str, int] = {}
    columns: list[list[int]] = [[] for _ in range(6)]
    with path.open(newline="") as lines:
        for fields in itertools.islice(csv.reader(lines), 1, rows + 1):
            columns[0].append(names.setdefault(fields[0], len(names)))
            columns[1].append(names.setdefault(fields[1], len(names)))
            for column, field in zip(columns[2:], fields[2:], strict=True):
                column.append(int(field))
    for column in columns:
        np.array(column, np.int64)


def with_loadtxt(path: Path, rows: int) -> None:
    """numpy's reader, names as fixed-width text and then numbered."""
    dtype = [("src", "U16"), ("dst", "U16"), *((f"t{n}", "i8") for n in range(1, 5))]
    table = np.loadtxt(path, delimiter=",", skiprows=1, max_rows=rows, dtype=dtype)
    np.unique(np.concatenate([table["src"], table["dst"]]), return_inverse=True)


def seconds(work: Callable[[], object]) -> float:
    """Of one run."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> None:
    """Print the table."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "probes.csv"
        # Eight peers, a pair of packets each five seconds: some 96 rows a host and minute.
        probes, _ = simulate("kernel-lan", hosts=max(10, rows // 96), seconds=60)
        written = len(probes)
        with path.open("wb") as stream:
            write_probes(stream, probes)
        del probes
        few = min(SLICE, written)
        alternatives = {
            "csv module": few / seconds(lambda: with_csv_module(path, few)),
            "numpy.loadtxt": few / seconds(lambda: with_loadtxt(path, few)),
        }
        ours = written / seconds(lambda: read_probe_file(str(path)))
    print(f"{'reader':<14}{'rows':>12}{'rows/s':>12}{'ours is':>10}")
    for name, rate in alternatives.items():
        print(f"{name:<14}{few:>12,}{rate:>12,.0f}{ours / rate:>9.1f}x")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{'noonmark':<14}{written:>12,}{ours:>12,.0f}{'':>10}   peak memory {peak:,.0f} MiB (simulator's included)")


if __name__ == "__main__":
    main()
