"""Not the clock? Every cause told apart by its numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.explain import Cause, explain
from noonmark.collector.views import FindingView, PairView

AT = 1_795_589_703 * 10**9
SECOND, MS = 10**9, 10**6


def pair(offset: int = 0, sigma: int = 10_000, half: int | None = 100_000, *findings: FindingView) -> PairView:
    lower, upper = (None, None) if half is None else (offset - half, offset + half)
    return PairView("quay-gate-2", "holm-db-1", AT, True, "", offset, sigma, lower, upper, 0.0, AT, findings)


@pytest.mark.parametrize(
    ("seen", "resolution", "clocks", "cause", "words"),
    [
        (3600 * SECOND, 1, pair(), Cause.TIME_ZONE, "1 h later"),
        (-19_800 * SECOND, MS, pair(), Cause.TIME_ZONE, "5.5 h earlier"),
        (32_401 * SECOND, 1, pair(), Cause.TIME_ZONE, "9 h later, a whole multiple of 15 minutes, and 1 s more"),
        (300 * MS, 1, pair(), Cause.LATE, "quay-gate-2 stamped this at least 300 ms after holm-db-1"),
        (-300 * MS, 1, pair(), Cause.LATE, "holm-db-1 stamped this at least 300 ms after quay-gate-2"),
        (700 * MS, SECOND, pair(), Cause.COARSE, "steps of 1 s"),
        (2 * MS, 1, pair(2 * MS), Cause.CLOCK, "account for the 2 ms seen"),
        (-(AT - AT // 1000), 1, pair(), Cause.UNIT, "holm-db-1 are 1,000 times too large"),
        (AT * 10**6 - AT, 1, pair(), Cause.UNIT, "quay-gate-2 are 1,000,000 times too large"),
        (None, 1, pair(), Cause.FINE, "look elsewhere"),
        (None, 1, pair(5 * SECOND), None, "quay-gate-2 was ahead of holm-db-1 by 5"),
    ],
)
def test_each_cause_is_told_by_its_numbers(
    seen: int | None, resolution: int, clocks: PairView, cause: Cause | None, words: str
) -> None:
    found = explain(clocks, seen_ns=seen, resolution_ns=resolution)
    assert found.cause == cause
    assert words in found.headline


def test_clocks_certainly_too_far_apart_are_said_to_be_so() -> None:
    far = explain(pair(-50 * MS), tolerance_ns=10 * MS)
    assert far.headline.startswith(
        "The clocks were certainly more than 10 ms apart: they can be the cause. quay-gate-2"
    )
    wide = explain(pair(0, 20 * MS, 90 * MS), tolerance_ns=10 * MS)
    assert wide.headline.startswith("The clocks may have been more than 10 ms apart")


def test_a_zone_needs_no_delay_beside_it_and_tells_which_way_the_rest_goes() -> None:
    found = explain(pair(23 * MS), seen_ns=3600 * SECOND)
    assert (
        "1 h later, a whole multiple of 15 minutes, and 23 ms less, while the clocks were certainly within 23.1 ms"
        in (found.headline)
    )
    assert [each.cause for each in found.hypotheses if each.holds] == [Cause.TIME_ZONE]


def test_clocks_that_account_for_most_of_it_are_the_cause_and_the_rest_is_told() -> None:
    found = explain(pair(23 * MS), seen_ns=24 * MS)
    assert found.cause is Cause.CLOCK
    assert "they account for 23.1 ms of the 24 ms seen; 900 µs at least must have another cause" in found.headline
    assert [each.cause for each in found.hypotheses if each.holds] == [Cause.CLOCK]


def test_zone_is_not_blamed_where_the_clocks_account_for_it() -> None:
    found = explain(pair(3600 * SECOND), seen_ns=3600 * SECOND)
    assert found.cause is Cause.CLOCK


@given(st.integers(-103, 103).filter(bool), st.integers(-50_000, 50_000), st.integers(-(10**12), 10**12))
def test_every_multiple_of_fifteen_minutes_is_a_zone(quarters: int, noise: int, offset: int) -> None:
    found = explain(pair(offset), seen_ns=offset + quarters * 900 * SECOND + noise)
    zone = next(each for each in found.hypotheses if each.cause is Cause.TIME_ZONE)
    assert zone.holds


def test_steps_and_pauses_near_are_told_and_far_ones_are_not() -> None:
    near = FindingView("step", AT - 60 * SECOND, "quay-gate-2 was set forward by 4 s", host="quay-gate-2")
    far = FindingView("suspend", AT - 3600 * SECOND, "holm-db-1 slept for 9 s", host="holm-db-1")
    found = explain(pair(20 * SECOND, 10_000, 30 * SECOND, near, far))
    assert found.cause is Cause.STEP
    assert "set forward by 4 s (60 s before)" in found.headline.replace("1 min", "60 s")
    assert not next(each for each in found.hypotheses if each.cause is Cause.PAUSE).holds


def test_without_limits_fine_is_only_likely() -> None:
    found = explain(pair(0, 10_000, None))
    assert found.cause is Cause.FINE
    assert "very likely within" in found.headline


def test_wide_limits_are_not_called_fine() -> None:
    found = explain(pair(0, 10_000, SECOND))
    assert found.cause is None
    fine = next(each for each in found.hypotheses if each.cause is Cause.FINE)
    assert "very likely fine" in fine.text


def test_unknown_clocks_say_why() -> None:
    found = explain(PairView("a", "b", AT, False, "no probe of a was recorded"), seen_ns=5)
    assert found.cause is None
    assert "no probe of a was recorded" in found.headline
