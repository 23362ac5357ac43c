"""Clocks as a table in memory: every host at the same knots of reference time, straight lines between them. Pure.

Between two knots the offset and its uncertainty are interpolated, and the limits cover those of both knots. Two knots
at the same instant are a step: before it the first holds, from it on the second. Before the first and after the last
knot the drift carries on, its uncertainty adds up, and limits widen by `drift_limit` a host. A stretch without
measurement (a *gap*) widens the limits in the same way from both of its ends. Where the offset jumps between two knots
by more than its uncertainty and drift explain, a step lies somewhere between: the uncertainty says so.

Everything about one host in one interval is linear in reference time, so all questions are a search for the interval
and one multiplication, for whole arrays at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noonmark.collector.clock_knowledge import ClockMemory, HostTimes
from noonmark.collector.clock_lines import ClockKnots, ClockLines, fill_gaps, intervals_of, lines_of
from noonmark.collector.clock_pieces import assign_pieces, find_pieces
from noonmark.collector.clock_runs import runs_of, times_by_runs
from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Float64, Int32, Int64
from noonmark.collector.pair_table import PairSource, PairTable

DRIFT_LIMIT = 15e-6
"""RFC 5905's PHI."""


class ClockTable:
    """An implementation of `ClockKnowledge` over arrays in memory; independent of where they came from."""

    def __init__(
        self,
        hosts: Sequence[str],
        knots: ClockKnots,
        *,
        pairs: PairSource | None = None,
        drift_limit: float = DRIFT_LIMIT,
    ) -> None:
        """`pairs` gives tighter differences of two hosts at a knot than their own limits do; asked only when needed.

        Raises ValueError for arrays that do not fit together or knots that run backwards.
        """
        knots.check(len(hosts))
        self._hosts = tuple(hosts)
        filled, original = fill_gaps(knots, drift_limit)
        self._lines: ClockLines = lines_of(filled, drift_limit)
        self._pieces = [find_pieces(clock) for clock in self._lines.clock_ns]
        self._pairs = PairTable(self._lines, len(hosts), original, pairs, drift_limit)

    @classmethod
    def from_estimates(
        cls,
        estimates: Sequence[FleetEstimate],
        hosts: Sequence[str] | None = None,
        *,
        pairs: PairSource | None = None,
        gap_ns: int | None = None,
        drift_limit: float = DRIFT_LIMIT,
    ) -> ClockTable:
        """A table of estimates in order of time, of some hosts (None: all that any of them knows).

        Stretches longer than `gap_ns` (None: three times the usual) between two estimates are gaps.
        """
        if not estimates:
            raise ValueError("no estimate to make a table of")
        if hosts is None:
            hosts = tuple(dict.fromkeys(host for estimate in estimates for host in estimate.hosts))
        return cls(hosts, ClockKnots.from_estimates(estimates, hosts, gap_ns), pairs=pairs, drift_limit=drift_limit)

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names, in the order of the table's rows."""
        return self._hosts

    def host_times(
        self, host: int, clock_ns: Int64, memory: ClockMemory | None = None, *, uncertainty: bool = True
    ) -> HostTimes:
        """See `ClockKnowledge.host_times`; `host` -1 is one that nothing is known of."""
        if host < 0:
            return _unknown_times(clock_ns)
        pieces = self._pieces[host]
        clock = self._lines.clock_ns[host]
        if len(pieces) == 1:
            runs = runs_of(clock, clock_ns)
            if runs is not None:
                return times_by_runs(self._lines, host, clock_ns, runs, uncertainty=uncertainty)
            return self._times(host, clock_ns, intervals_of(clock, clock_ns))
        piece, open_until = assign_pieces(clock, pieces, self._lines.at_ns, clock_ns, memory or ClockMemory())
        times = self._times(host, clock_ns, _intervals(clock, pieces, clock_ns, piece))
        unsettled = np.flatnonzero(open_until > piece)
        if len(unsettled):
            readings = clock_ns[unsettled]
            later = self._times(host, readings, _intervals(clock, pieces, readings, open_until[unsettled]))
            span = np.abs(later.reference_ns - times.reference_ns[unsettled])
            times.earliest_ns[unsettled] = np.minimum(times.earliest_ns[unsettled], later.earliest_ns)
            times.latest_ns[unsettled] = np.maximum(times.latest_ns[unsettled], later.latest_ns)
            times.uncertainty_ns[unsettled] += span / np.sqrt(12.0)
        return times

    def _times(self, host: int, clock_ns: Int64, interval: Int64) -> HostTimes:
        lines = self._lines
        since_knot = clock_ns - lines.clock_base_ns[host, interval]
        # T = s - x, where x moves by (1 - rate) for each nanosecond that the clock shows: a small number, kept exact.
        moved = np.rint(since_knot * lines.lag[host, interval]).astype(np.int64)
        reference_ns = clock_ns - lines.offset_base_ns[host, interval] - moved
        known = lines.known[host, interval]
        reference_ns = reference_ns if known.all() else np.where(known, reference_ns, clock_ns)
        row = np.array([host])
        lower, upper = lines.limits(row, interval, reference_ns)
        return HostTimes(
            reference_ns=reference_ns,
            uncertainty_ns=lines.uncertainty(row, interval, reference_ns),
            earliest_ns=np.where(upper >= UNBOUNDED_NS, -UNBOUNDED_NS, clock_ns - upper),
            latest_ns=np.where(lower <= -UNBOUNDED_NS, UNBOUNDED_NS, clock_ns - lower),
            known=known,
        )

    def difference_limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """See `ClockKnowledge.difference_limits`; host -1 is one that nothing is known of."""
        return self._pairs.limits(a, b, since_ns, until_ns)

    def difference_uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """See `ClockKnowledge.difference_uncertainty`."""
        return self._pairs.uncertainty(a, b, at_ns)


