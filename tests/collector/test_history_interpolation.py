from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.estimate import HostState
from noonmark.collector.history_columns import (
    COLUMNS,
    DRIFT,
    DRIFT_UNCERTAINTY,
    HOST_STATES,
    HOSTS,
    JOINED,
    LOWER,
    OFFSET,
    PATHS,
    STATE,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    Kind,
)
from noonmark.collector.history_interpolation import How, Interpolated, Moments, between

SECOND_NS = 10**9
START_NS = 1_795_589_703 * SECOND_NS
TICK_NS = 5 * SECOND_NS
REACH_NS = 60 * SECOND_NS


def column(
    offset: int,
    *,
    below: int = 10_000,
    above: int = 10_000,
    drift: float = 0.0,
    uncertainty_ns: int = 500,
    state: HostState = HostState.MEASURED,
) -> np.ndarray:
    values = np.zeros(COLUMNS, np.int64)
    values[OFFSET] = offset
    values[LOWER] = offset - below if below < UNBOUNDED else -UNBOUNDED
    values[UPPER] = offset + above if above < UNBOUNDED else UNBOUNDED
    values[UNCERTAINTY] = uncertainty_ns * 1000
    values[DRIFT] = round(drift * 1e15)
    values[DRIFT_UNCERTAINTY] = 10**6
    values[STATE] = HOST_STATES.index(state)
    return values


def moments(at_ns: int, *columns: np.ndarray, present: bool = True) -> Moments:
    count = len(columns)
    return Moments(np.full(count, at_ns), np.stack(columns, axis=1), np.full(count, present))


def nothing(count: int = 1) -> Moments:
    return moments(0, *[np.zeros(COLUMNS, np.int64)] * count, present=False)


def ask(before: Moments, after: Moments, at_ns: int, side: int = 0, **options: float) -> Interpolated:
    sides = np.full(len(before.present), side)
    return between(before, after, at_ns, HOSTS, reach_ns=REACH_NS, side=sides, **options)


def told(found: Interpolated) -> tuple[int, int, int]:
    return int(found.matrix[OFFSET, 0]), int(found.matrix[LOWER, 0]), int(found.matrix[UPPER, 0])


offsets = st.integers(-(10**9), 10**9)
widths = st.integers(0, 10**7)
drifts = st.floats(-5e-4, 5e-4)
shares = st.floats(0.001, 0.999)


@given(offsets, offsets, widths, widths, widths, widths, drifts, drifts, shares)
def test_limits_between_two_ticks_hold_both_ticks_own(
    first: int, second: int, b0: int, a0: int, b1: int, a1: int, d0: float, d1: float, share: float
) -> None:
    """Whichever of the two ticks still or already holds at the instant, its limits carried there are inside."""
    at_ns = START_NS + round(TICK_NS * share)
    before = moments(START_NS, column(first, below=b0, above=a0, drift=d0))
    after = moments(START_NS + TICK_NS, column(second, below=b1, above=a1, drift=d1))

    found = ask(before, after, at_ns)
    _, lower, upper = told(found)

    assert found.how[0] == How.BETWEEN
    for moment, column_ in ((START_NS, before.matrix[:, 0]), (START_NS + TICK_NS, after.matrix[:, 0])):
        moved = column_[DRIFT] / 1e15 * (at_ns - moment)
        assert lower <= column_[LOWER] + moved + 1e-3
        assert upper >= column_[UPPER] + moved - 1e-3
    assert found.matrix[UNCERTAINTY, 0] >= 500_000


