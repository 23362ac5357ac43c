from __future__ import annotations

import contextlib
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.proto.leap_seconds import (
    SECOND_NS,
    LeapListError,
    parse_leap_list,
    smear_error_ns,
    smear_length,
)

NEW_YEAR_2017_S = 1_483_228_800
LEAP_NS = NEW_YEAR_2017_S * SECOND_NS
LIST = "#$ 3676924800\n#@ 3707596800\n3644697600 36 # 1 Jul 2015\n3692217600 37\n"


def test_tai_minus_utc_changes_at_the_leap() -> None:
    leaps = parse_leap_list(LIST)
    assert leaps.tai_minus_utc(LEAP_NS - 1) == 36
    assert leaps.tai_minus_utc(LEAP_NS) == 37
    assert leaps.tai_minus_utc(0) == 36, "before the list: its oldest entry"


def test_a_leap_to_come_is_told_with_its_sign() -> None:
    leaps = parse_leap_list(LIST)
    assert leaps.next_leap(LEAP_NS - 1) == (LEAP_NS, 1)
    assert leaps.next_leap(LEAP_NS) is None
    assert leaps.last_leap_ns(LEAP_NS - 1) == 1_435_708_800 * SECOND_NS


def test_expiry_begins_at_its_second() -> None:
    leaps = parse_leap_list(LIST)
    assert not leaps.expired(leaps.expires_s * SECOND_NS - 1)
    assert leaps.expired(leaps.expires_s * SECOND_NS)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "expires"),
        ("#@ 3707596800\n", "no entry"),
        ("#@ soon\n3692217600 37\n", "expiry"),
        ("#@ 3707596800\n3692217600 37\n3644697600 36\n", "does not follow"),
        ("#@ 3707596800\n3644697600 35\n3692217600 37\n", "does not follow"),
        ("#@ 3692217600\n3692217600 37\n", "before its last entry"),
        ("#@ 3707596800\n2017-01-01 37\n", "line 2"),
        ("#@ 3707596800\n3692217600 37\n#h 1 2 3 4 5\n", "hash"),
        ("#@ 3707596800\n３６９２２１７６００ 37\n", "line 2"),
        ("x" * ((1 << 20) + 1), "megabyte"),
    ],
)
def test_what_is_no_list_is_refused_in_words(text: str, told: str) -> None:
    with pytest.raises(LeapListError, match=told):
        parse_leap_list(text)


@given(st.text(alphabet=string.digits + "#$@h \n\tTAI", max_size=200))
def test_any_text_is_a_list_or_refused(text: str) -> None:
    try:
        leaps = parse_leap_list(text)
    except LeapListError:
        return
    assert list(leaps.from_s) == sorted(set(leaps.from_s))


@given(st.integers(0, len(LIST) - 1), st.characters(max_codepoint=127))
def test_a_changed_character_raises_nothing_else(place: int, character: str) -> None:
    with contextlib.suppress(LeapListError):
        parse_leap_list(LIST[:place] + character + LIST[place + 1 :])


def test_a_smear_bends_from_noon_to_noon() -> None:
    noon = 43_200 * SECOND_NS
    at = [smear_error_ns(LEAP_NS + away, LEAP_NS, 1, 86_400) for away in (-noon, -noon // 2, -1, 0, noon // 2, noon)]
    assert at == [0, -250_000_000, at[2], 500_000_000, 250_000_000, 0]
    assert at[2] == pytest.approx(-500_000_000, abs=1)
    assert smear_error_ns(LEAP_NS, LEAP_NS, -1, 86_400) == -500_000_000
    assert smear_error_ns(LEAP_NS + noon + 1, LEAP_NS, 1, 86_400) == 0


def test_a_difference_is_named_a_smear_of_its_length() -> None:
    for length in (86_400, 72_000, 7_200):
        at = LEAP_NS - 600 * SECOND_NS
        off = smear_error_ns(at, LEAP_NS, 1, length)
        assert smear_length(off + 100_000, at, LEAP_NS, 1, 1_000_000) == length
        assert smear_length(-off, at, LEAP_NS, 1, 1_000_000) == length
    assert smear_length(40_000_000, LEAP_NS + 90_000 * SECOND_NS, LEAP_NS, 1, 1_000_000) is None
    assert smear_length(500_000, LEAP_NS, LEAP_NS, 1, 1_000_000) is None, "too small to need a reason"
