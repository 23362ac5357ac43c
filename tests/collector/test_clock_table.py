"""Tables of clocks: interpolation, steps, gaps, age, readings that occur twice; against a scalar twin."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from clock_tables import table
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.clock_knowledge import ClockMemory, host_index
from noonmark.collector.clock_lines import ClockKnots
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import UNBOUNDED_NS

T0 = 10**18
SECOND = 10**9


def one_host(at: list[int], offset: list[int], half: int = 1000, **changed: object) -> ClockKnots:
    count = len(at)
    values: dict[str, object] = {
        "at_ns": np.array(at, np.int64),
        "offset_ns": np.array([offset], np.int64),
        "drift": np.zeros((1, count)),
        "uncertainty_ns": np.full((1, count), 100.0),
        "drift_uncertainty": np.zeros((1, count)),
        "lower_ns": np.array([offset], np.int64) - half,
        "upper_ns": np.array([offset], np.int64) + half,
        "gap": np.zeros(count - 1, np.bool_),
    }
    return ClockKnots(**(values | changed))  # type: ignore[arg-type]


def slow_reference(knots: ClockKnots, reading: int) -> float:
    """Reference time of a reading that only one instant can show, by bisection on the clock itself."""

    def clock(t: float) -> float:
        return t + float(np.interp(t, (knots.at_ns - T0).astype(float), knots.offset_ns[0].astype(float)))

    low, high = -1e12, 1e12
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if clock(middle) < reading - T0 else (low, middle)
    return low


@given(
    st.lists(st.integers(-(10**6), 10**6), min_size=2, max_size=6),
    st.lists(st.integers(-(10**10), 8 * 10**10), min_size=1, max_size=20),
)
def test_readings_land_where_the_clock_shows_them(offsets: list[int], since: list[int]) -> None:
    knots = one_host([T0 + number * 10 * SECOND for number in range(len(offsets))], offsets)
    clocks = ClockTable(["a"], knots)
    readings = T0 + np.array(since)
    found = clocks.host_times(0, readings)
    for row, reading in enumerate(readings.tolist()):
        assert found.reference_ns[row] - T0 == pytest.approx(slow_reference(knots, reading), abs=1.0)
        assert found.earliest_ns[row] <= found.reference_ns[row] <= found.latest_ns[row]
    assert found.known.all()


def test_limits_between_knots_cover_both() -> None:
    knots = one_host([T0, T0 + 10 * SECOND], [0, 4000])
    found = ClockTable(["a"], knots).host_times(0, np.array([T0 + 5 * SECOND + 2000]))
    assert found.reference_ns[0] == T0 + 5 * SECOND
    offsets = (T0 + 5 * SECOND + 2000) - np.array([found.latest_ns[0], found.earliest_ns[0]])
    assert offsets.tolist() == [-1000, 5000]


@pytest.mark.parametrize(("away", "widened"), [(-100, 1_500_000), (0, 0), (100, 1_500_000)])
def test_limits_age_outside_the_knots_and_the_drift_goes_on(away: int, widened: int) -> None:
    knots = one_host([T0], [0], drift=np.full((1, 1), 2e-6))
    reading = T0 + away * SECOND + away * 2000
    found = ClockTable(["a"], knots).host_times(0, np.array([reading]))
    assert found.reference_ns[0] == pytest.approx(T0 + away * SECOND, abs=1)
    assert found.latest_ns[0] - found.reference_ns[0] == pytest.approx(1000 + widened, abs=2)
    assert found.reference_ns[0] - found.earliest_ns[0] == pytest.approx(1000 + widened, abs=2)
    assert found.uncertainty_ns[0] == pytest.approx(100 + abs(away) * 10)  # WANDER: 1e-8 of 100 s is a microsecond


def test_gap_is_widest_in_its_middle() -> None:
    at = [T0, T0 + 10 * SECOND, T0 + 1010 * SECOND, T0 + 1020 * SECOND]
    knots = one_host(at, [0, 0, 0, 0], gap=np.array([False, True, False]))
    found = ClockTable(["a"], knots).host_times(0, T0 + np.array([5, 100, 600, 1015]) * SECOND)
    half = ((found.latest_ns - found.earliest_ns) // 2).tolist()
    assert half[0] == half[3] == 1000
    assert half[1] == half[2] == 1000 + 500 * 15_000


def test_gap_with_a_step_inside_covers_both_sides() -> None:
    knots = one_host([T0, T0 + 1000 * SECOND], [0, 10**9], gap=np.array([True]))
    found = ClockTable(["a"], knots).host_times(0, np.array([T0 + 500 * SECOND]))
    offset = T0 + 500 * SECOND - np.array([found.latest_ns[0], found.earliest_ns[0]])
    assert offset[0] < 0
    assert offset[1] > 10**9


def test_past_a_step_forward_the_right_side_is_used() -> None:
    at = [T0, T0 + 50 * SECOND, T0 + 50 * SECOND, T0 + 100 * SECOND]
    knots = one_host(at, [0, 0, 3 * SECOND, 3 * SECOND])
    clocks = ClockTable(["a"], knots)
    readings = T0 + np.array([49, 50, 51, 53, 54]) * SECOND
    found = clocks.host_times(0, readings)
    assert ((found.reference_ns - T0) / SECOND).tolist() == [49, 50, 50, 50, 51]


def set_back() -> ClockTable:
    """At 50 s the clock is set back by four seconds: readings 46 to 50 occur twice."""
    at = [T0, T0 + 50 * SECOND, T0 + 50 * SECOND, T0 + 100 * SECOND]
    return ClockTable(["a"], one_host(at, [0, 0, -4 * SECOND, -4 * SECOND]))


def test_log_that_falls_back_tells_before_from_after() -> None:
    readings = T0 + np.array([45, 47, 49, 46, 48, 49, 55]) * SECOND
    found = set_back().host_times(0, readings, ClockMemory())
    assert ((found.reference_ns - T0) / SECOND).tolist() == [45, 47, 49, 50, 52, 53, 59]
    assert (found.latest_ns - found.earliest_ns).max() <= 2000 + 4 * SECOND  # at the very step limits cover both sides
    assert (found.latest_ns - found.earliest_ns)[[0, 1, 2, 4, 5, 6]].tolist() == [2000] * 6


def test_memory_carries_over_blocks_of_a_log() -> None:
    clocks, memory = set_back(), ClockMemory()
    before = clocks.host_times(0, T0 + np.array([45, 47, 49]) * SECOND, memory)
    after = clocks.host_times(0, T0 + np.array([46, 48]) * SECOND + 1, memory)
    assert ((before.reference_ns - T0) // SECOND).tolist() == [45, 47, 49]
    assert ((after.reference_ns - T0) // SECOND).tolist() == [50, 52]


def test_reading_that_nothing_settles_covers_both_times() -> None:
    found = set_back().host_times(0, T0 + np.array([45, 48, 60]) * SECOND, ClockMemory())
    assert found.earliest_ns[1] == T0 + 48 * SECOND - 1000
    assert found.latest_ns[1] == T0 + 52 * SECOND + 1000
    assert found.uncertainty_ns[1] > SECOND


def test_jump_between_knots_shows_in_the_uncertainty() -> None:
    knots = one_host([T0, T0 + 10 * SECOND], [0, 1_000_000])
    found = ClockTable(["a"], knots).host_times(0, np.array([T0 + 5 * SECOND]))
    assert found.uncertainty_ns[0] > 1_000_000 / np.sqrt(12)


def test_unknown_stays_unknown() -> None:
    knots = one_host([T0, T0 + SECOND], [5, 5], uncertainty_ns=np.array([[100.0, np.inf]]))
    found = ClockTable(["a"], knots).host_times(0, T0 + np.array([SECOND // 2, -5]))
    assert found.known.tolist() == [False, True]
    assert found.reference_ns[0] == T0 + SECOND // 2
    assert (found.earliest_ns[0], found.latest_ns[0]) == (-UNBOUNDED_NS, UNBOUNDED_NS)
    nothing = NoKnowledge().host_times(-1, np.array([T0]))
    assert not nothing.known[0]
    assert host_index(NoKnowledge(), "a") == -1


def test_differences_from_hosts_own_limits_and_their_signs() -> None:
    clocks = table(offsets=[100, 40], limits=[(90, 115), (30, 42)], sigma=[3.0, 4.0])
    a, b = np.array([0, 1, 0, -1], np.int32), np.array([1, 0, 0, 1], np.int32)
    at = np.full(4, T0)
    lower, upper = clocks.difference_limits(a, b, at, at)
    assert lower.tolist() == [48, -85, 0, -UNBOUNDED_NS]
    assert upper.tolist() == [85, -48, 0, UNBOUNDED_NS]
    assert clocks.difference_uncertainty(a, b, at).tolist() == [5.0, 5.0, 0.0, np.inf]


def test_differences_hold_at_both_instants() -> None:
    knots = one_host([T0, T0 + 10 * SECOND, T0 + 20 * SECOND], [0, 0, 9000])
    two = dataclasses.replace(
        knots,
        **{
            name: np.concatenate([getattr(knots, name), np.zeros((1, 3), getattr(knots, name).dtype)])
            for name in ("offset_ns", "drift", "uncertainty_ns", "drift_uncertainty", "lower_ns", "upper_ns")
        },
    )
    clocks = ClockTable(["a", "b"], two)
    a, b = np.array([0], np.int32), np.array([1], np.int32)
    early, late = np.array([T0 + SECOND]), np.array([T0 + 15 * SECOND])
    assert [int(limit[0]) for limit in clocks.difference_limits(a, b, early, early)] == [-1000, 1000]
    assert [int(limit[0]) for limit in clocks.difference_limits(a, b, early, late)] == [-1000, 10_000]


class Pairs:
    """A source that notes what it is asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[int, int, list[int]]] = []
        self.sigmas = 0

    def limits(self, a: int, b: int, knots: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        self.asked.append((a, b, knots.tolist()))
        return 55 + knots, 65 + knots

    def uncertainty(self, a: int, b: int, knot: int) -> float:
        self.sigmas += 1
        return 1.5


def test_pair_source_is_asked_once_and_only_where_needed() -> None:
    pairs = Pairs()
    at_ns = [T0 + number * SECOND for number in range(5)]
    clocks = table([100, 40], [(90, 115), (30, 42)], [3.0, 4.0], pairs, at_ns)
    a, b, at = np.array([1], np.int32), np.array([0], np.int32), np.array([T0 + SECOND + 5])
    for _ in range(2):
        lower, upper = clocks.difference_limits(a, b, at, at)
        assert (lower[0], upper[0]) == (-67, -56)
        assert clocks.difference_uncertainty(a, b, at)[0] == pytest.approx(1.5)
    assert pairs.asked == [(0, 1, [1, 2])]
    assert pairs.sigmas == 1


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"at_ns": np.array([5, 4])}, "order of time"),
        ({"drift": np.zeros((2, 2))}, "drift must have a row"),
        ({"gap": np.zeros(2, bool)}, "gap must have"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(changed: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        ClockTable(["a"], one_host([1, 2], [0, 0], **changed))


@given(
    st.lists(st.tuples(st.integers(-1, 2), st.integers(-1, 2), st.integers(-5, 25), st.integers(-5, 25)), max_size=30),
    st.booleans(),
)
def test_matrix_of_pairs_agrees_with_pairs_one_by_one(rows: list[tuple[int, int, int, int]], unbounded: bool) -> None:
    limits = [(90, 115), (30, 42), (-UNBOUNDED_NS, UNBOUNDED_NS) if unbounded else (-9, 9)]
    clocks = table([100, 40, 0], limits, [3.0, 4.0, 1.0], at_ns=[T0, T0 + 10 * SECOND, T0 + 20 * SECOND], drift=1e-6)
    a, b = (np.array([row[column] for row in rows], np.int32) for column in (0, 1))
    since, until = (T0 + np.array([row[column] for row in rows], np.int64) * SECOND for column in (2, 3))
    together = clocks.difference_limits(a, b, since, until)
    for row in range(len(rows)):
        one = slice(row, row + 1)
        for whole, apart in zip(
            together, clocks.difference_limits(a[one], b[one], since[one], until[one]), strict=True
        ):
            assert abs(int(whole[row]) - int(apart[0])) <= 1  # two roundings outwards instead of one
