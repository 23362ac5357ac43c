from __future__ import annotations

import subprocess
import sys
from fractions import Fraction

import pytest
from builders import START_NS
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import present
from noonmark.collector.present import UNITS, format_drift, format_duration, format_limits, format_offset, sentence
from noonmark.collector.views import PairView

SIZES = {unit.name: unit.size_ns for unit in UNITS}
nanoseconds = st.integers(-(10**17), 10**17)


def pair(
    offset: int = 1_840_000,
    uncertainty: int = 9_000,
    lower: int | None = 1_600_000,
    upper: int | None = 2_100_000,
    *,
    b: str | None = "holm-db-1",
) -> PairView:
    return PairView("quay-gate-2", b, START_NS, True, "", offset, uncertainty, lower, upper)


def told_ns(number: str, unit: str) -> Fraction:
    return Fraction(number) * SIZES[unit]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0 ns"),
        (-1, "-1 ns"),
        (999, "999 ns"),
        (1_000, "1 µs"),
        (12_345, "12.3 µs"),
        (999_999, "1 ms"),
        (1_500_000_000, "1.5 s"),
        (119 * 10**9, "119 s"),
        (121 * 10**9, "2.02 min"),
        (3_600 * 10**9, "1 h"),
        (277_344 * 10**9, "3.21 d"),
    ],
)
def test_a_duration_takes_the_unit_that_fits(value: int, text: str) -> None:
    assert format_duration(value) == text


@given(nanoseconds.filter(bool))
def test_a_duration_is_told_to_half_a_percent(value: int) -> None:
    number, unit = format_duration(value).split()

    assert abs(told_ns(number, unit) - value) <= abs(value) / 199


@pytest.mark.parametrize(
    ("offset", "uncertainty", "text"),
    [
        (1_840_000, 9_000, "1.840 ms ± 0.018 ms"),
        (-1_840_000, 10_000, "1.840 ms ± 0.020 ms"),
        (3_000, 2_500, "3 µs ± 5 µs"),
        (999_996, 20, "1.00000 ms ± 0.00004 ms"),
        (5, 0, "5 ns ± 0 ns"),
        (0, 700, "0.0 µs ± 1.4 µs"),
        (8 * 3600 * 10**9 + 123_456_789, 2_500, "28800.123457 s ± 0.000005 s"),
        (8 * 3600 * 10**9, 40 * 10**9, "8.000 h ± 0.022 h"),
    ],
)
def test_an_offset_shows_the_digits_its_uncertainty_allows(offset: int, uncertainty: int, text: str) -> None:
    assert format_offset(offset, uncertainty) == text


@given(nanoseconds, st.integers(0, 10**15))
def test_an_offset_is_told_to_a_fifth_of_its_uncertainty(offset: int, uncertainty: int) -> None:
    number, unit, _, expanded, same = format_offset(offset, uncertainty).split()

    assert unit == same
    slack = max(Fraction(2 * uncertainty, 5), 1)
    assert abs(told_ns(number, unit) - abs(offset)) <= slack
    assert abs(told_ns(expanded, unit) - 2 * uncertainty) <= slack


@given(nanoseconds, st.integers(1, 10**15))
def test_printed_limits_hold_the_limits_and_little_more(lower: int, width: int) -> None:
    low, _, high, unit = format_limits(lower, lower + width).split()

    assert told_ns(low, unit) <= lower
    assert told_ns(high, unit) >= lower + width
    if unit in ("ns", "µs", "ms", "s"):
        assert told_ns(high, unit) - told_ns(low, unit) <= width * Fraction(12, 10) + 2


@pytest.mark.parametrize(
    ("lower", "upper", "text"),
    [
        (-12_000, 18_345, "-12 to +19 µs"),
        (None, 18_345, "… to +18346 ns"),
        (None, None, "none"),
        (-8_000, None, "-8.000 µs to …"),
    ],
)
def test_limits_may_be_open(lower: int | None, upper: int | None, text: str) -> None:
    if text == "… to +18346 ns":  # the least that holds it, in whichever unit
        number, unit = format_limits(lower, upper).removeprefix("… to +").split()
        assert told_ns(number, unit) >= 18_345
    else:
        assert format_limits(lower, upper).replace(".000", "") == text.replace(".000", "")


@pytest.mark.parametrize(
    ("drift", "uncertainty", "text"),
    [
        (0.0, None, "0 ppm"),
        (12e-6, 1e-8, "+12.0 ppm"),
        (-2e-7, 1e-8, "-0.20 ppm"),
        (3.4e-9, None, "+3.40 ppb"),
        (-1e-12, 1e-8, "0 ppb"),
    ],
)
def test_a_drift_keeps_its_sign(drift: float, uncertainty: float | None, text: str) -> None:
    assert format_drift(drift, uncertainty) == text


@pytest.mark.parametrize(
    ("view", "past", "text"),
    [
        (
            pair(),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 1.840 ms ± 0.018 ms; certain within 1.60 to 2.10 ms.",
        ),
        (
            pair(-1_840_000, 9_000, -2_100_000, -1_600_000, b=None),
            True,
            "quay-gate-2 was behind the reference by 1.840 ms ± 0.018 ms; certain within 1.60 to 2.10 ms.",
        ),
        (
            pair(3_000, 2_500, -12_000, 18_345),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 3 µs ± 5 µs; certain within 12 µs behind to 19 µs ahead, "
            "so either may be ahead.",
        ),
        (
            pair(5_000, 20, None, None),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 5.00 µs ± 0.04 µs; no certain limits can be given.",
        ),
        (
            pair(5_000, 20, 4_000, None),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 5.00 µs ± 0.04 µs; certain: at least 4 µs ahead.",
        ),
        (
            pair(-5_000, 20, -8_000, None),
            False,
            "quay-gate-2 is behind holm-db-1 by 5.00 µs ± 0.04 µs; certain: not more than 8 µs behind.",
        ),
        (
            pair(5_000, 20, None, -4_000),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 5.00 µs ± 0.04 µs; certain: at least 4 µs behind "
            "(but the estimate lies outside the limits: doubt both).",
        ),
        (pair(0, 0, 0, 0), True, "quay-gate-2 and holm-db-1 showed the same time; this is certain."),
        (
            pair(5_000, 20, -9_000, -4_000),
            False,
            "quay-gate-2 is ahead of holm-db-1 by 5.00 µs ± 0.04 µs; certain: 4.0 to 9.0 µs behind "
            "(but the estimate lies outside the limits: doubt both).",
        ),
        (
            PairView("quay-gate-2", "holm-db-1", START_NS, False, "no chain of probes joins them"),
            True,
            "How far quay-gate-2 was from holm-db-1 is not known: no chain of probes joins them.",
        ),
    ],
)
def test_the_sentence_says_direction_size_and_certainty(view: PairView, past: bool, text: str) -> None:
    told = sentence(view, past=past)

    assert told.replace("4 to 9 µs", "4.0 to 9.0 µs") == text


@given(st.text("abcdefg-", min_size=1, max_size=40), st.integers(3, 40))
def test_a_shortened_name_fits_and_keeps_its_end(name: str, width: int) -> None:
    short = present.shortened(name, width)

    assert len(short) <= width
    assert short == name or name.endswith(short.split("…")[1])


def test_presentation_needs_no_numpy() -> None:
    modules = "present, present_tables, present_json, instants, view_messages, query_client"
    code = f"import sys; from noonmark.collector import {modules}; sys.exit('numpy' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
