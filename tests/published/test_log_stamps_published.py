"""Log stamps against the standards' own example lines, GNU date, python-dateutil and the C library's strftime.

Sources: RFC 3339 section 5.8; RFC 5424 sections 6.2.3.1, 6.5 and 7.1.4; RFC 3164 section 5.4; RFC 7164 table 1; the
Apache HTTP server's documentation of the Common Log Format (its well-known example line, from memory).
"""

from __future__ import annotations

import datetime
import subprocess
import zoneinfo

import dateutil.parser
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.collector.civil import FIRST_NS, LAST_NS, SECOND_NS, instant_ns, print_instant
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_stamps import LogStamp, StampOptions, TimeQuality

UTC = datetime.UTC


def read(text: str, options: StampOptions | None = None, *formats: str) -> LogStamp | None:
    return StampReader(options or StampOptions(), formats).read(text.encode())


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("1985-04-12T23:20:50.52Z", instant_ns(1985, 4, 12, 23, 20, 50, 520_000_000)),
        ("1996-12-19T16:39:57-08:00", instant_ns(1996, 12, 20, 0, 39, 57)),
        ("1937-01-01T12:00:27.87+00:20", instant_ns(1937, 1, 1, 11, 40, 27, 870_000_000)),
    ],
)
def test_rfc_3339_examples(text: str, same_as: int) -> None:
    stamp = read(text)
    assert stamp is not None
    assert stamp.time_ns == same_as


def test_rfc_3339_leap_second_is_one_instant_in_both_zones_and_covers_what_rfc_7164_leaves_open() -> None:
    utc, pacific = read("1990-12-31T23:59:60Z"), read("1990-12-31T15:59:60-08:00")
    assert utc is not None
    assert pacific is not None
    assert utc.time_ns == pacific.time_ns
    # RFC 7164: POSIX repeats 23:59:59 during the leap second, or reads 00:00:00 already.
    last, next_day = instant_ns(1990, 12, 31, 23, 59, 59), instant_ns(1991, 1, 1, 0, 0, 0)
    assert utc.time_ns <= last < next_day < utc.time_ns + utc.resolution_ns <= next_day + SECOND_NS


VALID_5424 = [
    ("1985-04-12T23:20:50.52Z", instant_ns(1985, 4, 12, 23, 20, 50, 520_000_000)),
    ("1985-04-12T19:20:50.52-04:00", instant_ns(1985, 4, 12, 23, 20, 50, 520_000_000)),
    ("2003-10-11T22:14:15.003Z", instant_ns(2003, 10, 11, 22, 14, 15, 3_000_000)),
    ("2003-08-24T05:14:15.000003-07:00", instant_ns(2003, 8, 24, 12, 14, 15, 3_000)),
]


@pytest.mark.parametrize(("text", "expected"), VALID_5424)
def test_rfc_5424_valid_timestamps(text: str, expected: int) -> None:
    stamp = read(f"<165>1 {text} 192.0.2.1 myproc 8710 - - message", None, "rfc5424")
    assert stamp is not None
    assert stamp.time_ns == expected


@pytest.mark.parametrize(
    "text", ["2003-08-24T05:14:15.000000003-07:00", "1990-12-31T23:59:60Z", "2003-10-11t22:14:15z"]
)
def test_rfc_5424_invalid_timestamps(text: str) -> None:
    assert read(f"<165>1 {text} 192.0.2.1 myproc 8710 - - message", None, "rfc5424") is None


def test_rfc_5424_example_messages() -> None:
    first = read("<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - BOM'su root' failed for lonvick")
    second = read("<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.")
    third = read(
        "<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
        '[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] An application event log entry...'
    )
    assert [stamp.host for stamp in (first, second, third) if stamp] == [
        "mymachine.example.com",
        "192.0.2.1",
        "mymachine.example.com",
    ]


