"""Tables of clocks for tests: a few hosts, simple lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noonmark.collector.clock_lines import ClockKnots
from noonmark.collector.clock_table import ClockTable
from noonmark.collector.pair_table import PairSource


def table(
    offsets: Sequence[int],
    limits: Sequence[tuple[int, int]],
    sigma: Sequence[float],
    pairs: PairSource | None = None,
    at_ns: Sequence[int] = (0, 2 * 10**18),
    drift: float = 0.0,
) -> ClockTable:
    """Hosts h0, h1, ... whose offset, limits and uncertainty stay the same at every knot."""
    knots = len(at_ns)

    def rows(values: Sequence[float], kind: type) -> np.ndarray:
        return np.repeat(np.array(values, kind)[:, None], knots, axis=1)

    return ClockTable(
        [f"h{number}" for number in range(len(offsets))],
        ClockKnots(
            at_ns=np.array(at_ns, np.int64),
            offset_ns=rows(offsets, np.int64),
            drift=rows([drift] * len(offsets), np.float64),
            uncertainty_ns=rows(sigma, np.float64),
            drift_uncertainty=rows([0.0] * len(offsets), np.float64),
            lower_ns=rows([low for low, _ in limits], np.int64),
            upper_ns=rows([high for _, high in limits], np.int64),
            gap=np.zeros(knots - 1, np.bool_),
        ),
        pairs=pairs,
    )
