"""Sentences that handbooks and receivers' manuals print, with their checksums; and an independent parser (pynmea2)."""

from __future__ import annotations

from datetime import date

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from receivers import epoch

from noonmark.agent.gnss_guards import WEEKS_1024_NS
from noonmark.agent.nmea import Active, DateTime, FixData, NmeaError, Recommended, checksum, parse

SECOND_NS = 1_000_000_000
SENTENCES = [
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    b"$GPZDA,201530.00,04,07,2002,00,00*60",
    b"$GPZDA,160012.71,11,03,2004,-1,00*7D",
    b"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
    b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
]


def of_day(hours: int, minutes: int, seconds: float) -> int:
    return round((hours * 3600 + minutes * 60 + seconds) * SECOND_NS)


@pytest.mark.parametrize("line", SENTENCES)
def test_checksums_hold_and_a_changed_octet_breaks_them(line: bytes) -> None:
    assert checksum(line[1:-3]) == int(line[-2:], 16)
    assert parse(line) is not None
    with pytest.raises(NmeaError, match="checksum"):
        parse(line.replace(b",", b";", 1))


def test_published_fields() -> None:
    found = [parse(line) for line in SENTENCES]
    fix, recommended, zda, west, active, rmc, south = found
    assert isinstance(fix, FixData)
    assert (fix.time_ns, fix.satellites, fix.hdop, fix.valid) == (of_day(12, 35, 19), 8, 0.9, True)
    assert isinstance(recommended, Recommended)
    assert (recommended.day, recommended.valid) == (date(1994, 3, 23), True)
    assert recommended.position is not None
    assert recommended.position.latitude == pytest.approx(48.1173)
    assert isinstance(zda, DateTime)
    assert (zda.time_ns, zda.day) == (of_day(20, 15, 30), date(2002, 7, 4))
    assert isinstance(west, DateTime)
    assert west.time_ns == of_day(16, 0, 12.71)
    assert isinstance(active, Active)
    assert (active.dimensions, active.satellites, active.pdop) == (3, 5, 2.5)
    assert isinstance(rmc, Recommended)
    assert rmc.position is not None
    assert rmc.position.longitude == pytest.approx(-(123 + 11.12 / 60))
    assert isinstance(south, FixData)
    assert south.position is not None
    assert south.position.latitude == pytest.approx(-(19 + 29.045 / 60))


@given(st.integers(1_767_225_600, 3_124_000_000), st.booleans(), st.sampled_from(["GP", "GN", "GL"]))
def test_an_independent_parser_reads_the_same(second: int, fix: bool, talker: str) -> None:
    for line in epoch(second * SECOND_NS, fix=fix, talker=talker).splitlines():
        ours, theirs = parse(line), pynmea2.parse(line.decode(), check=True)
        if isinstance(ours, Recommended):
            assert ours.day == theirs.datestamp
            assert ours.valid == (theirs.status == "A")
        if isinstance(ours, Active):
            assert ours.dimensions == int(theirs.mode_fix_type)
            continue
        assert ours is not None
        told = theirs.timestamp
        assert ours.time_ns == of_day(told.hour, told.minute, told.second + told.microsecond / 1e6)
        if isinstance(ours, Recommended | FixData) and ours.position is not None:
            assert ours.position.latitude == pytest.approx(theirs.latitude)
            assert ours.position.longitude == pytest.approx(theirs.longitude)


def test_a_cycle_of_weeks_is_619_315_200_seconds() -> None:
    """IS-GPS-200: a week number of 10 bits."""
    assert WEEKS_1024_NS == 619_315_200 * SECOND_NS
    first, second = date(1999, 8, 22), date(2019, 4, 7)  # the rollovers, in GPS time
    assert (second - first).days * 86_400 == 619_315_200
