"""How small a step of one clock is named, how soon, and whether limits hold meanwhile.

    python tests/bench/bench_steps.py [--seeds 24] [--since 10] [--times 5,10] [KIND ...]

Fleets of 24 and 40 hosts, a window of 60 s, an exchange a second. In each, one clock has jumped `--since` seconds
before the window's end, by so many times its local uncertainty: the one that the probes since the step alone would
give. A row a kind: the share of windows in which a step of that host is named; findings that name others; error of its
offset in standard uncertainties (root mean square); limits of hosts, and of pairs with that host, that do not hold the
truth.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from stepped_clock import stepped

from noonmark.collector.estimate import FindingKind
from noonmark.collector.pairs import compare
from noonmark.collector.pipeline import step
from noonmark.collector.rows import choose
from noonmark.lab.simulate import simulate

KINDS = ("kernel-lan", "heavy-tails", "congested-both-ways", "congested-hosts")
WINDOW_S = 60


def main() -> None:
    """Print the table, one row a kind and size."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=24)
    parser.add_argument("--since", type=float, default=10.0)
    parser.add_argument("--times", default="5")
    parser.add_argument("kinds", nargs="*", metavar="KIND")
    given = parser.parse_args()
    print(f"{'kind':<22}{'size':>7}{'named':>7}{'others':>8}{'error / u':>11}{'hosts out':>11}{'pairs out':>20}")
    for kind in given.kinds or KINDS:
        for times in map(float, given.times.split(",")):
            row(kind, times, given.seeds, given.since)


def row(kind: str, times: float, seeds: int, since_s: float) -> None:
    """One kind and size."""
    named = others = hosts_out = pairs_out = pairs = 0
    errors, worst_ns = [], 0.0
    for seed in range(seeds):
        probes, truth = simulate(kind, hosts=(24, 40)[seed % 2], seconds=WINDOW_S, seed=seed, interval_s=1.0)
        host = 5 + seed % 18
        at_ns = truth.start_ns + round((WINDOW_S - since_s) * 1e9)
        local = step(choose(probes, probes.t1_ns >= at_ns), references=truth.references)
        by_ns = round(times * float(local.uncertainty_ns[host])) * (1 if seed % 2 else -1)
        seen = step(stepped(probes, truth, truth.hosts[host], at_ns, by_ns), references=truth.references)
        true_ns = truth.offsets_ns(seen.at_ns).astype(np.float64)
        true_ns[host] += by_ns
        own = [finding for finding in seen.findings if finding.host == truth.hosts[host]]
        named += any(finding.kind is FindingKind.STEP for finding in own)
        others += len(seen.findings) - len(own)
        errors.append((seen.offset_ns[host] - true_ns[host]) / seen.uncertainty_ns[host])
        hosts_out += int(((true_ns < seen.lower_ns) | (true_ns > seen.upper_ns)).sum())
        for other, name in enumerate(truth.hosts):
            if other == host:
                continue
            pair, apart_ns = compare(seen, truth.hosts[host], name), true_ns[host] - true_ns[other]
            beyond_ns = max(pair.lower_ns - apart_ns, apart_ns - pair.upper_ns)
            pairs += 1
            pairs_out += beyond_ns > 0
            worst_ns = max(worst_ns, beyond_ns)
    error = float(np.sqrt(np.mean(np.square(errors))))
    told = f"{pairs_out} of {pairs}" + (f", {worst_ns / 1e3:.1f} us" if pairs_out else "")
    print(f"{kind:<22}{times:>5.0f} u{named:>4}/{seeds}{others:>6}{error:>11.1f}{hosts_out:>11}{told:>20}", flush=True)


if __name__ == "__main__":
    main()
