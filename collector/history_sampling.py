"""One series of the history at any instants: the moments beside them, the settings of its clock, interpolation.

Reads through `Tables`; reckons with history_interpolation.py. Knows nothing of names.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np

from noonmark.collector.estimate import Bool, Int64
from noonmark.collector.history_columns import Kind
from noonmark.collector.history_interpolation import Interpolated, Moments, between, either
from noonmark.collector.history_schema import BLOCK_BITS, SPAN_NS, span_of
from noonmark.collector.history_tables import NO_STRETCH, Stretch, Tables, merged
from noonmark.collector.history_upheavals import Change, Upheaval, rates_between

_PAGE = 64


def stretch(tables: Tables, kind: Kind, number: int, since_ns: int, until_ns: int) -> Stretch:
    """Every moment kept of one series in [since, until), from wherever it is kept."""
    parts = []
    for span in range(span_of(since_ns), span_of(until_ns - 1) + 1):
        parts.append(tables.chunk(kind, number, span))
    parts.append(tables.hot(kind, number, since_ns, until_ns))
    whole = merged(parts)
    inside = (whole.at_ns >= since_ns) & (whole.at_ns < until_ns)
    return Stretch(whole.at_ns[inside], whole.matrix[:, inside])


class _Series:
    """One series in the tables; what was read of it in answer to one question is not read again."""

    def __init__(self, tables: Tables, kind: Kind, number: int) -> None:
        self.tables, self.kind, self.number = tables, kind, number
        self.chunk = functools.cache(functools.partial(tables.chunk, kind, number))

    def ticks(self, at_ns: int, *, later: bool, limit: int, bound_ns: int | None = None) -> list[int]:
        """See `Tables.block_ticks_beside`."""
        block = self.number >> BLOCK_BITS
        return self.tables.block_ticks_beside(self.kind, block, at_ns, later=later, limit=limit, bound_ns=bound_ns)


def _one_beside(series: _Series, at_ns: int, *, later: bool) -> Stretch:
    """The first moment after an instant, or the last at or before it; empty if there is none.

    A later moment that ends a thinned segment, or an earlier one that begins it, comes as it is kept.
    """
    ticks = series.ticks(at_ns, later=later, limit=1)
    if ticks and span_of(ticks[0]) == span_of(at_ns):  # blocks of this very span: other spans' chunks are further away
        fresh = _in_blocks(series, at_ns, later=later, bound_ns=None)
        packed = _in_chunks(series, at_ns, later=later, bound_ns=_only(fresh))
    else:
        packed, fresh = _in_chunks(series, at_ns, later=later, bound_ns=None), NO_STRETCH
        bound = _only(packed)
        if ticks and (bound is None or (ticks[0] <= bound if later else ticks[0] >= bound)):
            fresh = _in_blocks(series, at_ns, later=later, bound_ns=bound)
    whole = merged([packed, fresh])
    if not len(whole):
        return NO_STRETCH
    place = 0 if later else len(whole) - 1
    return Stretch(whole.at_ns[place : place + 1], whole.matrix[:, place : place + 1])


def _only(found: Stretch) -> int | None:
    return int(found.at_ns[0]) if len(found) else None


def _in_chunks(series: _Series, at_ns: int, *, later: bool, bound_ns: int | None) -> Stretch:
    """Span by span away from the instant until one tells of the series; only to where it is known already."""
    span: int | None = span_of(at_ns)
    edge = None if bound_ns is None else span_of(bound_ns)
    while span is not None and (edge is None or (span <= edge if later else span >= edge)):
        whole = series.chunk(span)
        inside = whole.at_ns > at_ns if later else whole.at_ns <= at_ns
        if inside.any():
            place = int(np.flatnonzero(inside)[0 if later else -1])
            return Stretch(whole.at_ns[place : place + 1], whole.matrix[:, place : place + 1])
        span = series.tables.span_beside(series.kind, span, later=later, number=series.number)
    return NO_STRETCH


def _in_blocks(series: _Series, at_ns: int, *, later: bool, bound_ns: int | None) -> Stretch:
    """Page through the ticks of the series' block until one tells of it; only to where it is known already."""
    edge, limit = at_ns, 2
    while instants := series.ticks(edge, later=later, limit=limit, bound_ns=bound_ns):
        found = series.tables.hot(series.kind, series.number, min(instants), max(instants) + 1)
        if len(found):
            place = 0 if later else len(found) - 1
            return Stretch(found.at_ns[place : place + 1], found.matrix[:, place : place + 1])
        edge, limit = (instants[-1] if later else instants[-1] - 1), _PAGE
    return NO_STRETCH


