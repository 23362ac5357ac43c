"""Excursions: when, how long, how sure."""

from __future__ import annotations

from noonmark.collector.ahead import excursions
from noonmark.collector.views import PairView

T0 = 10**18
SECOND = 10**9


def answer(at: int, offset_ms: int, half_ms: int = 10, known: bool = True) -> PairView:
    lower, upper = (offset_ms - half_ms) * 10**6, (offset_ms + half_ms) * 10**6
    return PairView("a", None, T0 + at * SECOND, known, "", offset_ms * 10**6, 1000, lower, upper)


def test_stretches_ahead_and_behind_are_told_apart() -> None:
    course = [answer(0, 0), answer(10, 300), answer(20, 400), answer(30, -500), answer(40, 0), answer(50, 0)]
    found = excursions("a", course, 250 * 10**6, T0 + 60 * SECOND)
    assert [(e.ahead, (e.since_ns - T0) // SECOND, (e.until_ns - T0) // SECOND) for e in found.excursions] == [
        (True, 10, 30),
        (False, 30, 40),
    ]
    assert found.lasted_ns == found.certain_ns == 30 * SECOND
    assert found.largest_ns == -500 * 10**6
    assert found.known_ns == 60 * SECOND


def test_certain_only_as_far_as_the_limits_say_so() -> None:
    course = [answer(0, 300, half_ms=100), answer(10, 300, half_ms=10)]
    found = excursions("a", course, 250 * 10**6, T0 + 20 * SECOND)
    assert (found.lasted_ns, found.certain_ns) == (20 * SECOND, 10 * SECOND)
    assert found.excursions[0].open_end


def test_an_answer_holds_only_so_long() -> None:
    course = [answer(0, 300), answer(1000, 300)]
    found = excursions("a", course, 250 * 10**6, T0 + 2000 * SECOND)
    assert [each.lasted_ns for each in found.excursions] == [60 * SECOND, 60 * SECOND]
    assert not found.excursions[1].open_end


def test_what_lies_behind_the_last_answer_is_certain_for_no_longer_than_the_one_before_held() -> None:
    course = [answer(0, 300), answer(5, 300)]
    found = excursions("a", course, 250 * 10**6, T0 + 2000 * SECOND)
    assert (found.lasted_ns, found.certain_ns) == (65 * SECOND, 10 * SECOND)


def test_unknown_answers_end_a_stretch_and_count_for_nothing() -> None:
    found = excursions("a", [answer(0, 300), answer(10, 300, known=False)], 250 * 10**6, T0 + 20 * SECOND)
    assert (found.lasted_ns, found.known_ns) == (10 * SECOND, 10 * SECOND)
    nothing = excursions("a", [], 1, T0)
    assert (nothing.excursions, nothing.known_ns, nothing.largest_ns) == ((), 0, 0)