@pytest.mark.parametrize(
    ("element", "expected"),
    [
        ('[timeQuality tzKnown="0" isSynced="0"]', TimeQuality(False, False, None)),
        ('[timeQuality tzKnown="1" isSynced="1"]', TimeQuality(True, True, None)),
        ('[timeQuality tzKnown="1" isSynced="1" syncAccuracy="60000000"]', TimeQuality(True, True, 60 * SECOND_NS)),
    ],
)
def test_rfc_5424_time_quality_examples(element: str, expected: TimeQuality) -> None:
    stamp = read(f"<34>1 2003-10-11T22:14:15.003Z mymachine su - ID47 {element} message")
    assert stamp is not None
    assert stamp.quality == expected


def test_rfc_3164_example_messages() -> None:
    options = StampOptions(zone=UTC, year=1990)
    first = read("<34>Oct 11 22:14:15 mymachine su: 'su root' failed for lonvick on /dev/pts/8", options)
    second = read("<13>Feb  5 17:32:18 10.0.0.99 Use the BFG!", options)
    assert first is not None
    assert second is not None
    assert (first.time_ns, first.host) == (instant_ns(1990, 10, 11, 22, 14, 15), "mymachine")
    assert (second.time_ns, second.host) == (instant_ns(1990, 2, 5, 17, 32, 18), "10.0.0.99")


def test_common_log_format_example() -> None:
    stamp = read('127.0.0.1 - frank [10/Oct/2000:13:55:36 -0700] "GET /apache_pb.gif HTTP/1.0" 200 2326')
    assert stamp is not None
    assert stamp.time_ns == instant_ns(2000, 10, 10, 20, 55, 36)


EDGES = [0, 2**31 * SECOND_NS, 1_483_228_799 * SECOND_NS, 951_782_400 * SECOND_NS, LAST_NS - 86_400 * SECOND_NS]
INSTANTS = st.one_of(st.integers(FIRST_NS + 86_400 * SECOND_NS, LAST_NS - 86_400 * SECOND_NS), st.sampled_from(EDGES))
ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: minutes * 60)


@given(INSTANTS, ZONES)
def test_agrees_with_dateutil_to_its_microsecond(time_ns: int, zone: int) -> None:
    text = print_instant(time_ns, 6, zone)
    parsed = dateutil.parser.isoparse(text)
    stamp = read(text)
    assert stamp is not None
    assert (
        stamp.time_ns
        == ((parsed - datetime.datetime(1970, 1, 1, tzinfo=UTC)) // datetime.timedelta(microseconds=1)) * 1000
    )


@settings(max_examples=5, deadline=None)
@given(st.lists(st.tuples(INSTANTS, ZONES, st.integers(0, 9)), min_size=40, max_size=40))
def test_agrees_with_gnu_date(rows: list[tuple[int, int, int]]) -> None:
    texts = [print_instant(time_ns, digits, zone) for time_ns, zone, digits in rows]
    answer = subprocess.run(
        ["date", "-f", "-", "+%s %N"], input="\n".join(texts), capture_output=True, text=True, check=True
    )
    for text, line in zip(texts, answer.stdout.splitlines(), strict=True):
        seconds, nanoseconds = line.split()
        stamp = read(text)
        assert stamp is not None
        assert stamp.time_ns == int(seconds) * SECOND_NS + int(nanoseconds), text


@pytest.mark.parametrize("zone", ["Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia"])
def test_local_times_agree_with_gnu_date_and_the_zone_database(zone: str) -> None:
    # Lord Howe's summer time moves by half an hour; Apia left out a whole day in 2011.
    texts = [
        f"{year}-{month:02d}-15 {hour:02d}:17:43" for year in (1999, 2011, 2026) for month in (1, 7) for hour in (0, 13)
    ]
    answer = subprocess.run(
        ["date", "-f", "-", "+%s"], input="\n".join(texts), env={"TZ": zone}, capture_output=True, text=True, check=True
    )
    options = StampOptions(zone=zoneinfo.ZoneInfo(zone))
    for text, seconds in zip(texts, answer.stdout.split(), strict=True):
        stamp = read(text, options)
        assert stamp is not None
        assert stamp.time_ns == int(seconds) * SECOND_NS, text
