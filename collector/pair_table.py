"""Differences of pairs of clocks, from their own limits or from tighter ones of the pair, for whole arrays. Pure.

A pair's own limits (a shortest path between the two) are tighter than what the two hosts' limits against the reference
imply, and cost more to find. So they are asked for once, at the knots where they are needed, and kept.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from noonmark.collector.clock_lines import ClockLines, intervals_of
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64
from noonmark.collector.own_limits import MOST_HOSTS, OwnLimits, own_limits


class PairSource(Protocol):
    """Asked only where it matters, once; a < b are rows of the table, `knots` numbers of knots."""

    def limits(self, a: int, b: int, knots: Int64) -> tuple[Int64, Int64]:
        """Limits of x_a - x_b at those knots; -UNBOUNDED_NS and UNBOUNDED_NS where none are known."""

    def uncertainty(self, a: int, b: int, knot: int) -> float:
        """Standard uncertainty of x_a - x_b at a knot; infinite where nothing is known."""


_MOST_DENSE = 1 << 22


class PairRows:
    """Numbers pairs, by code, as they are added; finds the numbers of many codes at once."""

    def __init__(self, hosts: int) -> None:
        self.codes: list[int] = []
        self._dense = np.full(hosts * hosts, -1, np.int32) if hosts * hosts <= _MOST_DENSE else None
        self._sorted = self._order = np.zeros(0, np.int64)

    def __len__(self) -> int:
        return len(self.codes)

    def add(self, codes: Int64) -> None:
        """Give the next numbers to codes that have none yet."""
        first = len(self.codes)
        self.codes += codes.tolist()
        if self._dense is not None:
            self._dense[codes] = np.arange(first, len(self.codes))
        else:
            self._order = np.argsort(self.codes)
            self._sorted = np.array(self.codes, np.int64)[self._order]

    def find(self, codes: Int64) -> Int64:
        """Number of each code; -1 where it has none."""
        if self._dense is not None:
            return self._dense[codes].astype(np.int64)
        if not self.codes:
            return np.full(len(codes), -1)
        place = np.minimum(np.searchsorted(self._sorted, codes), len(self._sorted) - 1)
        return np.where(self._sorted[place] == codes, self._order[place], -1)


MOST_CELLS = 20_000_000
"""Pairs times knots kept; beyond, hosts' own limits have to do."""