@given(offsets, drifts, widths, widths, widths, widths, shares, st.floats(0, 1), st.floats(0, 1))
def test_an_even_clock_stays_inside_between_ticks(
    start: int, rate: float, b0: int, a0: int, b1: int, a1: int, share: float, place0: float, place1: float
) -> None:
    """Truth: any straight line that both ticks allow, whatever drift they tell."""
    end = start + round(rate * TICK_NS)
    before = moments(START_NS, column(start, below=b0, above=a0, drift=1e-5))
    after = moments(START_NS + TICK_NS, column(end, below=b1, above=a1, drift=-1e-5))
    at_ns = START_NS + round(TICK_NS * share)
    at_first = start - b0 + place0 * (b0 + a0)
    at_second = end - b1 + place1 * (b1 + a1)
    truth = at_first + (at_second - at_first) * (at_ns - START_NS) / TICK_NS

    _, lower, upper = told(ask(before, after, at_ns))

    assert lower <= truth + 1e-3
    assert upper >= truth - 1e-3


def test_a_steady_clock_is_told_as_surely_as_at_its_ticks() -> None:
    before = moments(START_NS, column(0, drift=30e-6))
    after = moments(START_NS + TICK_NS, column(150_000, drift=30e-6))

    found = ask(before, after, START_NS + TICK_NS // 2)

    assert told(found) == (75_000, 65_000, 85_000)
    assert found.matrix[UNCERTAINTY, 0] == 500_000
    assert found.measured_ns[0] == START_NS


def test_a_tick_itself_is_told_as_it_is() -> None:
    before = moments(START_NS, column(7, below=3, above=4))
    after = moments(START_NS + TICK_NS, column(900, below=3, above=4))

    found = ask(before, after, START_NS)

    assert told(found) == (7, 4, 11)
    assert found.how[0] == How.EXACT


def test_an_unknown_setting_between_two_ticks_widens_to_both() -> None:
    found = ask(moments(START_NS, column(0)), moments(START_NS + TICK_NS, column(5_000_000)), START_NS + TICK_NS // 2)
    offset, lower, upper = told(found)

    assert (lower, upper) == (-10_000, 5_010_000)
    assert offset == 2_500_000
    assert found.matrix[UNCERTAINTY, 0] / 1e3 > 5_000_000 / 12**0.5


@pytest.mark.parametrize(("side", "expected"), [(-1, 0), (1, 5_000_000)])
def test_at_a_known_setting_only_its_own_side_counts(side: int, expected: int) -> None:
    before, after = moments(START_NS, column(0)), moments(START_NS + TICK_NS, column(5_000_000))

    offset, lower, upper = told(ask(before, after, START_NS + TICK_NS // 2, side))

    assert offset == expected
    assert (lower, upper) == (expected - 10_000 - 37_500, expected + 10_000 + 37_500)


def test_across_a_gap_limits_widen_from_either_side_at_the_drift_limit() -> None:
    length = 3600 * SECOND_NS
    before, after = moments(START_NS, column(0)), moments(START_NS + length, column(2_000))

    near = ask(before, after, START_NS + 10 * SECOND_NS)
    middle = ask(before, after, START_NS + length // 2)

    assert near.how[0] == middle.how[0] == How.GAP
    assert told(near)[1:] == (-10_000 - 150_000, 10_000 + 150_000)
    assert told(middle)[2] - told(middle)[1] > 2 * 15e-6 * (1800 - 60) * 1e9
    assert near.matrix[UNCERTAINTY, 0] < middle.matrix[UNCERTAINTY, 0]


@given(st.floats(-15e-6, 15e-6), st.floats(0.01, 0.99), st.floats(0.01, 0.99))
def test_a_clock_within_its_drift_limit_stays_inside_across_a_gap(rate: float, bend: float, share: float) -> None:
    """Truth: leaves the first line at `rate`, later returns to the second tick at whatever the limit allows."""
    length = 7200.0
    turn = bend * length
    peak = rate * turn * 1e9
    end = peak - rate * (length - turn) * 1e9
    moment = share * length
    truth = rate * moment * 1e9 if moment <= turn else peak - rate * (moment - turn) * 1e9
    before = moments(START_NS, column(0))
    after = moments(START_NS + round(length * 1e9), column(round(end)))

    _, lower, upper = told(ask(before, after, START_NS + round(moment * 1e9)))

    assert lower - 1 <= truth <= upper + 1


def test_a_gap_that_no_clock_could_cross_holds_both_sides() -> None:
    before, after = moments(START_NS, column(0)), moments(START_NS + 600 * SECOND_NS, column(10**9))

    found = ask(before, after, START_NS + 300 * SECOND_NS)

    assert found.how[0] == How.STEPPED
    assert told(found)[1] < 0
    assert told(found)[2] > 10**9


def test_past_the_last_tick_limits_widen_with_age() -> None:
    found = ask(moments(START_NS, column(0, drift=1e-6)), nothing(), START_NS + 100 * SECOND_NS)

    assert found.how[0] == How.AFTER_LAST
    assert told(found) == (100_000, 100_000 - 10_000 - 1_500_000, 100_000 + 10_000 + 1_500_000)
    assert found.measured_ns[0] == START_NS


def test_before_the_first_tick_nothing_earlier_is_needed() -> None:
    found = ask(nothing(), moments(START_NS, column(0)), START_NS - SECOND_NS)

    assert found.how[0] == How.BEFORE_FIRST
    assert told(found)[2] == 10_000 + 15_000


def test_a_reference_does_not_leave_itself() -> None:
    reference = column(0, below=0, above=0, uncertainty_ns=0, state=HostState.REFERENCE)

    found = ask(moments(START_NS, reference), nothing(), START_NS + 1000 * SECOND_NS)

    assert told(found) == (0, 0, 0)
    assert found.matrix[UNCERTAINTY, 0] == 0


def test_a_moment_that_tells_nothing_is_no_side() -> None:
    lost = column(123, state=HostState.NO_ROUTE)

    one = ask(moments(START_NS, column(0)), moments(START_NS + TICK_NS, lost), START_NS + SECOND_NS)
    none = ask(moments(START_NS, lost), moments(START_NS + TICK_NS, lost), START_NS + SECOND_NS)

    assert one.how[0] == How.AFTER_LAST
    assert none.how[0] == How.NOTHING
    assert none.present[0]
    assert none.matrix[UNCERTAINTY, 0] == UNBOUNDED
    assert told(none)[1:] == (-UNBOUNDED, UNBOUNDED)
    assert HOST_STATES[none.matrix[STATE, 0]] is HostState.NO_ROUTE


def test_a_limit_that_is_missing_stays_missing() -> None:
    before = moments(START_NS, column(0, above=UNBOUNDED))
    after = moments(START_NS + TICK_NS, column(0, below=UNBOUNDED, above=UNBOUNDED))

    assert told(ask(before, after, START_NS + SECOND_NS))[1:] == (-UNBOUNDED, UNBOUNDED)
    assert told(ask(before, nothing(), START_NS + SECOND_NS)) == (0, -10_000 - 15_000, UNBOUNDED)


def test_joined_moments_are_a_line_however_far_apart() -> None:
    start = column(0)
    start[STATE] |= JOINED
    found = ask(moments(START_NS, start), moments(START_NS + 3000 * SECOND_NS, column(3_000)), START_NS + 10**12)

    assert found.how[0] == How.BETWEEN
    assert told(found) == (1_000, -9_000, 11_000)
    assert found.matrix[STATE, 0] == HOST_STATES.index(HostState.MEASURED)


def test_two_clocks_make_a_path_widen_twice_as_fast() -> None:
    before = moments(START_NS, column(0))
    found = between(before, nothing(), START_NS + 100 * SECOND_NS, PATHS, reach_ns=REACH_NS)

    assert told(found)[2] == 10_000 + 3_000_000


@given(
    drifts=st.tuples(st.floats(-50e-6, 50e-6), st.floats(-50e-6, 50e-6)),
    courses=st.lists(st.tuples(st.floats(0.05, 1.0), st.floats(0.0, 1.0)), min_size=1, max_size=5),
    bend=st.sampled_from([1e-6, 15e-6, 500e-6]),
    share=shares,
    errors=st.tuples(st.integers(-9_000, 9_000), st.integers(-9_000, 9_000)),
)
def test_a_clock_that_changes_its_rate_as_far_as_it_may_stays_inside(
    drifts: tuple[float, float],
    courses: list[tuple[float, float]],
    bend: float,
    share: float,
    errors: tuple[int, int],
) -> None:
    """Truth: a course of any straight pieces, each at a rate between those of both ends, widened by `bend`."""
    length = 40.0
    least, most = min(drifts) - bend, max(drifts) + bend
    whole = sum(weight for weight, _ in courses)
    seconds = np.cumsum([0.0, *(weight / whole * length for weight, _ in courses)])
    rates = [least + place * (most - least) for _, place in courses]
    truth = np.concatenate([[0.0], np.cumsum(rates * np.diff(seconds))]) * 1e9
    before = moments(START_NS, column(errors[0], drift=drifts[0]))
    end = round(float(truth[-1]))
    after = moments(START_NS + round(length * 1e9), column(end + errors[1], drift=drifts[1]))

    found = between(
        before, after, START_NS + round(share * length * 1e9), HOSTS, reach_ns=REACH_NS, bend=np.array([bend])
    )

    assert found.how[0] == How.UNSETTLED
    _, lower, upper = told(found)
    assert lower - 2 <= float(np.interp(share * length, seconds, truth)) <= upper + 2


def test_what_nobody_bent_is_as_it_was() -> None:
    before, after = moments(START_NS, column(0)), moments(START_NS + TICK_NS, column(2_000))
    even = ask(before, after, START_NS + TICK_NS // 3)
    bent = between(before, after, START_NS + TICK_NS // 3, HOSTS, reach_ns=REACH_NS, bend=np.zeros(1))
    assert (told(even), even.how[0]) == (told(bent), bent.how[0])


def test_a_course_that_no_rate_explains_holds_both_ends() -> None:
    before, after = moments(START_NS, column(0)), moments(START_NS + TICK_NS, column(10**9))
    found = between(before, after, START_NS + TICK_NS // 2, HOSTS, reach_ns=REACH_NS, bend=np.array([5e-4]))
    assert told(found)[1] <= -10_000
    assert told(found)[2] >= 10**9 + 10_000


def test_on_one_side_of_a_bend_limits_widen_as_fast_as_a_clock_may_be_slewed() -> None:
    found = between(
        moments(START_NS, column(0)), nothing(), START_NS + TICK_NS, HOSTS, reach_ns=REACH_NS, bend=np.array([5e-4])
    )
    assert told(found)[1:] == (-10_000 - 2_500_000, 10_000 + 2_500_000)


@given(st.lists(st.tuples(offsets, widths, drifts), min_size=2, max_size=5), shares, st.sampled_from([HOSTS, PATHS]))
def test_what_is_ordinary_is_told_as_it_is_beside_what_is_not(
    rows: list[tuple[int, int, float]], share: float, kind: Kind
) -> None:
    """A series without a later tick beside them makes all go the long way."""
    early = [column(offset, below=width, above=2 * width, drift=drift) for offset, width, drift in rows]
    late = [column(offset + width // 3, below=width, drift=drift, uncertainty_ns=700) for offset, width, drift in rows]
    at_ns = START_NS + round(TICK_NS * share)

    def ask_all(extra: list[np.ndarray], *, once: bool) -> Interpolated:
        before, after = moments(START_NS, *early, *extra), moments(START_NS + TICK_NS, *late, *extra)
        after.present[len(late) :] = False
        if once:  # as snapshots give their instant
            before, after = (
                Moments(np.broadcast_to(side.at_ns[:1], len(side.at_ns)), side.matrix, side.present)
                for side in (before, after)
            )
        return between(before, after, at_ns, kind, reach_ns=REACH_NS)

    alone, as_one, among = ask_all([], once=False), ask_all([], once=True), ask_all([column(5)], once=False)

    assert among.how[-1] == How.AFTER_LAST
    for found in (alone, as_one):
        assert np.array_equal(found.matrix, among.matrix[:, :-1])
        assert np.array_equal(found.how, among.how[:-1])
        assert np.array_equal(found.measured_ns, among.measured_ns[:-1])