class NoKnowledge:
    """Knows no clock: what ordering by raw stamps amounts to."""

    hosts: tuple[str, ...] = ()

    def host_times(
        self,
        host: int,  # noqa: ARG002
        clock_ns: Int64,
        memory: ClockMemory | None = None,  # noqa: ARG002
        *,
        uncertainty: bool = True,  # noqa: ARG002
    ) -> HostTimes:
        """Nothing is known."""
        return _unknown_times(clock_ns)

    def difference_limits(
        self,
        a: Int32,
        b: Int32,
        since_ns: Int64,
        until_ns: Int64,  # noqa: ARG002
    ) -> tuple[Int64, Int64]:
        """Nothing but that a host agrees with itself."""
        same = (a == b) & (a >= 0) & (since_ns == since_ns)
        return np.where(same, 0, -UNBOUNDED_NS), np.where(same, 0, UNBOUNDED_NS)

    def difference_uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """Infinite, but for a host against itself."""
        return np.where((a == b) & (a >= 0) & (at_ns == at_ns), 0.0, np.inf)


def _unknown_times(clock_ns: Int64) -> HostTimes:
    count = len(clock_ns)
    return HostTimes(
        reference_ns=clock_ns.copy(),
        uncertainty_ns=np.full(count, np.inf),
        earliest_ns=np.full(count, -UNBOUNDED_NS),
        latest_ns=np.full(count, UNBOUNDED_NS),
        known=np.zeros(count, np.bool_),
    )


def _intervals(clock: Int64, pieces: Sequence[tuple[int, int]], clock_ns: Int64, piece: Int64) -> Int64:
    """Interval of each reading, sought within its own piece only."""
    interval = np.zeros(len(clock_ns), np.int64)
    for number in np.unique(piece):
        first, last = pieces[number]
        rows = piece == number
        interval[rows] = first + np.searchsorted(clock[first : last + 1], clock_ns[rows], side="right")
    return interval
