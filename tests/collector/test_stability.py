from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.collector.stability import Statistic, deviations, octaves
from noonmark.collector.stability_confidence import degrees_of_freedom, interval
from noonmark.collector.stability_noise import NoiseType, lag_one_exponent, noise_name, slope_exponent
from noonmark.collector.stability_series import even, gather, stability
from noonmark.collector.stability_wander import mtie, time_error
from noonmark.collector.views import PairView

SECOND_NS = 10**9
phases = st.lists(st.floats(-1e-3, 1e-3), min_size=3, max_size=60).map(np.array)


def by_definition(phase: np.ndarray, factor: int) -> float:
    terms = [
        phase[i + 2 * factor] - 2 * phase[i + factor] + phase[i]
        for i in range(len(phase) - 2 * factor)
        if np.isfinite(phase[[i, i + factor, i + 2 * factor]]).all()
    ]
    return float(np.sqrt(np.mean(np.square(terms)) / 2) / factor)


def time_deviation_by_definition(phase: np.ndarray, n: int) -> float:
    """ITU-T G.810, TDEV(n tau0)."""
    count = len(phase)
    sums = [
        sum(phase[i + 2 * n] - 2 * phase[i + n] + phase[i] for i in range(j, j + n)) ** 2
        for j in range(count - 3 * n + 1)
    ]
    return float(np.sqrt(sum(sums) / (6 * n**2 * (count - 3 * n + 1))))


@given(phases, st.integers(1, 5))
def test_overlapping_deviation_is_its_definition(phase: np.ndarray, factor: int) -> None:
    found = deviations(phase, 1.0, Statistic.OVERLAPPING, factors=[factor]).deviation[0]
    if len(phase) <= 2 * factor:
        assert np.isnan(found)
    else:
        assert found == pytest.approx(by_definition(phase, factor), abs=1e-15)


@given(phases, st.integers(1, 5))
def test_time_deviation_is_its_definition(phase: np.ndarray, factor: int) -> None:
    found = deviations(phase, 1.0, Statistic.TIME, factors=[factor]).deviation[0]
    if len(phase) < 3 * factor:
        assert np.isnan(found)
    else:
        assert found == pytest.approx(time_deviation_by_definition(phase, factor), abs=1e-15)


@given(phases, st.floats(-1, 1), st.floats(-1e-4, 1e-4))
def test_an_offset_and_a_constant_frequency_change_nothing(phase: np.ndarray, offset: float, rate: float) -> None:
    moved = phase + offset + rate * np.arange(len(phase))
    for statistic in Statistic:
        one = deviations(phase, 1.0, statistic, factors=[1]).deviation
        assert deviations(moved, 1.0, statistic, factors=[1]).deviation == pytest.approx(one, abs=1e-12)


@given(phases, st.data())
def test_a_gap_costs_its_terms_and_no_others(phase: np.ndarray, data: st.DataObject) -> None:
    gap = data.draw(st.integers(0, len(phase) - 1))
    holed = phase.copy()
    holed[gap] = np.nan
    found = deviations(holed, 1.0, Statistic.OVERLAPPING, factors=[1])
    if found.terms[0]:
        assert found.deviation[0] == pytest.approx(by_definition(holed, 1), abs=1e-15)
    whole = deviations(phase, 1.0, Statistic.OVERLAPPING, factors=[1])
    assert 1 <= whole.terms[0] - found.terms[0] <= 3
    modified = deviations(holed, 1.0, Statistic.MODIFIED, factors=[2]).terms[0]
    assert modified <= max(0, len(phase) - 5)


@given(st.lists(st.floats(-1e-3, 1e-3), min_size=2, max_size=40).map(np.array), st.integers(1, 39))
def test_mtie_is_its_definition_and_never_falls(phase: np.ndarray, factor: int) -> None:
    found = mtie(phase, [factor])[0]
    if factor >= len(phase):
        assert np.isnan(found)
        return
    windows = [np.ptp(phase[i : i + factor + 1]) for i in range(len(phase) - factor)]
    assert found == max(windows)
    rising = mtie(phase, range(1, len(phase)))
    assert (np.diff(rising) >= 0).all()


def test_mtie_passes_over_what_is_not_known() -> None:
    assert mtie(np.array([0.0, np.nan, 5.0, 1.0]), [1, 2, 3]).tolist() == [4.0, 5.0, 5.0]
    assert np.isnan(mtie(np.full(4, np.nan), [1])[0])


