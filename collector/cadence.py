"""How often each host is to be probed: steady clocks less often, troubled ones more, within bounds. Pure.

A host has a level: its interval is the base interval times two to the level. Levels change by what the newest estimate
says of the host:

- *troubled* (a finding says that its clock was set, changed its rate, lies or is contradicted): the fastest, at once;
- *wanting* (its time error with its expanded uncertainty fills more than `WANTING` of its budget, so that more probes
  could decide, or the estimate missed by more than its uncertainty): one level faster, and no slower than the base;
- *steady* (none of these, and less than `STEADY` of its budget filled) for as long as a window: one level slower;
- a level that was raised in trouble falls back to the base in the same way.

Faster is quick and slower is slow, and between wanting and steady nothing changes: so levels, and with them plans,
seldom change. The interval of a path is that of the more urgent of its ends. Where a host would send more packets a
second than its budget allows, its own probes and its answers together, its paths are slowed until it does not.

Bounds: a path is asked at least `LEAST_A_WINDOW` times in a window, for the estimator cuts that into no fewer parts.
References never become slower than the base: every other host rests on them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Bool, Finding, FindingKind, FleetEstimate, Float64, HostState, Int32, Int64

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty U = 2 u (JCGM 100:2008, section 6)."""
WANTING, STEADY = 0.8, 0.5
MISSED = 3.0
"""An estimate that lies so many of its standard uncertainties from what the one before foretold was missed."""
STILL = 1.0
"""One that lies within so many was foretold."""
FASTER_AFTER_S = 10.0
"""Between two steps of a host that is wanting; the estimate needs some new probes to answer to the first."""
LEAST_A_WINDOW = 12
TROUBLE = frozenset(
    {
        FindingKind.STEP,
        FindingKind.SUSPEND,
        FindingKind.FREQUENCY_CHANGE,
        FindingKind.LIAR,
        FindingKind.REFERENCE_DISAGREES,
        FindingKind.LEAP_OR_SMEAR,
        FindingKind.CLAIM_CONTRADICTED,
    }
)
"""What more probes help to understand. An asymmetric path stays so, and a silent host is not made to answer."""
TRAILING_FROM_NS = 2_000_000_000
"""From longer intervals than this an exchange has three packets instead of two (noonmark.agent.exchange)."""


@dataclass(frozen=True, slots=True)
class CadenceSettings:
    """Bounds. With `fastest_ns` and `slowest_ns` at the base every host is probed alike."""

    base_ns: int = 1_000_000_000
    fastest_ns: int = 1_000_000_000
    slowest_ns: int = 1_000_000_000
    packets_per_second: float | None = None
    """A host's own probes and its answers; None: twice what they are at the base interval."""
    window_s: float = 60.0

    @property
    def fastest(self) -> int:
        """Lowest level, 0 or below."""
        return min(0, -math.floor(math.log2(self.base_ns / self.fastest_ns)))

    @property
    def slowest(self) -> int:
        """Highest level, 0 or above."""
        longest_ns = min(self.slowest_ns, self.window_s * 1e9 / LEAST_A_WINDOW)
        return max(0, math.floor(math.log2(longest_ns / self.base_ns) + 1e-9))

    @property
    def adaptive(self) -> bool:
        """Whether there is anything to choose."""
        return self.fastest < 0 or self.slowest > 0


@dataclass(frozen=True, slots=True)
class Signs:
    """(H,) marks, in the order of an estimate's hosts; a host may have none of them."""

    troubled: Bool
    wanting: Bool
    steady: Bool


@dataclass(frozen=True, slots=True)
class Cadence:
    """Each host's level (H,), when it last changed, and since when there is no reason to be faster (monotonic s)."""

    hosts: tuple[str, ...] = ()
    level: Int64 = field(default_factory=lambda: np.zeros(0, np.int64))
    changed_s: Float64 = field(default_factory=lambda: np.zeros(0))
    calm_s: Float64 = field(default_factory=lambda: np.zeros(0))

    def of(self, hosts: Sequence[str]) -> Int64:
        """Levels of these hosts; 0 for those that are not known."""
        if not self.hosts:
            return np.zeros(len(hosts), np.int64)
        row = _rows(self.hosts, hosts)
        return np.where(row >= 0, self.level[row], 0)


def read_signs(estimate: FleetEstimate, previous: FleetEstimate | None, tolerance_ns: Float64) -> Signs:
    """What an estimate says of how often its hosts need probing. `tolerance_ns` (H,) are budgets, infinite for none."""
    troubled = _named(estimate)
    known = np.array([state in (HostState.MEASURED, HostState.REFERENCE) for state in estimate.state], dtype=bool)
    known &= np.isfinite(estimate.uncertainty_ns)
    uncertainty = np.where(known, estimate.uncertainty_ns, 0.0)
    filled = (np.abs(estimate.offset_ns) + COVERAGE_FACTOR * uncertainty) / tolerance_ns
    surprise = _surprise(estimate, previous, uncertainty)
    # One that is out of its budget for certain is not made better known by more probes.
    decided = np.abs(estimate.offset_ns) - COVERAGE_FACTOR * uncertainty > tolerance_ns
    wanting = known & (((filled > WANTING) & ~decided) | (surprise > MISSED))
    steady = known & ~troubled & ((filled < STEADY) | decided) & (surprise <= STILL)
    return Signs(troubled, wanting, steady)


