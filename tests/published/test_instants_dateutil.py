"""Instants against python-dateutil's ISO 8601 parser, and the example lines of RFC 3339, section 5.8."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from dateutil.parser import isoparse
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.instants import format_instant, parse_instant

START = datetime(1970, 1, 1, tzinfo=UTC)
zones = st.integers(-23 * 60, 23 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


def nanoseconds(moment: datetime) -> int:
    return (moment - START) // timedelta(microseconds=1) * 1000


@given(st.datetimes(datetime(2, 1, 1), datetime(2115, 1, 1), timezones=zones))  # noqa: DTZ001 - the strategy adds zones
def test_reads_as_dateutil_does(moment: datetime) -> None:
    text = moment.isoformat()

    assert parse_instant(text, now_ns=0) == nanoseconds(isoparse(text))


@given(st.integers(-(10**18), 10**18))
def test_prints_what_dateutil_reads(microseconds: int) -> None:
    at_ns = microseconds // 1000 * 1000

    assert nanoseconds(isoparse(format_instant(at_ns, digits=6))) == at_ns


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
    ],
)
def test_rfc_3339_examples(text: str, same_as: str) -> None:
    assert parse_instant(text, now_ns=0) == parse_instant(same_as, now_ns=0)


def test_rfc_3339_leap_second_is_the_second_that_follows() -> None:
    leap = parse_instant("1990-12-31T23:59:60Z", now_ns=0)

    assert format_instant(leap) == "1991-01-01T00:00:00Z"
