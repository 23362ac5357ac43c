"""Calendar arithmetic against the standard library's, and text against itself."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import civil

EPOCH = datetime.date(1970, 1, 1).toordinal()
DATES = st.dates()


@given(DATES)
def test_days_agree_with_the_standard_library(date: datetime.date) -> None:
    days = civil.days_from_civil(date.year, date.month, date.day)
    assert days == date.toordinal() - EPOCH
    assert civil.civil_from_days(days) == (date.year, date.month, date.day)


@given(st.lists(DATES, min_size=1, max_size=20))
def test_arrays_give_what_integers_give(dates: list[datetime.date]) -> None:
    years, months, days = (
        np.array(column, np.int64) for column in zip(*((d.year, d.month, d.day) for d in dates), strict=True)
    )
    counted = civil.days_from_civil(years, months, days)
    assert counted.tolist() == [date.toordinal() - EPOCH for date in dates]
    back = civil.civil_from_days(counted)
    assert [tuple(int(column[row]) for column in back) for row in range(len(dates))] == [
        (d.year, d.month, d.day) for d in dates
    ]
    assert civil.days_in_month(years, months).tolist() == [civil.days_in_month(d.year, d.month) for d in dates]


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ((2026, 2, 29, 0, 0, 0), "no such date"),
        ((2026, 13, 1, 0, 0, 0), "no such date"),
        ((0, 1, 1, 0, 0, 0), "no such date"),
        ((2026, 1, 1, 24, 0, 1), "no such time"),
        ((2026, 1, 1, 12, 60, 0), "no such time"),
        ((2026, 1, 1, 12, 0, 60), "no such time"),
    ],
)
def test_instant_refuses_what_does_not_exist(parts: tuple[int, int, int, int, int, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        civil.instant_ns(*parts)


def test_midnight_as_hour_24_is_the_next_day() -> None:
    assert civil.instant_ns(2026, 12, 31, 24, 0, 0) == civil.instant_ns(2027, 1, 1, 0, 0, 0)


@given(st.integers(-(2**63), 2**63 - 1))
def test_printing_many_agrees_with_printing_one(time_ns: int) -> None:
    several = np.array([time_ns, time_ns // 2, 0], np.int64)
    assert [text.decode() for text in civil.print_instants(several)] == [
        civil.print_instant(int(value)) for value in several
    ]


@pytest.mark.parametrize("time_ns", [civil.FIRST_NS - 1, civil.LAST_NS + 1])
def test_printing_outside_the_calendar_is_refused(time_ns: int) -> None:
    with pytest.raises(ValueError, match="outside"):
        civil.print_instant(time_ns)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("Z", 0), ("+01:00", 3600), ("-0830", -30600), ("+14", 50400), ("CET", None), ("+24:00", None), ("+1:00", None)],
)
def test_zone_offsets(text: str, seconds: int | None) -> None:
    assert civil.zone_offset_seconds(text) == seconds
