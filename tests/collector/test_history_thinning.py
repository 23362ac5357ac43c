from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
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
    NEWEST,
    OFFSET,
    PATHS,
    ROUND_TRIP,
    STATE,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
)
from noonmark.collector.history_interpolation import Interpolated, Moments, between
from noonmark.collector.history_thinning import thin

SECOND_NS = 10**9
START_NS = 1_795_589_703 * SECOND_NS
TICK_NS = 5 * SECOND_NS
REACH_NS = 60 * SECOND_NS
MEASURED = HOST_STATES.index(HostState.MEASURED)


def course(count: int, *, drift: float = 1e-6, noise_ns: float = 200.0, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    at_ns = START_NS + TICK_NS * np.arange(count)
    matrix = np.zeros((COLUMNS, count), np.int64)
    matrix[OFFSET] = 10**6 + drift * (at_ns - START_NS) + random.normal(0, noise_ns, count)
    matrix[LOWER] = matrix[OFFSET] - 9_000 - random.integers(0, 3_000, count)
    matrix[UPPER] = matrix[OFFSET] + 9_000 + random.integers(0, 3_000, count)
    matrix[UNCERTAINTY] = 500_000 + random.integers(0, 100_000, count)
    matrix[DRIFT] = (drift + random.normal(0, 1e-8, count)) * 1e15
    matrix[DRIFT_UNCERTAINTY] = 10**7
    matrix[NEWEST] = at_ns - random.integers(0, SECOND_NS, count)
    matrix[STATE] = MEASURED
    return at_ns, matrix


def ask(at_ns: np.ndarray, matrix: np.ndarray, instant: int) -> Interpolated:
    place = int(np.searchsorted(at_ns, instant, side="right"))

    def moment(index: int) -> Moments:
        present = 0 <= index < len(at_ns)
        index = index if present else 0
        return Moments(at_ns[[index]], matrix[:, [index]], np.array([present]))

    return between(moment(place - 1), moment(place), instant, HOSTS, reach_ns=REACH_NS)


rows = st.lists(
    st.tuples(
        st.integers(-5_000, 5_000),  # noise of the offset
        st.integers(0, 30_000),
        st.integers(0, 30_000),
        st.integers(1, 5_000),  # uncertainty
        st.floats(-2e-6, 2e-6),  # told drift
    ),
    min_size=2,
    max_size=30,
)


@settings(max_examples=300)
@given(rows, st.floats(-5e-5, 5e-5), st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_thinning_never_narrows(
    values: list[tuple[int, int, int, int, float]], rate: float, places: list[float]
) -> None:
    at_ns = START_NS + TICK_NS * np.arange(len(values))
    matrix = np.zeros((COLUMNS, len(values)), np.int64)
    for number, (noise, below, above, uncertainty, drift) in enumerate(values):
        offset = round(rate * TICK_NS * number) + noise
        matrix[:4, number] = offset, offset - below, offset + above, uncertainty * 1000
        matrix[DRIFT, number] = round((rate + drift) * 1e15)
    matrix[STATE] = MEASURED

    thin_at, thinned = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    instants = [int(at_ns[0] + round(place * float(at_ns[-1] - at_ns[0]))) for place in places] + at_ns.tolist()
    for instant in instants:
        full, less = ask(at_ns, matrix, instant), ask(thin_at, thinned, instant)
        assert less.matrix[LOWER, 0] <= full.matrix[LOWER, 0] + 1
        assert less.matrix[UPPER, 0] >= full.matrix[UPPER, 0] - 1
        assert less.matrix[UNCERTAINTY, 0] >= full.matrix[UNCERTAINTY, 0] - 2_000
        deviation = abs(int(less.matrix[OFFSET, 0] - full.matrix[OFFSET, 0]))
        worst = max(uncertainty for _, _, _, uncertainty, _ in values) + max(abs(v[0]) for v in values) + 12_000
        assert deviation <= 1_000 + worst
        assert deviation * 1000 <= less.matrix[UNCERTAINTY, 0] + 2_000


def test_a_quiet_hour_becomes_one_line() -> None:
    at_ns, matrix = course(720)

    thin_at, thinned = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    assert thin_at.tolist() == [at_ns[0], at_ns[-1]]
    assert thinned[STATE].tolist() == [MEASURED | JOINED, MEASURED]
    line = thinned[OFFSET, 0] + (thinned[OFFSET, 1] - thinned[OFFSET, 0]) * np.arange(720) / 719
    assert np.abs(line - matrix[OFFSET]).max() <= 1_000
    assert thinned[NEWEST, 0] <= at_ns[0]


def test_a_bend_beyond_the_error_ends_a_line() -> None:
    at_ns, matrix = course(200, noise_ns=0)
    matrix[OFFSET : UPPER + 1, 100:] += (20_000 * np.arange(100))[None, :]

    thin_at, _ = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    assert 4 <= len(thin_at) <= 6
    assert any(abs(moment - at_ns[100]) <= TICK_NS for moment in thin_at.tolist())


def test_a_gap_and_a_change_of_state_end_a_line() -> None:
    at_ns, matrix = course(90)
    at_ns[60:] += 3600 * SECOND_NS
    matrix[STATE, 30:60] = HOST_STATES.index(HostState.STALE)

    thin_at, _ = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=10_000.0)

    assert thin_at.tolist() == [int(at_ns[row]) for row in (0, 29, 30, 59, 60, 89)]


def test_one_bad_tick_does_not_spoil_its_hour() -> None:
    at_ns, matrix = course(300)
    matrix[UPPER, 150] += 10**9

    thin_at, thinned = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    width = ask(thin_at, thinned, int(at_ns[20])).matrix
    assert width[UPPER, 0] - width[LOWER, 0] < 100_000
    assert ask(thin_at, thinned, int(at_ns[150])).matrix[UPPER, 0] >= matrix[UPPER, 150]


def test_what_tells_nothing_still_tells_nothing() -> None:
    at_ns, matrix = course(40)
    matrix[STATE, 10:20] = HOST_STATES.index(HostState.NO_ROUTE)
    matrix[UNCERTAINTY, 10:20] = UNBOUNDED
    matrix[LOWER, 10:20], matrix[UPPER, 10:20] = -UNBOUNDED, UNBOUNDED

    thin_at, thinned = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)
    found = ask(thin_at, thinned, int(at_ns[15])).matrix

    assert found[UNCERTAINTY, 0] == UNBOUNDED
    assert found[UPPER, 0] == UNBOUNDED


def test_thinned_moments_are_left_alone() -> None:
    at_ns, matrix = course(50)
    once = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    again = thin(*once, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    assert all(np.array_equal(a, b) for a, b in zip(once, again, strict=True))


@pytest.mark.parametrize("count", [0, 1])
def test_little_stays_little(count: int) -> None:
    at_ns, matrix = course(count)

    thin_at, thinned = thin(at_ns, matrix, HOSTS, reach_ns=REACH_NS, error_ns=1_000.0)

    assert len(thin_at) == thinned.shape[1] == count


def test_a_path_keeps_its_least_round_trip() -> None:
    at_ns, matrix = course(60)
    matrix[6:] = 0
    matrix[ROUND_TRIP] = 50_000 + np.arange(60) % 7

    _, thinned = thin(at_ns, matrix, PATHS, reach_ns=REACH_NS, error_ns=1_000.0)

    assert thinned[ROUND_TRIP].tolist() == [50_000, 50_000]
