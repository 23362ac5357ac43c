"""What a whole tick costs as the fleet grows, and the fleet solve beside scipy's lsqr at equal accuracy.

    python tests/bench/bench_tick.py [HOSTS ...]        (default 1000 10000 100000)

A tick is everything: records to paths' walls, drifts, bends, offsets, uncertainties of all hosts, judgement, and
certain limits of all hosts against the reference; warm, as it is from the second tick on. Probes: 8 peers a host, 12
exchanges of two packets a path in 60 s. The solve is one weighted least squares for all offsets and one for all drifts.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
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


def timed(work: Callable[[], object]) -> float:
    """Median wall seconds of a few runs."""
    spent = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return median(spent)


def tick(probes: ProbeColumns, truth: Truth) -> float:
    """A warm tick's seconds."""
    warm: FleetEstimate = step(probes, references=truth.references)
    return timed(lambda: step(probes, references=truth.references, previous=warm))


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


def by_lsqr(network: Network, z: Float64, weight: Float64, tolerance: float) -> Float64:
    """The same least squares by scipy's lsqr, host 0 at zero."""
    edges = np.arange(len(z))
    rows, columns = np.concatenate([edges, edges]), np.concatenate([network.second, network.first])
    values = np.concatenate([np.ones(len(z)), -np.ones(len(z))])
    design = csr_array((values, (rows, columns)), shape=(len(z), network.nodes))
    root = np.sqrt(weight)
    found = lsqr(diags_array(root) @ design, root * z, atol=tolerance, btol=tolerance, iter_lim=10_000)[0]
    return np.asarray(found - found[0])


def solves(probes: ProbeColumns) -> tuple[float, float, float, float]:
    """Seconds of our solve and of lsqr at the loosest tolerance that is as accurate, and both errors (rms)."""
    network, z, weight = network_of(probes, np.random.default_rng(1))
    nothing = np.empty(0)
    exact = solve(network, z, weight, nothing, uncertain=False, tolerance=1e-13).unknowns
    ours = solve(network, z, weight, nothing, uncertain=False).unknowns
    our_error = float(np.sqrt(np.mean((ours - exact) ** 2)))
    our_time = timed(lambda: solve(network, z, weight, nothing, uncertain=False))
    for exponent in range(4, 15):
        theirs = by_lsqr(network, z, weight, 10.0**-exponent)
        their_error = float(np.sqrt(np.mean((theirs - exact) ** 2)))
        if their_error <= our_error:
            break
    return our_time, timed(lambda: by_lsqr(network, z, weight, 10.0**-exponent)), our_error, their_error


def main(sizes: list[int]) -> None:
    """Print one row a size."""
    print("| hosts | probes | whole tick | a host | solve (offsets and drifts) | lsqr, as accurate | ratio | memory |")
    print("|---|---|---|---|---|---|---|---|")
    for hosts in sizes:
        probes, truth = simulate("kernel-lan", hosts=hosts, seed=1)
        whole = tick(probes, truth)
        ours, theirs, our_error, their_error = solves(probes)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"| {hosts:,} | {len(probes):,} | {whole:.2f} s | {whole / hosts * 1e6:.0f} us | {2 * ours:.3f} s "
            f"| {2 * theirs:.3f} s | {theirs / ours:.1f} | {memory:.2f} GB |",
            flush=True,
        )
        print(f"  solve error {our_error:.2g} ns, lsqr {their_error:.2g} ns", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1_000, 10_000, 100_000])
