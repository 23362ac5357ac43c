"""Limits of pairs straight from estimates at hand, as a table of clocks asks for them. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Float64, Int64
from noonmark.collector.pair_table import PairSource
from noonmark.collector.pairs import compare


def pairs_of(estimates: Sequence[FleetEstimate], hosts: Sequence[str]) -> PairSource:
    """A source that compares two hosts in the estimate of each knot asked for."""

    def ask(a: int, b: int, knots: Int64) -> tuple[Int64, Int64, Float64]:
        lower, upper = np.full(len(knots), -UNBOUNDED_NS), np.full(len(knots), UNBOUNDED_NS)
        sigma = np.full(len(knots), np.inf)
        for place, knot in enumerate(knots.tolist()):
            pair = compare(estimates[knot], hosts[a], hosts[b])
            if pair.known:
                lower[place], upper[place], sigma[place] = pair.lower_ns, pair.upper_ns, pair.uncertainty_ns
        return lower, upper, sigma

    return ask
