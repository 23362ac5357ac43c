from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.instants import UNITS_NS, BadInstant, format_instant, parse_instant, parse_span

SECOND_NS = 10**9
NOW_NS = 1_795_589_703 * SECOND_NS + 123_456_789
civil_range = st.integers(-62_135_596_800 * SECOND_NS, (1 << 62) - 1)


def parse(text: str) -> int:
    return parse_instant(text, now_ns=NOW_NS)


@given(civil_range)
def test_what_is_printed_reads_back(at_ns: int) -> None:
    assert parse(format_instant(at_ns)) == at_ns
    assert parse(format_instant(at_ns, digits=9)) == at_ns


@pytest.mark.parametrize("at_ns", [-62_135_596_800 * SECOND_NS - 1, 253_402_300_800 * SECOND_NS])
def test_an_instant_beyond_the_calendar_is_printed_as_a_number(at_ns: int) -> None:
    assert format_instant(at_ns) == f"@{at_ns}ns"


@given(st.integers(-(1 << 61), 1 << 61))
def test_a_number_with_its_unit_reads_back(at_ns: int) -> None:
    assert parse(f"@{at_ns}ns") == at_ns


@given(st.datetimes(datetime(1, 1, 2), datetime(2110, 1, 1)), st.integers(-1439, 1439))  # noqa: DTZ001 - zone added below
def test_any_zone_gives_the_same_instant(moment: datetime, minutes: int) -> None:
    zone = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    text = f"{moment.isoformat()}{zone}"
    expected = (moment.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)

    assert parse(text) == expected * 1000 - minutes * 60 * SECOND_NS


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("now", NOW_NS),
        (" NOW ", NOW_NS),
        ("-90s", NOW_NS - 90 * SECOND_NS),
        ("-15m", NOW_NS - 900 * SECOND_NS),
        ("-2h", NOW_NS - 7200 * SECOND_NS),
        ("-1d", NOW_NS - 86_400 * SECOND_NS),
        ("-1h30m", NOW_NS - 5400 * SECOND_NS),
        ("-1.5h", NOW_NS - 5400 * SECOND_NS),
        ("-250ms", NOW_NS - 250_000_000),
        ("-7µs", NOW_NS - 7_000),
        ("0", 0),
        ("1795589703", 1_795_589_703 * SECOND_NS),
        ("@1795589703.5", 1_795_589_703 * SECOND_NS + 500_000_000),
        ("1795589703123", 1_795_589_703_123 * 10**6),
        ("1795589703123456", 1_795_589_703_123_456 * 10**3),
        ("1795589703123456789", 1_795_589_703_123_456_789),
        ("1795589703123.25", 1_795_589_703_123_250_000),
        ("99999999999ms", None),
        ("@99999999999ms", 99_999_999_999 * 10**6),
        ("@-1", -SECOND_NS),
        ("@5ms", 5_000_000),
        ("1970-01-01T00:00:00Z", 0),
        ("1970-01-01t00:00:00z", 0),
        ("1970-01-01 00:00Z", 0),
        ("1969-12-31T23:59:59.999999999Z", -1),
        ("2026-11-25T06:55:03,123456789Z", NOW_NS),
        ("2026-11-25T06:55:03.1234567899Z", NOW_NS),
        ("2026-11-25T07:55:03.123456789+0100", NOW_NS),
        ("2026-11-25T06:55:03.123456789-00:00", NOW_NS),
        ("2016-12-31T23:59:60.25Z", 1_483_228_800 * SECOND_NS + 250_000_000),
        ("2017-01-01T00:59:60+01:00", 1_483_228_800 * SECOND_NS),
    ],
)
def test_every_way_of_writing_an_instant(text: str, expected: int | None) -> None:
    if expected is None:
        with pytest.raises(BadInstant):
            parse(text)
    else:
        assert parse(text) == expected


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("2026-11-25T06:55:03", "does not say its time zone: write 2026-11-25T06:55:03Z"),
        ("2026-11-25", "does not say its time zone: write 2026-11-25T00:00:00Z"),
        ("2026-11-25 06:55", "does not say its time zone: write 2026-11-25T06:55:00Z"),
        ("2026-02-29T00:00:00Z", "day"),
        ("2026-11-25T24:00:00Z", "hour"),
        ("2026-11-25T06:55:60Z", "only at the end of a UTC month"),
        ("2026-11-25T23:59:60Z", "only at the end of a UTC month"),
        ("2026-11-25T06:55:03+24:00", "does not exist"),
        ("-90", "an age needs a unit: -90s"),
        ("90s", "an age begins with a minus: -90s"),
        ("yesterday", "is no instant"),
        ("", "is no instant"),
        ("9" * 19, "later than the year 2116"),
    ],
)
def test_what_names_no_instant_is_refused_with_a_hint(text: str, complaint: str) -> None:
    with pytest.raises(BadInstant, match=complaint.replace("+", r"\+")):
        parse(text)


@given(st.integers(0, 10**6), st.sampled_from(sorted(UNITS_NS)))
def test_a_span_is_a_number_of_its_unit(count: int, unit: str) -> None:
    assert parse_span(f"{count}{unit}") == count * UNITS_NS[unit]


@pytest.mark.parametrize("text", ["", "5", "s", "1x", "-5s", "1h 30m"])
def test_no_span_is_guessed(text: str) -> None:
    with pytest.raises(BadInstant):
        parse_span(text)
