"""Verdicts on pairs of events: the closed form against sampling and integration, and limits by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from clock_tables import table
from scipy import integrate, stats

from noonmark.collector.clock_table import NoKnowledge
from noonmark.collector.verdicts import Certainty, StampedEvents, judge, probability_before


def one(host: int, stamp: int, resolution: int, reference: int) -> StampedEvents:
    return StampedEvents(np.array([host], np.int32), np.array([stamp]), np.array([resolution]), np.array([reference]))


@pytest.mark.parametrize("sigma", [1e-3, 1.0, 30.0, 1e4])
@pytest.mark.parametrize(("first", "second"), [(1.0, 1.0), (1000.0, 1.0), (1.0, 1000.0), (1000.0, 400.0), (1e6, 1e6)])
@pytest.mark.parametrize("gap", [-900.0, -3.0, 0.0, 7.0, 500.0, 2e5])
def test_probability_agrees_with_integration(sigma: float, first: float, second: float, gap: float) -> None:
    # The difference of two rectangles is a trapezoid (scipy's trapezoid distribution), integrated against a normal.
    ends, width = (gap - first, gap + second), first + second
    low, high = min(first, second) / width, max(first, second) / width
    shape = stats.trapezoid(low, high, loc=ends[0], scale=width)
    corners = [ends[0], ends[0] + low * width, ends[0] + high * width, ends[1]]
    near = sorted({*corners, *np.clip([-8 * sigma, -2 * sigma, 0.0, 2 * sigma, 8 * sigma], *ends)})
    expected = sum(
        integrate.quad(lambda x: shape.pdf(x) * stats.norm.cdf(x / sigma), a, b, epsabs=1e-12)[0]
        for a, b in itertools.pairwise(near)
    )
    found = probability_before(*(np.array([value]) for value in (gap, sigma, first, second)))
    assert found[0] == pytest.approx(expected, abs=3e-6)


def test_probability_of_nothing_known_is_not_a_number() -> None:
    assert np.isnan(probability_before(*(np.array([value]) for value in (5.0, np.inf, 1.0, 1.0))))[0]


def test_certain_from_the_upper_limit_on_and_not_a_nanosecond_before() -> None:
    clocks = table(offsets=[0, 500], limits=[(-10, 10), (400, 600)], sigma=[1.0, 20.0])
    # x_1 - x_0 is at most 610; the first stamp covers ten nanoseconds more.
    for gap, expected in ((619, Certainty.LIKELY), (620, Certainty.CERTAIN)):
        verdict, probability = judge(one(0, 10**9, 10, 10**9), one(1, 10**9 + gap, 1, 10**9 + gap - 500), clocks)
        assert verdict[0] == expected
        assert probability[0] > 0.99


def test_certainly_wrong_way_round_is_open_with_probability_zero() -> None:
    clocks = table(offsets=[0, 0], limits=[(-10, 10), (-10, 10)], sigma=[1.0, 1.0])
    verdict, probability = judge(one(0, 10**9, 1, 10**9), one(1, 10**9 - 100, 1, 10**9 - 100), clocks)
    assert (verdict[0], probability[0]) == (Certainty.OPEN, 0.0)


def test_pairs_own_limits_settle_what_hosts_own_cannot() -> None:
    class Pairs:
        def limits(self, a: int, b: int, knots: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            assert (a, b) == (0, 1)
            return np.full(len(knots), -20), np.full(len(knots), 20)

        def uncertainty(self, a: int, b: int, knot: int) -> float:
            return 2.0

    wide = [(-1000, 1000), (-1000, 1000)]
    first, second = one(0, 10**9, 1, 10**9), one(1, 10**9 + 50, 1, 10**9 + 50)
    assert judge(first, second, table([0, 0], wide, [300.0, 300.0]))[0][0] == Certainty.OPEN
    assert judge(first, second, table([0, 0], wide, [300.0, 300.0], Pairs()))[0][0] == Certainty.CERTAIN


def test_unknown_hosts_are_open_without_a_probability() -> None:
    verdict, probability = judge(one(-1, 0, 1, 0), one(-1, 10**9, 1, 10**9), NoKnowledge())
    assert verdict[0] == Certainty.OPEN
    assert np.isnan(probability[0])
