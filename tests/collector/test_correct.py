"""Corrected stamps: in their own form, read back to the corrected instant; and RFC 5424's timeQuality."""

from __future__ import annotations

import datetime

import pytest
from clock_tables import table
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.civil import SECOND_NS, instant_ns
from noonmark.collector.correct import CannotRewrite, rewrite, time_quality, with_time_quality
from noonmark.collector.correct_log import Corrector
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_stamps import StampOptions

OPTIONS = StampOptions(zone=datetime.UTC, year=2026)
NOON = instant_ns(2026, 11, 25, 12, 0, 0)
LINES = [
    b"2026-11-25T12:00:00.123456789Z x",
    b"2026-11-25T12:00:00Z x",
    b"2026-11-25t13:30:00,5+01:30 x",
    b"2026/11/25 12:00:00 x",
    b"2026-11-25T12:00Z x",
    b"20261125T120000.25Z x",
    b"Nov 25 12:00:00 quay x",
    b"<34>1 2026-11-25T12:00:00.003Z quay gate - - - x",
    b"I1125 12:00:00.000001 7 gate.py:3] x",
    b'192.0.2.1 - - [25/Nov/2026:13:00:00 +0100] "GET /"',
    b"1795608000 x",
    b"1795608000.25 x",
    b"1795608000123 x",
    b'{"ts":"2026-11-25T12:00:00Z","n":1}',
    b'{"ts":1795608000.5,"n":1}',
    b'ts="2026-11-25 12:00:00" n=1',
]


@given(st.sampled_from(LINES), st.integers(-(40 * 86_400 * SECOND_NS), 40 * 86_400 * SECOND_NS))
def test_rewritten_stamps_read_back_as_corrected(line: bytes, offset: int) -> None:
    stamp = StampReader(OPTIONS).read(line)
    assert stamp is not None
    changed = rewrite(line, stamp, offset)
    again = StampReader(OPTIONS)
    again.before_ns = NOON - offset  # so that forms without a year find the one meant
    back = again.read(changed)
    assert back is not None
    assert back.format == stamp.format
    assert back.resolution_ns == stamp.resolution_ns
    assert abs(back.time_ns - (stamp.time_ns - offset)) <= stamp.resolution_ns / 2
    assert (back.begin, back.zone_seconds) == (stamp.begin, stamp.zone_seconds)
    assert changed[back.end :] == line[stamp.end :]
    assert len(changed) == len(line)


def test_no_correction_changes_nothing() -> None:
    for line in LINES:
        stamp = StampReader(OPTIONS).read(line)
        assert stamp is not None
        assert rewrite(line, stamp, 0) == line


def test_what_cannot_be_told_is_refused() -> None:
    line = b"100000000 x"
    stamp = StampReader(OPTIONS).read(line)
    assert stamp is not None
    with pytest.raises(CannotRewrite, match="before 1970"):
        rewrite(line, stamp, 2 * 10**17)


def test_time_quality_is_whole_microseconds_and_symmetric() -> None:
    assert time_quality(True, -1_500, 200) == b'[timeQuality tzKnown="1" isSynced="1" syncAccuracy="2"]'
    assert time_quality(
        False, -10, 60_000_001, 1000
    ) == b'[timeQuality tzKnown="0" isSynced="1" syncAccuracy="60002"]'.replace(b"60002", b"60001")
    assert time_quality(True, None, 5) == b'[timeQuality tzKnown="1" isSynced="0"]'


HEAD = b"<34>1 2026-11-25T12:00:00Z quay gate - - "
ELEMENT = b'[timeQuality tzKnown="1" isSynced="1" syncAccuracy="7"]'


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (HEAD + b"- opened", HEAD + ELEMENT + b" opened"),
        (HEAD + b'[a@1 b="c"] opened', HEAD + ELEMENT + b'[a@1 b="c"] opened'),
        (HEAD + b'[timeQuality tzKnown="0"][a@1 b="]\\""] x', HEAD + ELEMENT + b'[a@1 b="]\\""] x'),
    ],
)
def test_time_quality_takes_its_place_in_structured_data(before: bytes, after: bytes) -> None:
    changed = with_time_quality(before, ELEMENT)
    assert changed == after
    stamp = StampReader(OPTIONS).read(changed)
    assert stamp is not None
    assert stamp.quality is not None
    assert stamp.quality.accuracy_ns == 7000
    assert with_time_quality(changed, ELEMENT) == changed


def test_lines_of_other_formats_cannot_hold_it() -> None:
    with pytest.raises(CannotRewrite, match="RFC 5424"):
        with_time_quality(b"2026-11-25T12:00:00Z x", ELEMENT)


def test_a_log_is_corrected_line_by_line_and_the_rest_is_left() -> None:
    clocks = table([1_500_000_000], [(1_400_000_000, 1_600_000_000)], [1000.0])
    corrector = Corrector(StampReader(OPTIONS), clocks, lambda host: 0)
    lines = [b"2026-11-25T12:00:00.000Z a\n", b"  continued\n", b"no time\n", b"2026-11-25T12:00:01.000Z b"]
    assert list(corrector.lines(lines)) == [
        b"2026-11-25T11:59:58.500Z a\n",
        b"  continued\n",
        b"no time\n",
        b"2026-11-25T11:59:59.500Z b",
    ]
    assert (corrector.counts.corrected, corrector.counts.without_time) == (2, 2)


def test_claims_follow_the_limits_and_unknown_clocks_are_not_synced() -> None:
    clocks = table([1000], [(-2000, 3000)], [1000.0])
    line = b"<34>1 2026-11-25T12:00:00.000001Z quay gate - - - x"
    known = Corrector(StampReader(OPTIONS), clocks, lambda host: 0, quality=True)
    assert next(iter(known.lines([line]))).count(b'isSynced="1" syncAccuracy="4"') == 1  # 3 us, and the stamp's own
    unknown = Corrector(StampReader(OPTIONS), clocks, lambda host: -1, quality=True)
    assert next(iter(unknown.lines([line]))).count(b'isSynced="0"]') == 1
    assert (unknown.counts.unknown, unknown.counts.corrected) == (1, 0)
