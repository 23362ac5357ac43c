"""What is said of a clock in the seconds after it jumped or changed its rate.

    python tests/bench/bench_fresh_changes.py [--seeds 3] [--hosts 24] [--kind kernel-lan]

A window of 60 s; one clock has changed so long before its end. A row a change and probe rate; in each age's column:
instants at which its limits do not hold the truth (in brackets: those at which no probe had been made since), and its
greatest error in standard uncertainties.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from stepped_clock import hastened, stepped

from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

AGES_S = (0.3, 0.7, 1.3, 2.2, 4.0, 7.0, 12.0, 18.0, 25.0, 40.0)
JUMPS_NS = (50e3, 300e3, 2e6, 12e6, 200e6)
RATES_PPB = (1e3, 3e3, 10e3, 40e3, 200e3)
INTERVALS_S = (5.0, 1.0)
HOSTS = (4, 9)
"""Each once ahead, or faster, and once the other way."""


def changed(
    probes: ProbeColumns, truth: Truth, host: int, at_ns: int, size: float, jump: bool, age_s: float
) -> tuple[ProbeColumns, float]:
    """The probes, and where the clock then is, ns from its course before."""
    since_ns = at_ns - round(age_s * 1e9)
    if jump:
        return stepped(probes, truth, truth.hosts[host], since_ns, round(size)), size
    return hastened(probes, truth, truth.hosts[host], since_ns, size), size * age_s


def row(given: argparse.Namespace, size: float, jump: bool, interval_s: float) -> tuple[list[str], int, int]:
    """One cell an age; instants that were wrong though seen, and all."""
    cells, wrong, instants = [], 0, 0
    for age_s in AGES_S:
        out, unseen, error = 0, 0, 0.0
        for seed in range(given.seeds):
            probes, truth = simulate(given.kind, hosts=given.hosts, seed=seed, interval_s=interval_s)
            at_ns = truth.start_ns + 60 * 10**9
            for number, host in enumerate(HOSTS):
                after, moved_ns = changed(probes, truth, host, at_ns, -size if number else size, jump, age_s)
                seen = any((getattr(after, name) != getattr(probes, name)).any() for name in ("t1_ns", "t2_ns"))
                estimate = step(after, references=truth.references, at_ns=at_ns)
                true_ns = truth.offsets_ns(at_ns)[host] + moved_ns
                held = estimate.lower_ns[host] <= true_ns <= estimate.upper_ns[host]
                out += not held
                unseen += not held and not seen
                error = max(error, abs(estimate.offset_ns[host] - true_ns) / estimate.uncertainty_ns[host])
                instants += 1
        wrong += out - unseen
        cells.append(f"{out}({unseen}) " + (f"{error:.0f}u" if error < 1_000 else ">999u"))
    return cells, wrong, instants


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--hosts", type=int, default=24)
    parser.add_argument("--kind", default="kernel-lan")
    given = parser.parse_args()
    print("change       every " + "".join(f"{age_s:>9.1f} s" for age_s in AGES_S))
    for jump, sizes in ((True, JUMPS_NS), (False, RATES_PPB)):
        wrong = instants = 0
        for interval_s in INTERVALS_S:
            for size in sizes:
                cells, out, count = row(given, size, jump, interval_s)
                wrong, instants = wrong + out, instants + count
                name = f"{size / 1e6:.2f} ms" if jump else f"{size / 1e3:.0f} ppm"
                print(f"{name:<13}{interval_s:>3.0f} s " + "".join(f"{cell:>11}" for cell in cells), flush=True)
        print(f"{'jumps' if jump else 'rates'}: {wrong} of {instants:,} instants wrong though a probe had been made")


if __name__ == "__main__":
    main()
