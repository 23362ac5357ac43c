"""One host's course as columns, for evidence: from a history many at once, from a collector as it streams. Pure.

A row is a moment; it speaks until the next row, at most for `reach`: past it nothing was measured, which is a gap.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, HostState, Int64
from noonmark.collector.history_columns import HOSTS, LOWER, OFFSET, UNCERTAINTY, UPPER, host_states, known
from noonmark.collector.history_interpolation import How, Interpolated
from noonmark.collector.views import PairView

DAY_NS = 86_400 * 10**9
_MEASURED = (How.EXACT, How.BETWEEN)


class Store(Protocol):
    """What is asked of a history."""

    def instants(self, host: str, since_ns: int, until_ns: int) -> Int64:
        """When it was told of."""

    def columns(self, host: str, at_ns: Int64) -> Interpolated | None:
        """What was told."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Moments of one host, in order of time; all arrays are (N,), times in ns against the reference."""

    at_ns: Int64
    measured: Bool
    """Whether anything was measured around that moment; where not, the rest of the row means nothing."""
    offset_ns: Float64
    uncertainty_ns: Float64
    """Standard."""
    lower_ns: Float64
    """Certain limits; infinite: none."""
    upper_ns: Float64

    def __len__(self) -> int:
        return len(self.at_ns)


NO_SAMPLES = Samples(np.zeros(0, np.int64), np.zeros(0, np.bool_), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))


def joined(parts: list[Samples]) -> Samples:
    """Parts that follow each other."""
    if not parts:
        return NO_SAMPLES
    return Samples(
        np.concatenate([part.at_ns for part in parts]),
        np.concatenate([part.measured for part in parts]),
        np.concatenate([part.offset_ns for part in parts]),
        np.concatenate([part.uncertainty_ns for part in parts]),
        np.concatenate([part.lower_ns for part in parts]),
        np.concatenate([part.upper_ns for part in parts]),
    )


def from_history(store: Store, host: str, since_ns: int, until_ns: int, *, step_ns: int) -> Samples:
    """Every moment kept in [since, until), and one at least each `step_ns`: so old, thinned times are seen as well."""
    parts = []
    for start in range(since_ns, until_ns, DAY_NS):
        end = min(start + DAY_NS, until_ns)
        at_ns = np.unique(np.concatenate([store.instants(host, start, end), np.arange(start, end, step_ns)]))
        found = store.columns(host, at_ns)
        if found is not None:
            parts.append(_from_columns(at_ns, found))
    return joined(parts)


def _from_columns(at_ns: Int64, found: Interpolated) -> Samples:
    matrix = found.matrix
    return Samples(
        at_ns,
        found.present & np.isin(found.how, _MEASURED) & known(matrix, HOSTS) & ~_silent(matrix),
        matrix[OFFSET].astype(np.float64),
        matrix[UNCERTAINTY] / 1e3,
        _limit(matrix[LOWER]),
        _limit(matrix[UPPER]),
    )


def _silent(matrix: Int64) -> Bool:
    """A stale host's numbers only age: nothing was measured of it then."""
    return np.array([state is HostState.STALE for state in host_states(matrix)], np.bool_)


def _limit(limit_ns: Int64) -> Float64:
    values = limit_ns.astype(np.float64)
    return np.where(np.abs(limit_ns) >= UNBOUNDED_NS, np.copysign(np.inf, values), values)


def from_course(points: Iterable[PairView]) -> Samples:
    """Moments as a collector tells them."""
    rows = [
        (
            point.at_ns,
            point.known,
            point.offset_ns,
            point.uncertainty_ns,
            -np.inf if point.lower_ns is None else point.lower_ns,
            np.inf if point.upper_ns is None else point.upper_ns,
        )
        for point in points
    ]
    if not rows:
        return NO_SAMPLES
    columns = list(zip(*rows, strict=True))
    at_ns = np.array(columns[0], np.int64)
    numbers = [np.array(column, np.float64) for column in columns[2:]]
    return Samples(at_ns, np.array(columns[1], np.bool_), numbers[0], numbers[1], numbers[2], numbers[3])
