from __future__ import annotations

from dataclasses import replace

import pytest

from noonmark.agent.reference import Observation
from noonmark.agent.reference_leaps import end_of_month_ns, leap_notices, with_number_of_seconds
from noonmark.agent.reference_selection import judge_sources
from noonmark.proto.leap_seconds import SECOND_NS, LeapList, smear_error_ns
from noonmark.proto.reference import KernelClock, Leap, SourceNotice

LEAP_S = 1_483_228_800  # 2017-01-01
LEAP_NS = LEAP_S * SECOND_NS
LISTED = LeapList((1_435_708_800, LEAP_S), (36, 37), LEAP_S + 400 * 86_400)
UNLISTED = LeapList((1_435_708_800,), (36,), LEAP_S + 86_400)
HOUR_NS = 3600 * SECOND_NS
QUIET = KernelClock(True, 1_000, 1_000, 0.0)


def seen(source: str, offset_ns: int = 0, leap: Leap = Leap.NONE, limit_ns: int = 1_000_000) -> Observation:
    return Observation(source, source.split(":")[0], 0, 0, True, offset_ns, limit_ns // 5, limit_ns, leap=leap)


def notices(
    utc_ns: int, *observations: Observation, leaps: LeapList = LISTED, kernel: KernelClock | None = None
) -> list[SourceNotice]:
    judgement = judge_sources(observations, now=0, kernel_limit_ns=None)
    return list(leap_notices(judgement, kernel, leaps, utc_ns=utc_ns))


def kinds(*arguments: object, **options: object) -> list[str]:
    return [notice.kind for notice in notices(*arguments, **options)]  # type: ignore[arg-type]


def test_nothing_is_said_of_an_ordinary_day() -> None:
    assert kinds(LEAP_NS + 40 * 86_400 * SECOND_NS, seen("ntp:a"), kernel=QUIET) == []


def test_the_lists_expiry_is_said_before_and_after() -> None:
    expiry = LISTED.expires_s * SECOND_NS
    assert kinds(expiry - 31 * 86_400 * SECOND_NS) == []
    assert kinds(expiry - 86_400 * SECOND_NS) == ["leap-list-expires"]
    (notice,) = notices(expiry)
    assert notice.kind == "leap-list-expired"
    assert "2018-02-05" in notice.text


def test_a_leap_second_announced_by_some_is_told_and_disputed() -> None:
    told = notices(LEAP_NS - 5 * HOUR_NS, seen("ntp:a", leap=Leap.INSERT), seen("ntp:b"), kernel=QUIET)
    assert [notice.kind for notice in told] == ["leap-pending", "leap-disputed"]
    assert "ntp:a" in told[0].text
    assert "ntp:b" in told[1].text
    assert "the kernel" in told[1].text


def test_an_announcement_that_a_valid_list_does_not_know_is_disputed() -> None:
    at = LEAP_NS + 100 * 86_400 * SECOND_NS
    assert kinds(at, seen("ntp:a", leap=Leap.INSERT)) == ["leap-pending", "leap-disputed"]


def test_a_listed_leap_second_that_nobody_announces_is_disputed() -> None:
    assert kinds(LEAP_NS - HOUR_NS, seen("ntp:a"), kernel=QUIET) == ["leap-disputed"]
    assert kinds(LEAP_NS - HOUR_NS, kernel=replace(QUIET, leap=Leap.INSERT)) == ["leap-pending"]


@pytest.mark.parametrize("away_h", [-9, -2, 3, 11])
@pytest.mark.parametrize("announced", [False, True])
def test_a_smear_is_named_and_not_averaged(away_h: int, announced: bool) -> None:
    at = LEAP_NS + away_h * HOUR_NS
    if announced and away_h > 0:
        at = LEAP_NS - HOUR_NS
    smeared = smear_error_ns(at, LEAP_NS, 1, 86_400)
    leap = Leap.INSERT if announced else Leap.NONE
    # The host counts the leap second; the smearing server is ahead of UTC by `smeared`, so the host is behind it.
    told = notices(
        at,
        seen("ntp:plain", 0, leap),
        seen("ntp:smearing", -smeared),
        leaps=UNLISTED if announced else LISTED,
    )
    smears = [notice for notice in told if notice.kind == "smear"]
    assert len(smears) == 1
    assert "24 hours" in smears[0].text
    assert "ntp:plain" in smears[0].text
    assert "ntp:smearing" in smears[0].text


def test_a_difference_far_from_any_leap_second_is_no_smear() -> None:
    at = LEAP_NS + 50 * 86_400 * SECOND_NS
    assert "smear" not in kinds(at, seen("ntp:a", 0), seen("ntp:b", 250_000_000))


def test_months_end() -> None:
    assert end_of_month_ns(LEAP_NS - 1) == LEAP_NS
    assert end_of_month_ns(LEAP_NS) == LEAP_NS + 31 * 86_400 * SECOND_NS


def test_a_kernel_never_told_of_tai_takes_the_lists_word() -> None:
    assert with_number_of_seconds(QUIET, LISTED, LEAP_NS).tai_minus_utc_s == 37
    assert with_number_of_seconds(replace(QUIET, tai_minus_utc_s=36), LISTED, LEAP_NS).tai_minus_utc_s == 36
