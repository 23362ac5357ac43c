"""One scrape of a collector with 100,000 hosts: capped as it is by default, against series for every single host.

Run by hand: python tests/bench/bench_scrape.py [HOSTS]. Prints seconds, bytes and the ratio of the two, from one run.
The aim: below 1 s and 5 MB, budgets, zones and distributions included.
"""

from __future__ import annotations

import gzip
import sys
import time
from pathlib import Path

import numpy as np
from prometheus_client import CollectorRegistry, generate_latest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))
from builders import START_NS, build_paths

from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, HostState, Reference
from noonmark.collector.exporter import FleetCollector, SeriesLimits
from noonmark.collector.state import HostFacts, Published

ZONES, ROLES = 120, 6
ROUNDS = 3


def fleet(hosts: int) -> Published:
    """Clocks off by some ms, in 120 zones; some hosts stepped."""
    rng = np.random.default_rng(5)
    names = tuple(f"host-{number:06}.zone-{number % ZONES:03}" for number in range(hosts))
    offset = rng.normal(0, 2e6, hosts).astype(np.int64)
    estimate = FleetEstimate(
        at_ns=START_NS,
        window_ns=60 * 10**9,
        hosts=names,
        references=(Reference(names[0], 100.0, 500.0),),
        offset_ns=offset,
        drift=rng.normal(0, 1e-5, hosts),
        uncertainty_ns=rng.uniform(1e3, 5e4, hosts),
        drift_uncertainty=np.full(hosts, 1e-8),
        lower_ns=offset - 300_000,
        upper_ns=offset + 300_000,
        newest_ns=np.full(hosts, START_NS - 10**9),
        state=(HostState.REFERENCE, *(HostState.MEASURED for _ in range(hosts - 1))),
        component=np.zeros(hosts, np.int32),
        paths=build_paths([], {}),
        findings=tuple(
            Finding(FindingKind.STEP, START_NS, "", host=name, size_ns=5_000_000) for name in names[: hosts // 1000]
        ),
    )
    facts = {
        name: HostFacts(f"zone-{number % ZONES:03}", f"role-{number % ROLES}", 10**9, 1000, 3)
        for number, name in enumerate(names)
    }
    return Published(1, estimate, facts, 2 * 10**9, 1.0, 0.0)


def measure(published: Published, limits: SeriesLimits) -> tuple[float, int, int]:
    """Seconds (least of some), bytes, bytes compressed."""
    registry = CollectorRegistry(auto_describe=False)
    budgets = Budgets(
        tuple(map(parse_rule, ("5ms", "1ms=role:role-1", "trading=zone:zone-00?", "builds=host:host-9*")))
    )
    registry.register(FleetCollector(lambda: published, budgets=budgets, limits=limits, monotonic_ns=lambda: 3 * 10**9))
    best, text = float("inf"), b""
    for _ in range(ROUNDS):
        started = time.perf_counter()
        text = generate_latest(registry)
        best = min(best, time.perf_counter() - started)
    return best, len(text), len(gzip.compress(text, 6))


def main() -> None:
    hosts = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    published = fleet(hosts)
    capped = measure(published, SeriesLimits())
    whole = measure(published, SeriesLimits(hosts=hosts))
    for name, (seconds, size, packed) in (("capped", capped), ("a series for each host", whole)):
        print(f"{name:24} {seconds:7.3f} s  {size / 1e6:7.2f} MB  {packed / 1e6:6.2f} MB compressed")
    print(f"{hosts} hosts: {whole[0] / capped[0]:.0f} times faster, {whole[1] / capped[1]:.0f} times smaller")


if __name__ == "__main__":
    main()
