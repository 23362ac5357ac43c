"""When a host's clock did not run evenly, as its findings tell afterwards. Pure.

A change of rate is found some ticks after it happened, and the ticks in between rest on a line that was none: so they
are not used, and what lies between the last good tick before and the first after is bounded by how fast a clock can
have run there. Changes of rate, and steps that were only inferred from probes, that belong to one another by time are
one *upheaval*: a clock that is slewed looks now like the one and now like the other while the window moves across it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import FindingKind, Float64, Int64

SLEW = 500e-6
"""How fast a clock is slewed at most, beyond its own rate: adjtime(3) and adjtimex(2) of Linux."""
WITHIN_NS = 10 * 10**9
"""A change of rate may have happened so long before what was found; tellings of one change differ by as much."""


@dataclass(frozen=True, slots=True)
class Change:
    """One finding about how a clock ran: at `at_ns`, give or take `within_ns`; ticks from `seen_ns` on know it."""

    kind: FindingKind
    at_ns: int
    seen_ns: int
    within_ns: int = 0
    rate: float = 0.0
    """By how much the rate changed."""

    @property
    def earliest_ns(self) -> int:
        """Before this nothing had happened yet."""
        return self.at_ns - self.within_ns


@dataclass(frozen=True, slots=True)
class Upheaval:
    """From `start_ns` until before `end_ns` ticks are not to be trusted, and the clock may have left both neighbours'
    rates by `rate`.
    """

    start_ns: int
    end_ns: int
    rate: float


def sort_out(changes: Iterable[Change], reach_ns: int) -> tuple[list[Change], list[Upheaval]]:
    """The settings of one host's clock, in order of time, and its upheavals.

    Changes no further apart than `reach_ns`, over which a window mixes what it holds, belong together. A step that the
    host itself told of, which is exact, stays a setting; one that was inferred beside a change of rate does not: nobody
    knows then whether the clock was set or slewed.
    """
    settings, upheavals = [], []
    for together in _chains(changes, reach_ns):
        rates = [change for change in together if change.kind is FindingKind.FREQUENCY_CHANGE]
        inferred = [change for change in together if change.kind is FindingKind.STEP and change.within_ns > 0]
        if not rates:
            settings += together
            continue
        parts = [*rates, *inferred]
        slewed = bool(inferred)
        rate = SLEW if slewed else max(abs(change.rate) for change in rates)
        upheavals.append(
            Upheaval(
                min(change.earliest_ns for change in parts),
                max(max(change.seen_ns, change.at_ns) for change in parts),
                min(rate, SLEW),
            )
        )
        settings += [change for change in together if change not in parts]
    return sorted(settings, key=lambda change: change.at_ns), upheavals


def _chains(changes: Iterable[Change], reach_ns: int) -> list[list[Change]]:
    chains: list[list[Change]] = []
    until = 0
    for change in sorted(changes, key=lambda change: change.earliest_ns):
        if chains and change.earliest_ns <= until + reach_ns:
            chains[-1].append(change)
            until = max(until, change.seen_ns, change.at_ns)
        else:
            chains.append([change])
            until = max(change.seen_ns, change.at_ns)
    return chains


def rates_between(before_ns: Int64, after_ns: Int64, upheavals: Sequence[Upheaval]) -> Float64:
    """How far rates may have left those at either end of stretches (T,): 0 where nothing happened in between.

    Of several clocks' upheavals, or of one's, what touches a stretch adds up.
    """
    rate = np.zeros(len(before_ns))
    for one in upheavals:
        rate += np.where((before_ns < one.end_ns) & (after_ns > one.start_ns), one.rate, 0.0)
    return rate