def sample(
    tables: Tables,
    kind: Kind,
    number: int,
    instants: Int64,
    settings: Sequence[Change],
    upheavals: Sequence[Upheaval] = (),
    *,
    reach_ns: int,
    drift_limit: float,
) -> Interpolated:
    """One series at rising instants (T,); `settings` and `upheavals` are those of its clocks, in order of time.

    A moment between a setting and the first tick that knew of it may rest on both sides of it and is passed over; and
    nothing is interpolated across a setting. As near to a setting as its instant is unsure, either side may hold. The
    moments of an upheaval are passed over too, and what lies across it is as unsure as the clock then was.
    """
    spoilt = [(setting.earliest_ns, setting.seen_ns, setting.at_ns + setting.within_ns) for setting in settings]
    spoilt += [(one.start_ns, one.end_ns, one.end_ns) for one in upheavals]
    first, last = int(instants[0]), int(instants[-1])
    series = _Series(tables, kind, number)
    whole = merged(
        [
            _one_beside(series, first, later=False),
            stretch(tables, kind, number, first, last + 1) if last > first else NO_STRETCH,
            _one_beside(series, last, later=True),
        ]
    )
    doubtful = _doubtful(whole.at_ns, spoilt)
    if doubtful.any():
        whole = _replaced(series, whole, doubtful, first, last, spoilt)
    set_at = np.array([setting.at_ns for setting in settings], np.int64)
    passed = np.searchsorted(set_at, instants, side="right")  # settings that lie behind each instant

    def on_that_side(passed: Int64) -> Interpolated:
        before, after = _neighbours(whole, instants, set_at, passed)
        bend = rates_between(
            np.where(before.present, before.at_ns, instants), np.where(after.present, after.at_ns, instants), upheavals
        )
        return between(before, after, instants, kind, reach_ns=reach_ns, drift_limit=drift_limit, bend=bend)

    found = on_that_side(passed)
    other = passed.copy()
    for number, setting in enumerate(settings):
        near = (np.abs(instants - setting.at_ns) <= setting.within_ns) & (setting.within_ns > 0)
        other[near] = np.where(passed[near] > number, number, number + 1)
    return found if (other == passed).all() else either(found, on_that_side(other), other != passed)


_Spoilt = tuple[int, int, int]
"""Ticks from the first instant until before the second are in doubt; questions up to the third may rest on them."""


def _doubtful(at_ns: Int64, spoilt: Sequence[_Spoilt]) -> Bool:
    doubtful = np.zeros(len(at_ns), np.bool_)
    for earliest, seen, _ in spoilt:
        doubtful |= (at_ns >= earliest) & (at_ns < seen)
    return doubtful


def _replaced(
    series: _Series,
    whole: Stretch,
    doubtful: Bool,
    first: int,
    last: int,
    spoilt: Sequence[_Spoilt],
) -> Stretch:
    """Leave doubtful moments out, and fetch the next good one on either side instead."""
    parts = [Stretch(whole.at_ns[~doubtful], whole.matrix[:, ~doubtful])]
    for earliest, seen, latest in spoilt:
        taken_out = doubtful & (whole.at_ns >= earliest) & (whole.at_ns < seen)
        until = max(seen, latest)
        if earliest <= last < until or earliest <= first < until or taken_out.any():
            parts.append(_one_beside(series, seen - 1, later=True))
            parts.append(_one_beside(series, earliest - 1, later=False))
    merge = merged(parts)
    good = ~_doubtful(merge.at_ns, spoilt)
    return Stretch(merge.at_ns[good], merge.matrix[:, good])


def _neighbours(whole: Stretch, instants: Int64, set_at: Int64, passed: Int64) -> tuple[Moments, Moments]:
    """The moment at or before each instant and the first after, each absent where a setting lies between: where not
    `passed` settings lie behind it."""
    place = np.searchsorted(whole.at_ns, instants, side="right")
    count = len(whole)
    has_before, has_after = place > 0, place < count
    before, after = np.maximum(place - 1, 0), np.minimum(place, max(count - 1, 0))
    if count:
        at_before, at_after = whole.at_ns[before], whole.at_ns[after]
        has_before &= np.searchsorted(set_at, at_before, side="right") == passed
        has_after &= np.searchsorted(set_at, at_after, side="right") == passed
        return (
            Moments(at_before, whole.matrix[:, before], has_before),
            Moments(at_after, whole.matrix[:, after], has_after),
        )
    empty = np.zeros((whole.matrix.shape[0], len(instants)), np.int64)
    nobody = np.zeros(len(instants), np.bool_)
    none = Moments(np.zeros(len(instants), np.int64), empty, nobody)
    return none, none


def span_edges(since_ns: int, until_ns: int) -> list[int]:
    """Instants that part [since, until) at the edges of chunks."""
    inner = range((span_of(since_ns) + 1) * SPAN_NS, until_ns, SPAN_NS)
    return [since_ns, *inner, until_ns]
