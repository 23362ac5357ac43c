"""The shipped list against what the IERS published, and smears against RFC 8633's and common arithmetic."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from importlib.resources import files

import pytest

from noonmark.proto.leap_seconds import NTP_TO_UNIX_S, SECOND_NS, parse_leap_list, smear_error_ns

TEXT = (files("noonmark.proto") / "leap-seconds.list").read_text(encoding="ascii")


@pytest.mark.parametrize(
    ("ntp_s", "date", "tai_minus_utc"),
    [
        # Figure 4 of RFC 5905 and the published list.
        (2_272_060_800, (1972, 1, 1), 10),
        (3_550_089_600, (2012, 7, 1), 35),
        (3_644_697_600, (2015, 7, 1), 36),
        (3_692_217_600, (2017, 1, 1), 37),
    ],
)
def test_published_leap_seconds(ntp_s: int, date: tuple[int, int, int], tai_minus_utc: int) -> None:
    leaps = parse_leap_list(TEXT)
    at_s = round(datetime(*date, tzinfo=UTC).timestamp())
    assert at_s == ntp_s - NTP_TO_UNIX_S
    assert leaps.tai_minus_utc(at_s * SECOND_NS) == tai_minus_utc
    assert leaps.tai_minus_utc(at_s * SECOND_NS - 1) == max(10, tai_minus_utc - 1)


def test_the_list_is_that_of_bulletin_c_72_and_says_until_when_it_holds() -> None:
    """IERS Bulletin C 72 (July 2026): no leap second in December 2026; file expires on 28 June 2027. The five words of
    the hash are those of the IERS's own file, so these are its digits."""
    leaps = parse_leap_list(TEXT)
    expiry = round(datetime(2027, 6, 28, tzinfo=UTC).timestamp())
    assert leaps.expires_s == expiry
    assert leaps.expired((expiry + 1) * SECOND_NS)
    assert len(leaps.from_s) == 28, "27 leap seconds from 1972 to 2017"
    assert "a9bad145 84c31c70 758402aa b37bfd54 5923836a" in TEXT


def test_the_leap_seconds_are_those_of_the_time_zone_database() -> None:
    """The file `leapseconds` of the IANA time zone database, as the package tzdata has it: `Leap YEAR MONTH DAY`."""
    told = (files("tzdata") / "zoneinfo" / "leapseconds").read_text(encoding="ascii")
    rows = re.findall(r"^Leap\t(\d+)\t(\w+)\t(\d+)\t23:59:60\t\+", told, re.MULTILINE)
    days = [datetime.strptime(f"{' '.join(row)} +0000", "%Y %b %d %z") for row in rows]
    leaps = parse_leap_list(TEXT)
    just_after = [round(day.timestamp()) + 86_400 for day in days]
    assert [second for second in just_after if second < leaps.expires_s] == list(leaps.from_s[1:])


def test_tai_at_the_leap_second_of_2012() -> None:
    """RFC 7164 table 1: UTC 2012-06-30T23:59:60 is TAI 2012-07-01T00:00:34, and the next second is TAI :35."""
    leaps = parse_leap_list(TEXT)
    posix_s = round(datetime(2012, 7, 1, tzinfo=UTC).timestamp())
    assert datetime.fromtimestamp(posix_s + leaps.tai_minus_utc(posix_s * SECOND_NS), UTC).second == 35
    assert datetime.fromtimestamp(posix_s - 1 + leaps.tai_minus_utc(posix_s * SECOND_NS - 1), UTC).second == 33


def test_a_24_hour_smear_runs_at_11_6_ppm() -> None:
    """Arithmetic: one second in 86 400 is 11.574 ppm; over 2 hours 138.9 ppm."""
    leap = 1_483_228_800 * SECOND_NS
    for length, ppm in ((86_400, 11.574), (72_000, 13.889), (7_200, 138.889)):
        moved = smear_error_ns(leap - 1000 * SECOND_NS, leap, 1, length) - smear_error_ns(
            leap - 2000 * SECOND_NS, leap, 1, length
        )
        assert -moved / 1e12 * 1e6 == pytest.approx(ppm, abs=1e-3)
