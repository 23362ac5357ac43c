"""What a whole tick costs as the fleet grows, and the fleet solve beside scipy's lsqr at equal accuracy.

    python tests/bench/bench_tick.py [HOSTS ...]        (default 1000 10000 100000)

A tick is everything: records to paths' walls, drifts, bends, offsets, uncertainties of all hosts, judgement, and
certain limits of all hosts against the reference; warm, as it is from the second tick on. Probes: 8 peers a host, 12
exchanges of two packets a path in 60 s, in order of arrival. The solve is one weighted least squares for all offsets
and one for all drifts.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import fields
from statistics import median

import numpy as np
from scipy.sparse import csr_array, diags_array
from scipy.sparse.linalg import lsqr

from noonmark.collector.estimate import FleetEstimate, Float64, ProbeColumns
from noonmark.collector.network import Network, solve
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

RUNS = 3
REPORTS_NS = 5_000_000_000


def timed(work: Callable[[], object]) -> float:
    """Median wall seconds of a few runs."""
    spent = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return median(spent)


def tick(probes: ProbeColumns, truth: Truth) -> tuple[float, float]:
    """A warm tick's seconds, by the clock and of processor time."""
    warm: FleetEstimate = step(probes, references=truth.references)
    busy = time.process_time()
    wall = timed(lambda: step(probes, references=truth.references, previous=warm))
    return wall, (time.process_time() - busy) / RUNS


def network_of(probes: ProbeColumns, rng: np.random.Generator) -> tuple[Network, Float64, Float64]:
    """The fleet's graph with noise of known variance on every path: network, z, weight."""
    hosts = len(probes.hosts)
    key = np.unique(
        np.minimum(probes.source, probes.destination).astype(np.int64) * hosts
        + np.maximum(probes.source, probes.destination)
    )
    first, second = key // hosts, key % hosts
    deviation = rng.uniform(50.0, 500.0, len(key))
    clock = rng.normal(0.0, 1e6, hosts)
    z = clock[second] - clock[first] + rng.normal(0.0, deviation)
    label = np.zeros(hosts, dtype=np.int64)
    network = Network(
        hosts, first, second, 0, np.full(len(key), -1), np.zeros(len(key)), label, np.zeros(1, dtype=np.int64)
    )
    return network, z, 1.0 / deviation**2


def design_of(network: Network) -> csr_array:
    """One row an edge: second minus first."""
    edges = np.arange(len(network.first))
    rows, columns = np.concatenate([edges, edges]), np.concatenate([network.second, network.first])
    values = np.concatenate([np.ones(len(edges)), -np.ones(len(edges))])
    return csr_array((values, (rows, columns)), shape=(len(edges), network.nodes))


def by_lsqr(design: csr_array, z: Float64, weight: Float64, tolerance: float) -> Float64:
    """The same least squares by scipy's lsqr, host 0 at zero."""
    root = np.sqrt(weight)
    found = lsqr(diags_array(root) @ design, root * z, atol=tolerance, btol=tolerance, iter_lim=10_000)[0]
    return np.asarray(found - found[0])


def solves(probes: ProbeColumns) -> tuple[float, float, float, float]:
    """Seconds of our solve and of lsqr at the loosest tolerance that is as accurate, and both errors (rms).

    Both know the graph beforehand, as from one tick to the next. The tolerance is found by halving, to a 30th of a
    decade.
    """
    network, z, weight = network_of(probes, np.random.default_rng(1))
    nothing, design = np.empty(0), design_of(network)
    exact = solve(network, z, weight, nothing, uncertain=False, tolerance=1e-13).unknowns

    def error(found: Float64) -> float:
        return float(np.sqrt(np.mean((found - exact) ** 2)))

    our_error = error(solve(network, z, weight, nothing, uncertain=False).unknowns)
    our_time = timed(lambda: solve(network, z, weight, nothing, uncertain=False))
    loose, tight = -3.0, -14.0
    while loose - tight > 1 / 30:
        middle = (loose + tight) / 2
        if error(by_lsqr(design, z, weight, 10.0**middle)) <= our_error:
            tight = middle
        else:
            loose = middle
    their_error = error(by_lsqr(design, z, weight, 10.0**tight))
    return our_time, timed(lambda: by_lsqr(design, z, weight, 10.0**tight)), our_error, their_error


def by_arrival(probes: ProbeColumns) -> ProbeColumns:
    """The records as a collector gets them: each host's from the last five seconds together."""
    order = np.lexsort((probes.t4_ns, probes.source, probes.t4_ns // REPORTS_NS))
    return ProbeColumns(probes.hosts, *(getattr(probes, c.name)[order] for c in fields(probes) if c.name != "hosts"))


def main(sizes: list[int]) -> None:
    """Print one row a size."""
    print("| hosts | probes | whole tick | of processor | a host | both solves | lsqr, as accurate | ratio | memory |")
    print("|---|---|---|---|---|---|---|---|---|")
    for hosts in sizes:
        probes, truth = simulate("kernel-lan", hosts=hosts, seed=1)
        probes = by_arrival(probes)
        whole, busy = tick(probes, truth)
        ours, theirs, our_error, their_error = solves(probes)
        load = os.getloadavg()[0]
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"| {hosts:,} | {len(probes):,} | {whole:.2f} s | {busy:.2f} s | {whole / hosts * 1e6:.0f} us "
            f"| {2 * ours:.3f} s | {2 * theirs:.3f} s | {theirs / ours:.1f} | {memory:.2f} GB |",
            flush=True,
        )
        print(
            f"  solve error {our_error:.2g} ns, lsqr {their_error:.2g} ns; load average {load:.1f}",
            file=sys.stderr,
            flush=True,
        )


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1_000, 10_000, 100_000])
