from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.estimate import UNBOUNDED_NS, PairEstimate
from noonmark.collector.http_course import TooMany, thin

S = 10**9


def tick(second: int, offset: int, *, known: bool = True, reason: str = "", below: int = 50, above: int = 60):
    return PairEstimate(
        "quay-gate-1",
        None,
        second * S,
        known,
        reason,
        offset_ns=offset,
        uncertainty_ns=abs(offset) // 10,
        lower_ns=offset - below,
        upper_ns=offset + above,
    )


def test_few_ticks_stay_as_they_are() -> None:
    thinned = thin([tick(1, 5), tick(2, -7)], 0, 10 * S, 100, most=1000)

    columns = thinned.columns
    assert columns["at_ns"] == [S, 2 * S]
    assert columns["offset_ns"] == columns["lowest_ns"] == columns["highest_ns"] == [5, -7]
    assert columns["lower_ns"] == [-45, -57]
    assert columns["upper_ns"] == [65, 53]
    assert columns["ticks"] == [1, 1]


def test_one_outlier_among_thousands_is_still_there() -> None:
    ticks = [tick(second, 5_000_000 if second == 7_777 else 10) for second in range(10_000)]

    thinned = thin(ticks, 0, 10_000 * S, 50, most=20_000)

    assert len(thinned) == 50
    assert thinned.ticks == 10_000
    columns = thinned.columns
    assert max(v for v in columns["highest_ns"] if v is not None) == 5_000_000
    assert max(v for v in columns["upper_ns"] if v is not None) == 5_000_060
    assert max(v for v in columns["uncertainty_ns"] if v is not None) == 500_000
    assert columns["offset_ns"] == [10] * 50


def test_what_is_unknown_is_counted_with_its_reason_and_never_a_zero() -> None:
    ticks = [tick(1, 5), tick(2, 0, known=False, reason="asleep"), tick(3, 0, known=False, reason="asleep")]

    thinned = thin(ticks, 0, 4 * S, 2, most=10)

    assert thinned.columns["unknown"] == [0, 2]
    assert thinned.columns["offset_ns"] == [5, None]
    assert thinned.columns["lower_ns"] == [-45, None]
    reason = thinned.columns["reason"][1]
    assert reason is not None
    assert thinned.reasons[reason] == "asleep"


def test_a_missing_limit_makes_the_whole_point_unlimited() -> None:
    ticks = [tick(1, 5), tick(2, 6, above=UNBOUNDED_NS), tick(3, 7)]

    thinned = thin(ticks, 0, 100 * S, 2, most=10)

    assert thinned.columns["upper_ns"] == [None]
    assert thinned.columns["lower_ns"] == [-45]


def test_more_ticks_than_may_be_read_are_refused() -> None:
    with pytest.raises(TooMany):
        thin((tick(second, 0) for second in range(12)), 0, 20 * S, 5, most=11)


@given(
    st.lists(st.tuples(st.integers(-(10**12), 10**12), st.booleans()), min_size=1, max_size=300),
    st.integers(2, 40),
)
def test_every_tick_is_covered_by_some_point(rows: list[tuple[int, bool]], points: int) -> None:
    ticks = [tick(second, offset, known=known) for second, (offset, known) in enumerate(rows)]

    thinned = thin(ticks, 0, len(rows) * S, points, most=1000)

    columns = thinned.columns
    assert len(thinned) <= points
    assert sum(v or 0 for v in columns["ticks"]) == len(rows)
    assert sum(v or 0 for v in columns["unknown"]) == sum(not known for _, known in rows)
    offsets = [offset for offset, known in rows if known]
    assert min((v for v in columns["lowest_ns"] if v is not None), default=None) == min(offsets, default=None)
    assert max((v for v in columns["highest_ns"] if v is not None), default=None) == max(offsets, default=None)
