"""How long all octaves of a deviation take, as a share of what allantools (LGPL, test only) takes in the same run.

Run by hand: python tests/bench/bench_stability.py [SAMPLES]
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import allantools
import numpy as np

from noonmark.collector.stability import Statistic, deviations, octaves
from noonmark.collector.stability_wander import mtie

ROUNDS = 3


def seconds(call: Callable[[], object]) -> float:
    """Median over rounds."""
    taken = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        call()
        taken.append(time.perf_counter() - began)
    return statistics.median(taken)


def with_intervals(other: Callable[..., tuple], phase: np.ndarray, factors: list[int], modified: bool) -> list:
    """Their deviations and intervals."""
    _, values, _, _ = other(phase, taus=np.array(factors, float))
    found = []
    for factor, value in zip(factors, values, strict=False):
        freedom = allantools.edf_greenhall(0, 2, factor, len(phase), overlapping=True, modified=modified)
        found.append(allantools.confidence_interval(value, freedom))
    return found


def main() -> None:
    """Measure and print."""
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    phase = np.cumsum(np.random.default_rng(5).normal(0, 1e-9, samples))
    factors = octaves(samples)[:-1]
    taus = np.array(factors, float)
    white = np.zeros(len(factors), np.int64)
    print(f"{samples} samples, {len(factors)} averaging times; deviations with the intervals of known white FM")
    for statistic, other in (
        (Statistic.OVERLAPPING, allantools.oadev),
        (Statistic.MODIFIED, allantools.mdev),
        (Statistic.TIME, allantools.tdev),
    ):
        own = seconds(lambda statistic=statistic: deviations(phase, 1.0, statistic, factors=factors, noise=white))
        modified = statistic is not Statistic.OVERLAPPING
        theirs = seconds(lambda other=other, modified=modified: with_intervals(other, phase, factors, modified))
        print(f"{statistic:6} {own:8.4f} s, theirs {theirs:8.4f} s: {own / theirs:5.2f} of it")
    own, theirs = seconds(lambda: mtie(phase, factors)), seconds(lambda: allantools.mtie(phase, taus=taus))
    print(f"mtie   {own:8.4f} s, theirs {theirs:8.4f} s: {own / theirs:5.2f} of it")


if __name__ == "__main__":
    main()