def _named(estimate: FleetEstimate) -> Bool:
    names = {finding.host for finding in estimate.findings if _tells_trouble(finding)}
    return np.array([host in names for host in estimate.hosts], dtype=bool)


def _tells_trouble(finding: Finding) -> bool:
    return finding.host is not None and finding.kind in TROUBLE


def _surprise(estimate: FleetEstimate, previous: FleetEstimate | None, uncertainty_ns: Float64) -> Float64:
    """(H,) distance of each offset from what the estimate before foretold, in standard uncertainties.

    NaN where nothing was foretold; it compares as neither missed nor foretold.
    """
    foretold = np.full(len(estimate.hosts), np.nan)
    if previous is None:
        return foretold
    here = _rows(previous.hosts, estimate.hosts)
    seen = np.flatnonzero(here >= 0)
    there = here[seen]
    elapsed_ns = float(estimate.at_ns - previous.at_ns)
    moved = estimate.offset_ns[seen] - previous.offset_ns[there] - previous.drift[there] * elapsed_ns
    unsure = np.hypot(uncertainty_ns[seen], np.where(np.isfinite(previous.uncertainty_ns[there]), 0.0, np.nan))
    foretold[seen] = np.abs(moved) / np.maximum(unsure, 1.0)
    return foretold


def advance(
    before: Cadence,
    estimate: FleetEstimate,
    previous: FleetEstimate | None,
    tolerance_ns: Float64,
    settings: CadenceSettings,
    *,
    now: float,
) -> Cadence:
    """The levels after one more estimate. A host not known before starts at the base."""
    signs = read_signs(estimate, previous, tolerance_ns)
    level, changed, calm = _carried(before, estimate.hosts, now)
    is_reference = np.array([state is HostState.REFERENCE for state in estimate.state], dtype=bool)
    slowest = np.where(is_reference, 0, settings.slowest)
    at_ease = signs.steady | (~signs.troubled & ~signs.wanting & (level < 0))
    calm = np.where(at_ease, calm, now)
    slower = at_ease & (now - np.maximum(calm, changed) >= settings.window_s)
    faster = signs.wanting & (level <= 0) & (now - changed >= FASTER_AFTER_S)
    wanted = level + slower.astype(np.int64) - faster
    wanted = np.where(signs.wanting, np.minimum(wanted, 0), wanted)
    wanted = np.clip(np.where(signs.troubled, settings.fastest, wanted), settings.fastest, slowest)
    return Cadence(estimate.hosts, wanted, np.where(wanted != level, now, changed), calm)


def _carried(before: Cadence, hosts: tuple[str, ...], now: float) -> tuple[Int64, Float64, Float64]:
    if before.hosts is hosts or before.hosts == hosts:
        return before.level, before.changed_s, before.calm_s
    fresh = np.full(len(hosts), now)
    if not before.hosts:
        return np.zeros(len(hosts), np.int64), fresh, fresh
    row = _rows(before.hosts, hosts)
    known = row >= 0
    return (
        np.where(known, before.level[row], 0),
        np.where(known, before.changed_s[row], now),
        np.where(known, before.calm_s[row], now),
    )


def _rows(known: Sequence[str], hosts: Sequence[str]) -> Int64:
    """Where each host stands among those known; -1 for one that does not."""
    row = {host: number for number, host in enumerate(known)}
    return np.array([row.get(host, -1) for host in hosts], dtype=np.int64)


def intervals_ns(asker: Int32, asked: Int32, level: Int64, settings: CadenceSettings, *, stretch: int = 0) -> Int64:
    """(E,) interval of each path asked, ns, from the levels (H,) of its ends, within every host's packet budget.

    `asker` and `asked` (E,) index hosts. `stretch`: the collector asks everybody to probe so many levels slower.
    """
    slowest = settings.slowest + max(0, stretch)
    shift = np.clip(np.minimum(level[asker], level[asked]) + stretch, settings.fastest, slowest)
    if settings.packets_per_second is None:
        allowed = 2.0 * _packets_per_second(asker, asked, np.zeros(len(asker), np.int64), len(level), settings)
    else:
        allowed = np.full(len(level), settings.packets_per_second)
    # The budget goes before the slowest interval: it is what the operator grants a host's network. Three times, since a
    # slower exchange may have a packet more.
    for _ in range(3):
        rate = _packets_per_second(asker, asked, shift, len(level), settings)
        over = np.ceil(np.log2(np.maximum(rate / np.maximum(allowed, 1e-9), 1.0)) - 1e-9).astype(np.int64)
        shift = shift + np.maximum(over[asker], over[asked])
    interval: Int64 = np.rint(settings.base_ns * np.exp2(shift)).astype(np.int64)
    return interval


def _packets_per_second(asker: Int32, asked: Int32, shift: Int64, hosts: int, settings: CadenceSettings) -> Float64:
    """(H,) packets that each host sends, its probes and its answers."""
    seconds = settings.base_ns / 1e9 * np.exp2(shift)
    packets = np.where(seconds * 1e9 > TRAILING_FROM_NS, 3.0, 2.0) / seconds
    sent = np.bincount(asker, packets, minlength=hosts) + np.bincount(asked, packets, minlength=hosts)
    return np.asarray(sent, dtype=np.float64)
