"""How honest and how good the estimates are, for every kind of simulated fleet, beside three other ways.

By hand: python tests/bench/bench_calibration.py [--hosts N] [--seeds N] [--first SEED] [--seconds S] [--honest]
[KIND ...]. A row a kind, over all innocent hosts of all its fleets: share of errors within two standard uncertainties,
share of truths within limits, false findings, share of windows in which every fault was named, and root-mean-square
errors in us: ours; the least-delay filter of RFC 5905 along a tree of least delays; unweighted least squares over all
probes' offsets (both told every clock's true course); least delays told the true course; and the floor, least squares
given only the routes' fixed asymmetries, no queueing and no stamp's error. "ratio" is ours to the floor. A finding is
false if it names an innocent host, or a path whose one-way delays truly differ by less than half of what it says.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from rivals import floor_least_squares, least_delay_tree, offsets_of, plain_least_squares, told_least_delays

from noonmark.collector.estimate import FindingKind, FleetEstimate, HostState
from noonmark.collector.pipeline import step
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

WAYS = ("ours", "least delay", "plain", "told", "floor")
TOLD_BY_NOBODY = {FindingKind.LEFT_OUT, FindingKind.NO_ROUTE, FindingKind.STALE}


class Tally:
    """Counts and squared errors over the windows of one kind."""

    def __init__(self) -> None:
        self.covered: list[np.ndarray] = []
        self.inside: list[np.ndarray] = []
        self.false_findings = 0
        self.named: list[bool] = []
        self.errors: dict[str, list[np.ndarray]] = {way: [] for way in WAYS}

    def rms_us(self, way: str) -> float:
        """Root of the mean square over all hosts of all windows."""
        joined = np.concatenate(self.errors[way])
        return float(np.sqrt(np.nanmean(joined**2))) / 1e3


def culprits(truth: Truth) -> set[str]:
    """Hosts at fault, and ends of paths at fault."""
    return {end for event in truth.events for end in ((event.host,) if event.host else event.path or ())}


def accused(estimate: FleetEstimate) -> list[set[str]]:
    """Whom each finding that blames somebody names."""
    blaming = [finding for finding in estimate.findings if finding.kind not in TOLD_BY_NOBODY]
    return [{finding.host} if finding.host else set(finding.path or ()) for finding in blaming]


def false_findings(estimate: FleetEstimate, truth: Truth, guilty: set[str]) -> int:
    """How many findings blame somebody or something without cause."""
    source, destination, delays = truth.fixed_delays_ns(estimate.at_ns)
    uneven = {
        frozenset((truth.hosts[a], truth.hosts[b])): abs(there - back)
        for a, b, (there, back) in zip(source.tolist(), destination.tolist(), delays.tolist(), strict=True)
    }
    count = 0
    for finding in estimate.findings:
        if finding.kind in TOLD_BY_NOBODY:
            continue
        if finding.kind is FindingKind.ASYMMETRIC_PATH and finding.path and finding.size_ns is not None:
            count += uneven.get(frozenset(finding.path), 0.0) < abs(finding.size_ns)
        else:
            count += not ({finding.host} if finding.host else set(finding.path or ())) <= guilty
    return count


def window(tally: Tally, kind: str, hosts: int, seconds: float, seed: int) -> None:
    """Simulate, solve in every way, and add up."""
    probes, truth = simulate(kind, hosts=hosts, seconds=seconds, seed=seed)
    estimate = step(probes, references=truth.references)
    at_ns, true = estimate.at_ns, truth.offsets_ns(estimate.at_ns)
    guilty = culprits(truth)
    spared = np.array([host not in guilty for host in truth.hosts])
    if any(event.path for event in truth.events):
        spared[:] = True
    measured = spared & np.array([state is HostState.MEASURED for state in estimate.state])
    error = (estimate.offset_ns - true).astype(np.float64)
    tally.covered.append((np.abs(error) <= 2 * estimate.uncertainty_ns)[measured])
    tally.inside.append(((estimate.lower_ns <= true) & (true <= estimate.upper_ns))[measured])
    named = accused(estimate)
    tally.false_findings += false_findings(estimate, truth, guilty)
    tally.named.append(guilty <= set().union(*named) if guilty else True)
    roots = [truth.hosts.index(reference.host) for reference in truth.references]
    offsets = offsets_of(probes, truth, at_ns)
    for way, found in (
        ("ours", error),
        ("least delay", least_delay_tree(offsets, hosts, roots[0])),
        ("plain", plain_least_squares(offsets, hosts, roots)),
        ("told", told_least_delays(offsets, truth, at_ns, roots)),
        ("floor", floor_least_squares(truth, at_ns, roots)),
    ):
        tally.errors[way].append(found[measured])


def main() -> None:
    """Print the table, one row a kind as soon as it is known."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hosts", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--honest", action="store_true", help="only kinds without faults")
    parser.add_argument("kinds", nargs="*", metavar="KIND")
    given = parser.parse_args()
    print(f"{given.seeds} windows of {given.hosts} hosts over {given.seconds:.0f} s each kind; errors in us")
    print(f"{'kind':<20}{'<= 2u':>7}{'inside':>8}{'false':>6}{'named':>6}", end="")
    print("".join(f"{way:>12}" for way in WAYS) + f"{'ratio':>8}")
    every = Tally()
    for kind in given.kinds or [name for name, kind in KINDS.items() if kind.honest or not given.honest]:
        tally = Tally()
        for seed in range(given.first, given.first + given.seeds):
            window(tally, kind, given.hosts, given.seconds, seed)
        every.covered += tally.covered
        every.inside += tally.inside
        every.false_findings += tally.false_findings
        every.named += tally.named
        show(kind, tally)
        print("".join(f"{tally.rms_us(way):>12.3f}" for way in WAYS), end="")
        print(f"{tally.rms_us('ours') / max(tally.rms_us('floor'), 1e-9):>8.2f}", flush=True)
    show("all", every)
    print()


def show(name: str, tally: Tally) -> None:
    """The first columns of a row."""
    covered, inside = np.concatenate(tally.covered).mean(), np.concatenate(tally.inside).mean()
    named = np.mean(tally.named)
    print(f"{name:<20}{covered:>7.1%}{inside:>8.2%}{tally.false_findings:>6}{named:>6.0%}", end="")


if __name__ == "__main__":
    main()