class PairTable:
    """Answers for pairs, over the knots of a table of clocks."""

    def __init__(
        self, lines: ClockLines, hosts: int, original: Int64, source: PairSource | None, drift_limit: float
    ) -> None:
        """`original[k]` is the source's number of the table's knot k, or -1 where the source has none."""
        self._lines = lines
        self._hosts = hosts
        self._original = original
        self.source = source
        self._drift_limit = drift_limit
        self._rows = PairRows(hosts)
        self._last_own: tuple[int, OwnLimits] | None = None
        shape = (0, len(original))
        self._lower, self._upper = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self._asked = np.zeros(shape, np.bool_)
        self._share_rows = PairRows(hosts)
        self._share = np.zeros(0)

    def limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """See `ClockKnowledge.difference_limits`."""
        at_ns = self._lines.at_ns
        if self.source is None and self._hosts <= MOST_HOSTS and len(since_ns):
            least, most = min(since_ns.min(), until_ns.min()), max(since_ns.max(), until_ns.max())
            first_interval, last_interval = np.searchsorted(at_ns, [least, most], side="right").tolist()
            if first_interval == last_interval:
                return self._own(first_interval).limits(a, b, since_ns, until_ns)
        begin = intervals_of(at_ns, since_ns)
        end = intervals_of(at_ns, until_ns)
        unknown = (a < 0) | (b < 0)
        some_unknown = bool(unknown.any())
        rows = (np.where(unknown, 0, a), np.where(unknown, 0, b)) if some_unknown else (a, b)
        first, second = rows[0].astype(np.int64), rows[1].astype(np.int64)
        # Between knots limits do not change; where both instants lie in one inner interval, one look is enough.
        if len(begin) and begin.min() > 0 and begin.max() < len(at_ns):
            lower, upper = self._inner_limits(first, second, begin)
        else:
            lower, upper = self._limits(first, second, begin, since_ns)
        again = np.flatnonzero((end != begin) | (begin == 0) | (begin == len(at_ns)))
        if len(again):
            other = self._limits(first[again], second[again], end[again], until_ns[again])
            lower[again], upper[again] = np.minimum(lower[again], other[0]), np.maximum(upper[again], other[1])
        same = first == second
        lower[same], upper[same] = 0, 0
        if some_unknown:
            lower[unknown], upper[unknown] = -UNBOUNDED_NS, UNBOUNDED_NS
        return lower, upper

    def _own(self, interval: int) -> OwnLimits:
        """All pairs of one interval; the last one asked for is kept."""
        if self._last_own is None or self._last_own[0] != interval:
            self._last_own = interval, own_limits(self._lines, interval)
        return self._last_own[1]

    def uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """See `ClockKnowledge.difference_uncertainty`. Without a source the hosts' errors are taken as unrelated."""
        unknown = (a < 0) | (b < 0)
        first, second = np.where(unknown, 0, a).astype(np.int64), np.where(unknown, 0, b).astype(np.int64)
        interval = intervals_of(self._lines.at_ns, at_ns)
        found = np.hypot(
            self._lines.uncertainty(first, interval, at_ns), self._lines.uncertainty(second, interval, at_ns)
        )
        if self.source is not None:
            self._tighten_uncertainty(first, second, found)
        found[first == second] = 0.0
        found[unknown] = np.inf
        return found

    def _tighten_uncertainty(self, a: Int64, b: Int64, found: Float64) -> None:
        """Multiply what was found from two hosts' own numbers by how much better the pair itself is known.

        That share is asked for once for each pair, in the middle of the knots at which both are known: it depends on
        where the two are in the network, which changes little, while their own uncertainties follow the time.
        """
        code = np.where(a > b, b * self._hosts + a, a * self._hosts + b)
        row = self._share_rows.find(code)
        if len(row) and row.min() < 0:
            fresh = np.unique(code[row < 0])
            self._share_rows.add(fresh)
            self._share = np.append(self._share, [self._share_of(value) for value in fresh.tolist()])
            row = self._share_rows.find(code)
        found *= self._share[row]

    def _share_of(self, code: int) -> float:
        a, b = divmod(code, self._hosts)
        both = np.isfinite(self._lines.uncertainty_base_ns[[a, b], 1:]).all(axis=0)
        known = np.flatnonzero((self._original >= 0) & both)
        if not len(known):
            return 1.0
        nearest = int(known[len(known) // 2])
        at_ns = self._lines.at_ns[nearest : nearest + 1]
        interval = np.array([nearest + 1])
        own = [self._lines.uncertainty(np.array([host]), interval, at_ns)[0] for host in (a, b)]
        apart = float(np.hypot(*own))
        found = math.inf
        if self.source is not None and a != b and 0.0 < apart < math.inf:
            found = self.source.uncertainty(a, b, int(self._original[nearest]))
        return min(1.0, found / apart) if math.isfinite(found) else 1.0

    def _inner_limits(self, a: Int64, b: Int64, interval: Int64) -> tuple[Int64, Int64]:
        """Limits in intervals between knots: many questions are few different ones, and these are asked once."""
        first = int(interval.min())
        shape = self._hosts, self._hosts, int(interval.max()) - first + 1
        if math.prod(shape) > len(a):
            return self._limits(a, b, interval, self._lines.at_ns[interval])
        code = (a * shape[1] + b) * shape[2] + (interval - first)
        asked = np.zeros(math.prod(shape), np.bool_)
        asked[code] = True
        cells = np.flatnonzero(asked)
        one, other, since = np.unravel_index(cells, shape)
        limits = np.empty((2, len(asked)), np.int64)
        limits[:, cells] = self._limits(one, other, since + first, self._lines.at_ns[since + first])
        return limits[0].take(code), limits[1].take(code)

    def _limits(self, a: Int64, b: Int64, interval: Int64, at_ns: Int64) -> tuple[Int64, Int64]:
        """Limits at one instant: what the two hosts' own imply, and the pair's own where they are tighter."""
        lower_a, upper_a = self._lines.limits(a, interval, at_ns)
        lower_b, upper_b = self._lines.limits(b, interval, at_ns)
        lower, upper = lower_a - upper_b, upper_a - lower_b  # two unbounded ones sum to +-2^63 at most, and stay apart
        lower[(lower_a <= -UNBOUNDED_NS) | (upper_b >= UNBOUNDED_NS)] = -UNBOUNDED_NS
        upper[(upper_a >= UNBOUNDED_NS) | (lower_b <= -UNBOUNDED_NS)] = UNBOUNDED_NS
        if self.source is None:
            return lower, upper
        row, before, after, turned = self._cells(a, b, interval)
        if not (row >= 0).any():
            return lower, upper
        least = np.minimum(self._lower[row, before], self._lower[row, after])
        most = np.maximum(self._upper[row, before], self._upper[row, after])
        least, most = np.where(turned, -most, least), np.where(turned, -least, most)
        away = self._away(interval, before, at_ns)
        widened = np.ceil(np.abs(away) * 2 * self._drift_limit).astype(np.int64)
        drift = self._lines.drift_outside[a, interval] - self._lines.drift_outside[b, interval]
        moved = np.rint(away * drift).astype(np.int64)
        np.maximum(lower, least + moved - widened, out=lower, where=(row >= 0) & (least > -UNBOUNDED_NS))
        np.minimum(upper, most + moved + widened, out=upper, where=(row >= 0) & (most < UNBOUNDED_NS))
        return lower, upper

    def _away(self, interval: Int64, before: Int64, at_ns: Int64) -> Int64:
        """How far outside the knots an instant lies; 0 between them."""
        outside = (interval == 0) | (interval == len(self._original))
        return np.where(outside, at_ns - self._lines.at_ns[before], 0)

    def _cells(self, a: Int64, b: Int64, interval: Int64) -> tuple[Int64, Int64, Int64, Bool]:
        """(row, knot before, knot after, turned) of each question, filled from the source; row -1: the pair has none.

        Rows hold x of the smaller host minus x of the greater; turned says that the question is the other way round.
        """
        knots = len(self._original)
        turned = a > b
        code = np.where(turned, b * self._hosts + a, a * self._hosts + b)
        before, after = np.clip(interval - 1, 0, knots - 1), np.clip(interval, 0, knots - 1)
        row = self._rows_of(code, (a != b) & (self._original[before] >= 0) & (self._original[after] >= 0))
        self._ask(row, before, after)
        return row, before, after, turned

    def _rows_of(self, code: Int64, wanted: Bool) -> Int64:
        """Row of each pair's code, made where it is new; -1 where there is no room or none is wanted."""
        found = self._rows.find(code)
        room = MOST_CELLS // max(1, len(self._original)) - len(self._rows)
        missing = wanted & (found < 0)
        if room > 0 and missing.any():
            fresh = np.unique(code[missing])[:room]
            self._rows.add(fresh)
            extra = ((0, len(fresh)), (0, 0))
            self._lower = np.pad(self._lower, extra, constant_values=-UNBOUNDED_NS)
            self._upper = np.pad(self._upper, extra, constant_values=UNBOUNDED_NS)
            self._asked = np.pad(self._asked, extra)
            found = self._rows.find(code)
        return found if wanted.all() else np.where(wanted, found, -1)

    def _ask(self, row: Int64, before: Int64, after: Int64) -> None:
        """Have the source fill every cell that is looked at and was not asked for yet."""
        rows = row >= 0
        if not rows.any() or (self._asked[row, before] & self._asked[row, after] | ~rows).all():
            return
        wanted = np.zeros_like(self._asked)
        wanted[row[rows], before[rows]] = True
        wanted[row[rows], after[rows]] = True
        wanted &= ~self._asked
        if self.source is None or not wanted.any():
            return
        for number in np.flatnonzero(wanted.any(axis=1)).tolist():
            knots = np.flatnonzero(wanted[number])
            a, b = divmod(self._rows.codes[number], self._hosts)
            self._lower[number, knots], self._upper[number, knots] = self.source.limits(a, b, self._original[knots])
        self._asked |= wanted
