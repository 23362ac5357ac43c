"""Simulating a fleet: exchanges a second, against a plain loop over packets in the same run.

By hand: python tests/bench/bench_simulate.py [HOSTS]. The loop draws the same parts of an exchange (two stamps' errors
each way, two waits, a turnaround, four clock readings) one packet at a time, and is timed on a slice.
"""

from __future__ import annotations

import random
import resource
import sys
import time

from noonmark.lab.simulate import simulate

SLICE = 100_000


def plain_loop(rows: int) -> list[tuple[int, int, int, int]]:
    """Exchanges between two clocks that drift, one after the other."""
    rng, records = random.Random(1), []
    offset, drift = 1_000_000, 2e-5
    for n in range(rows):
        t1 = n * 5_000_000
        sent = t1 + int(rng.expovariate(1 / 150))
        t2 = sent + int(8_000 + rng.expovariate(1 / 5_000) * (rng.random() > 0.3)) + int(rng.expovariate(1 / 350))
        t3 = t2 + 15_000 + int(rng.expovariate(1 / 25_000))
        back = t3 + int(rng.expovariate(1 / 150))
        t4 = back + int(8_000 + rng.expovariate(1 / 5_000) * (rng.random() > 0.3)) + int(rng.expovariate(1 / 350))
        records.append((t1, t2 + offset + int(drift * t2), t3 + offset + int(drift * t3), t4))
    return records


def main() -> None:
    """Print the table."""
    hosts = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    began = time.perf_counter()
    plain_loop(SLICE)
    loop = SLICE / (time.perf_counter() - began)
    print(f"{'kind':<16}{'hosts':>9}{'exchanges':>12}{'seconds':>9}{'a second':>12}{'to a loop':>11}")
    for kind in ("kernel-lan", "heavy-tails", "congested-hosts", "wide-area"):
        began = time.perf_counter()
        probes, _ = simulate(kind, hosts=hosts, seconds=60)
        spent = time.perf_counter() - began
        rate = len(probes) / spent
        print(f"{kind:<16}{hosts:>9,}{len(probes):>12,}{spent:>9.2f}{rate:>12,.0f}{rate / loop:>10.1f}x")
        del probes
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MiB")


if __name__ == "__main__":
    main()
