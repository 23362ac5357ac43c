"""Limits of pairs straight from estimates at hand, as a table of clocks asks for them. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Int64, PairEstimate
from noonmark.collector.pair_table import PairSource
from noonmark.collector.pairs import compare


class EstimatePairs:
    """Compares two hosts in the estimate of each knot asked for, and keeps the answers."""

    def __init__(self, estimates: Sequence[FleetEstimate], hosts: Sequence[str]) -> None:
        self._estimates = estimates
        self._hosts = hosts
        self._kept: dict[tuple[int, int, int], PairEstimate] = {}

    def _pair(self, a: int, b: int, knot: int) -> PairEstimate:
        key = (a, b, knot)
        if key not in self._kept:
            self._kept[key] = compare(self._estimates[knot], self._hosts[a], self._hosts[b])
        return self._kept[key]

    def limits(self, a: int, b: int, knots: Int64) -> tuple[Int64, Int64]:
        """See `PairSource`."""
        found = [self._pair(a, b, knot) for knot in knots.tolist()]
        lower = [pair.lower_ns if pair.known else -UNBOUNDED_NS for pair in found]
        upper = [pair.upper_ns if pair.known else UNBOUNDED_NS for pair in found]
        return np.array(lower, np.int64), np.array(upper, np.int64)

    def uncertainty(self, a: int, b: int, knot: int) -> float:
        """See `PairSource`."""
        pair = self._pair(a, b, knot)
        return float(pair.uncertainty_ns) if pair.known else math.inf


def pairs_of(estimates: Sequence[FleetEstimate], hosts: Sequence[str]) -> PairSource:
    """A source of pairs over the knots of a table made of these estimates."""
    return EstimatePairs(estimates, hosts)
