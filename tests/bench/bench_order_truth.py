"""Is "certain" ever wrong, does "likely" keep its promise, and how much does correcting the order help?

Simulated fleets with known truth; the collector's own estimates, a tick each five seconds, with its pairs' own limits.
Run by hand:  python tests/bench/bench_order_truth.py [--pairs 10000000] [--hosts 24] [--seed 1]

Prints, for each kind of fleet and in all:
  certain   pairs called certain, and how many of them are wrong
  likely    of pairs called with a probability of 0.93 to 0.97, the share that is right; at the end also without kinds
            whose zones close one loop only, which cannot teach how unequal routes are (bench_asymmetry.py)
  wrong     neighbouring pairs of different hosts in the wrong order: by raw stamps, and in corrected order
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from noonmark.collector.clock_table import ClockTable
from noonmark.collector.estimate import FleetEstimate, Int32, Int64, ProbeColumns
from noonmark.collector.estimate_pairs import pairs_of
from noonmark.collector.history import open_history
from noonmark.collector.known_clocks import KnownClocks
from noonmark.collector.order import Events, order
from noonmark.collector.pipeline import step
from noonmark.collector.query_order import PastSource
from noonmark.collector.verdicts import Certainty, StampedEvents, judge
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

SECOND_NS = 10**9
WINDOW_NS = 60 * SECOND_NS
KINDS = (
    "kernel-lan",
    "quiet-rack",
    "heavy-tails",
    "user-stamps",
    "three-zones",
    "congested-both-ways",
    "steered-clocks",
)
ONE_LOOP = {"three-zones"}
SET = ("one-step", "noticed-steps", "suspended", "slewed", "frequency-change")
TICKS = (70, 75, 80, 85, 90)
GAPS_NS = (200.0, 2e6)
"""Pairs of events lie this far apart, spread evenly over the decades."""


def window(probes: ProbeColumns, until_ns: int) -> ProbeColumns:
    keep = (probes.t1_ns > until_ns - WINDOW_NS) & (probes.t1_ns <= until_ns)
    names = [field.name for field in dataclasses.fields(probes) if field.name != "hosts"]
    return dataclasses.replace(probes, **{name: getattr(probes, name)[keep] for name in names})


def estimates(probes: ProbeColumns, truth: Truth) -> list[FleetEstimate]:
    instants = [truth.start_ns + tick * SECOND_NS for tick in TICKS]
    return [step(window(probes, at), references=truth.references, at_ns=at) for at in instants]


def stamp(truth: Truth, host: Int32, when: Int64) -> Int64:
    """What each host's clock shows at a true instant: its floor to the nanosecond."""
    whole, rest = truth.clocks.time_error(host, when - truth.start_ns)
    return when + whole + np.floor(rest).astype(np.int64)


class Tally:
    def __init__(self) -> None:
        self.certain = self.wrong = self.promised = self.kept = 0
        self.raw_wrong = self.raw = self.corrected_wrong = self.corrected = 0

    def add(self, other: Tally) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def line(self, name: str) -> str:
        kept = self.kept / self.promised if self.promised else float("nan")
        share = self.corrected_wrong / self.raw_wrong if self.raw_wrong else float("nan")
        return (
            f"{name:<20} certain {self.certain:>11,} wrong {self.wrong:>3}   likely {kept:7.2%} of {self.promised:>9,}"
            f"   wrong neighbours raw {self.raw_wrong:>9,} corrected {self.corrected_wrong:>9,} ({share:.1%})"
        )


def pairs_tally(
    table: ClockTable, truth: Truth, hosts: Sequence[str], count: int, random: np.random.Generator
) -> Tally:
    """Random pairs of events on different hosts."""
    tally = Tally()
    place = np.array([truth.hosts.index(host) for host in hosts], np.int32)
    a = random.integers(0, len(hosts), count).astype(np.int32)
    b = ((a + random.integers(1, len(hosts), count)) % len(hosts)).astype(np.int32)
    begin, end = truth.start_ns + TICKS[0] * SECOND_NS, truth.start_ns + TICKS[-1] * SECOND_NS
    first_at = random.integers(begin, end, count)
    gap = np.exp(random.uniform(np.log(GAPS_NS[0]), np.log(GAPS_NS[1]), count)) * random.choice([-1, 1], count)
    uniform = random.uniform(-60_000, 60_000, count)  # evenly spread, so that likely can be held to its promise
    even = random.random(count) < 0.5
    second_at = first_at + np.rint(np.where(even, uniform, gap)).astype(np.int64)
    stamps = [stamp(truth, place[host], when) for host, when in ((a, first_at), (b, second_at))]
    columns, limits = [], []
    for host, own in zip((a, b), stamps, strict=True):
        reference, earliest, latest = (np.empty(count, np.int64) for _ in range(3))
        for number in range(len(hosts)):
            rows = host == number
            found = table.host_times(number, own[rows])
            reference[rows], earliest[rows], latest[rows] = found.reference_ns, found.earliest_ns, found.latest_ns + 1
        columns.append(StampedEvents(host, own, np.ones(count, np.int64), reference))
        limits.append((earliest, latest))
    swap = columns[1].reference_ns < columns[0].reference_ns
    for turned in (False, True):
        rows = swap == turned
        one, other = (columns[1], columns[0]) if turned else (columns[0], columns[1])
        apart = limits[1 - turned][0] >= limits[turned][1]  # what settles most pairs before they are judged
        truly = (first_at < second_at)[rows] != turned
        verdict, probability = judge(one.rows(rows), other.rows(rows), table)
        sure = (verdict == Certainty.CERTAIN) | apart[rows]
        tally.certain += int(sure.sum())
        tally.wrong += int((sure & ~truly).sum())
        near = (np.abs(probability - 0.95) < 0.02) & even[rows] & ~sure
        tally.promised += int(near.sum())
        tally.kept += int((near & truly).sum())
    return tally