def test_time_error_of_known_points() -> None:
    found = time_error(np.array([-3.0, np.nan, 5.0, 1.0]))
    assert (found.largest, found.constant, found.peak_to_peak) == (5.0, 1.0, 8.0)
    assert found.standard_deviation == pytest.approx(4.0)
    with pytest.raises(ValueError, match="no time error"):
        time_error(np.array([np.nan]))


@given(st.sampled_from(list(NoiseType)), st.integers(1, 300), st.integers(1, 3000), st.booleans(), st.booleans())
@settings(max_examples=60)
def test_degrees_of_freedom_are_from_one_to_the_number_of_terms(
    kind: NoiseType, factor: int, terms: int, overlapped: bool, modified: bool
) -> None:
    found = degrees_of_freedom(kind, factor, terms, overlapped=overlapped, modified=modified and overlapped)
    assert 1.0 <= found <= terms + 1e-9


def test_taking_smooth_lags_at_wider_steps_changes_little() -> None:
    for kind in NoiseType:
        near = degrees_of_freedom(kind, 600, 20_000, overlapped=True, modified=True)
        far = degrees_of_freedom(kind, 3_000, 100_000, overlapped=True, modified=True)
        assert far == pytest.approx(near, rel=0.01)


@given(st.floats(1e-12, 1e-3), st.floats(1, 1e5), st.floats(0.01, 0.99))
def test_an_interval_widens_with_its_probability(deviation: float, freedom: float, confidence: float) -> None:
    low, high = interval(deviation, freedom, confidence)
    narrow_low, narrow_high = interval(deviation, freedom, confidence / 2)
    assert low <= narrow_low <= narrow_high <= high


@pytest.mark.parametrize(("slope", "alpha"), [(-1.5, 2), (-1, 1), (-0.5, 0), (0, -1), (0.5, -2)])
def test_slopes_of_the_modified_deviation_name_the_noise(slope: float, alpha: int) -> None:
    assert slope_exponent(1e-9, 1e-9 * 2**slope) == alpha


def test_nothing_is_named_where_nothing_varies() -> None:
    assert lag_one_exponent(np.zeros(100)) is None
    assert lag_one_exponent(np.arange(10.0)) is None
    assert slope_exponent(0.0, 1e-9) is None
    assert [noise_name(kind) for kind in (2, 1, 0, -1, -2)] == [
        "white PM",
        "flicker PM",
        "white FM",
        "flicker FM",
        "random walk FM",
    ]


def test_octaves_leave_room_for_one_term() -> None:
    assert octaves(2) == []
    assert octaves(3) == [1]
    assert octaves(100) == [1, 2, 4, 8, 16, 32]


def test_wrong_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        deviations(np.zeros(9), 0.0, Statistic.ALLAN)
    with pytest.raises(ValueError, match="from 1 on"):
        deviations(np.zeros(9), 1.0, Statistic.ALLAN, factors=[0])


def point(second: float, offset_ns: int, drift: float = 0.0, limit: int | None = 50) -> PairView:
    lower, upper = (None, None) if limit is None else (offset_ns - limit, offset_ns + limit)
    return PairView("a", None, round(second * SECOND_NS), True, "", offset_ns, 5, lower, upper, drift)


def test_jitter_of_the_ticks_is_no_noise_of_the_clock() -> None:
    rng = np.random.default_rng(3)
    at = np.arange(300) * 5 + rng.uniform(-0.4, 0.4, 300)
    points = gather(point(second, round(30e-6 * second * 1e9), 30e-6) for second in at)
    found = stability(points, 5 * SECOND_NS)
    assert found.phase.missing == 0
    assert np.nanmax(found.overlapping.deviation) < 1e-9


def test_what_lies_in_a_gap_is_unknown() -> None:
    points = gather([point(0, 1), point(5, 2), point(10, 3), point(25, 6)])
    phase = even(points)
    assert phase.step_ns == 5 * SECOND_NS
    assert phase.offset_ns[[0, 1, 2, 5]].tolist() == [1, 2, 3, 6]
    assert phase.missing == 2


def test_of_two_points_near_one_instant_the_nearer_counts() -> None:
    points = gather([point(0, 0), point(1.0, 10), point(1.4, 99), point(2, 20)])
    assert even(points, SECOND_NS).offset_ns.tolist() == [0, 10, 20]


def test_the_largest_certain_error_needs_every_limit() -> None:
    assert gather([point(0, -70), point(1, 10)]).largest_ns == 120
    assert gather([point(0, -70), point(1, 10, limit=None)]).largest_ns is None
    unknown = PairView("a", None, 5, False, "why")
    assert len(gather([unknown])) == 0
    with pytest.raises(ValueError, match="four"):
        stability(gather([point(0, 0), point(1, 0)]))