def neighbours_tally(
    table: ClockTable, truth: Truth, hosts: Sequence[str], count: int, random: np.random.Generator
) -> Tally:
    """Events at a rate of one each hundred microseconds, in order."""
    tally = Tally()
    place = np.array([truth.hosts.index(host) for host in hosts], np.int32)
    host = random.integers(0, len(hosts), count).astype(np.int32)
    when = (
        truth.start_ns + TICKS[0] * SECOND_NS + np.cumsum(np.rint(random.exponential(100_000, count)).astype(np.int64))
    )
    own = stamp(truth, place[host], when)
    found = order(Events(host, own), table).permutation
    raw = np.argsort(own, kind="stable")
    for name, permutation in (("raw", raw), ("corrected", found)):
        across = host[permutation[1:]] != host[permutation[:-1]]
        wrong = across & (when[permutation[1:]] < when[permutation[:-1]])
        setattr(tally, name, int(across.sum()))
        setattr(tally, f"{name}_wrong", int(wrong.sum()))
    return tally


def run(kind: str, hosts: int, seed: int, pairs: int) -> Tally:
    probes, truth = simulate(kind, hosts=hosts, seconds=TICKS[-1] + 1, seed=seed)
    told = estimates(probes, truth)
    names = told[-1].hosts
    table = ClockTable.from_estimates(told, names, pairs=pairs_of(told, names))
    random = np.random.default_rng(seed)
    tally = pairs_tally(table, truth, names, pairs, random)
    tally.add(neighbours_tally(table, truth, names, 20_000, random))
    return tally


def past(kind: str, hosts: int, seed: int, events: int = 40_000, seconds: int = 240) -> str:
    """Clocks that are set, asked of a history: neighbours called certain, and how many of them are wrong."""
    probes, truth = simulate(kind, hosts=hosts, seconds=seconds, seed=seed)
    random = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder, open_history(Path(folder) / "history") as history:
        told: FleetEstimate | None = None
        for tick in range(60, seconds, 5):
            at_ns = truth.start_ns + tick * SECOND_NS
            told = step(window(probes, at_ns), references=truth.references, at_ns=at_ns, previous=told)
            history.append(told)
        host = random.integers(0, hosts, events).astype(np.int32)
        when = truth.start_ns + np.sort(random.integers(65 * SECOND_NS, (seconds - 10) * SECOND_NS, events))
        clocks = KnownClocks(PastSource(history), truth.hosts)
        found = order(Events(host, stamp(truth, host, when)), clocks)
    first, second = found.permutation[:-1], found.permutation[1:]
    across, wrong = host[first] != host[second], when[second] < when[first]
    certain = across & (found.certainty[1:] == Certainty.CERTAIN)
    outside = found.known & ((when < found.earliest_ns) | (when > found.latest_ns))
    return (
        f"{kind:<20} certain {int(certain.sum()):>7,} of {int(across.sum()):,}, wrong {int((certain & wrong).sum())}; "
        f"events outside their limits {int(outside.sum())}; all neighbours wrong {int((across & wrong).sum())}"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=10_000_000, help="pairs called certain to reach")
    parser.add_argument("--hosts", type=int, default=16)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--batch", type=int, default=200_000)
    parser.add_argument("--kinds", nargs="*", default=KINDS)
    parser.add_argument("--past", type=int, help="so many fleets of each kind whose clocks are set, and nothing else")
    given = parser.parse_args()
    if given.past:
        for kind in SET:
            for number in range(given.past):
                print(past(kind, given.hosts, given.seed + number), flush=True)
        return
    by_kind = {kind: Tally() for kind in given.kinds}
    total, seed, began = Tally(), given.seed, time.perf_counter()
    while total.certain < given.pairs:
        for kind in given.kinds:
            found = run(kind, given.hosts, seed, given.batch)
            by_kind[kind].add(found)
            total.add(found)
        seed += 1
    for kind, tally in by_kind.items():
        print(tally.line(kind))
    taught = Tally()
    for kind in set(by_kind) - ONE_LOOP:
        taught.add(by_kind[kind])
    print(taught.line("all but of one loop"))
    print(total.line("all"), f"  {seed - given.seed} fleets of each kind, {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
