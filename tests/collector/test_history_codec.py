from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from noonmark.collector import history_codec as codec
from noonmark.collector.history_columns import (
    COLUMNS,
    DRIFT,
    DRIFT_UNCERTAINTY,
    HOSTS,
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

SECOND_NS = 10**9
START_NS = 1_795_589_703 * SECOND_NS
any_int64 = st.integers(-(2**63), 2**63 - 1)


def course(rows: int, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Moments of a host that drifts and is measured with a little noise."""
    random = np.random.default_rng(seed)
    at_ns = START_NS + np.arange(rows) * 5 * SECOND_NS
    matrix = np.zeros((COLUMNS, rows), np.int64)
    offset = 1_234_567 + 150_000 * np.arange(rows) + random.normal(0, 300, rows)
    matrix[OFFSET] = offset
    matrix[LOWER] = offset - 20_000 - random.integers(0, 2_000, rows)
    matrix[UPPER] = offset + 20_000 + random.integers(0, 2_000, rows)
    matrix[UNCERTAINTY] = random.normal(700_000, 20_000, rows)
    matrix[DRIFT] = 30e-6 * 1e15 + random.normal(0, 5e6, rows)
    matrix[DRIFT_UNCERTAINTY] = random.normal(9e6, 1e5, rows)
    matrix[NEWEST] = at_ns - random.integers(0, SECOND_NS, rows)
    matrix[STATE] = 1
    return at_ns, matrix


@given(arrays(np.int64, array_shapes(min_dims=2, max_dims=2, min_side=0, max_side=12), elements=any_int64))
def test_packing_loses_nothing(matrix: np.ndarray) -> None:
    assert np.array_equal(codec.unpack(codec.pack(matrix)), matrix)


@given(any_int64, st.integers(-(2**40), 2**40), st.integers(-(2**20), 2**20), st.integers(3, 50))
def test_lines_and_parabolas_pack_without_loss(start: int, slope: int, bend: int, count: int) -> None:
    with np.errstate(over="ignore"):
        steps = np.arange(count, dtype=np.int64)
        row = np.int64(start) + np.int64(slope) * steps + np.int64(bend) * steps**2
    matrix = np.stack([row, -row])

    assert np.array_equal(codec.unpack(codec.pack(matrix)), matrix)


limits = st.one_of(st.just(UNBOUNDED), st.integers(0, 10**12))


@given(
    st.lists(
        st.tuples(
            st.integers(-(10**13), 10**13), limits, limits, st.one_of(st.just(UNBOUNDED), st.integers(0, 10**14))
        ),
        min_size=1,
        max_size=20,
    ),
    st.sampled_from([HOSTS, PATHS]),
)
def test_what_comes_back_is_never_surer(rows: list[tuple[int, int, int, int]], kind: object) -> None:
    at_ns = START_NS + np.arange(len(rows)) * SECOND_NS
    matrix = np.zeros((COLUMNS, len(rows)), np.int64)
    for number, (offset, below, above, uncertainty) in enumerate(rows):
        matrix[OFFSET, number] = offset
        matrix[LOWER, number] = -UNBOUNDED if below == UNBOUNDED else offset - below
        matrix[UPPER, number] = UNBOUNDED if above == UNBOUNDED else offset + above
        matrix[UNCERTAINTY, number] = uncertainty
    body = codec.pack_chunk(at_ns, matrix, kind)  # type: ignore[arg-type]

    back_at, back = codec.unpack_chunk(body, kind)  # type: ignore[arg-type]

    assert np.array_equal(back_at, at_ns)
    assert (back[LOWER] <= matrix[LOWER]).all()
    assert (back[UPPER] >= matrix[UPPER]).all()
    assert (back[UNCERTAINTY] >= matrix[UNCERTAINTY]).all()
    assert ((back[UNCERTAINTY] == UNBOUNDED) == (matrix[UNCERTAINTY] == UNBOUNDED)).all()
    assert (back[UNCERTAINTY] <= np.minimum(matrix[UNCERTAINTY] * 1.0221 + 1, UNBOUNDED)).all()
    bounded = (back[LOWER] > -UNBOUNDED) & (back[UPPER] < UNBOUNDED)
    assert (back[OFFSET] >= back[LOWER])[bounded].all()
    assert (back[OFFSET] <= back[UPPER])[bounded].all()


def test_a_host_comes_back_to_within_the_stated_shares() -> None:
    at_ns, matrix = course(720)

    _, back = codec.unpack_chunk(codec.pack_chunk(at_ns, matrix, HOSTS), HOSTS)

    least = matrix[UNCERTAINTY].min() / 1e3
    assert np.abs(back[OFFSET] - matrix[OFFSET]).max() <= least / 64
    width = (matrix[UPPER] - matrix[LOWER]).min()
    assert (matrix[LOWER] - back[LOWER]).max() <= width / 128
    assert (back[UPPER] - matrix[UPPER]).max() <= width / 128
    assert np.abs(back[DRIFT] - matrix[DRIFT]).max() <= matrix[DRIFT_UNCERTAINTY].min() / 8
    assert ((matrix[NEWEST] - back[NEWEST]) >= 0).all()
    assert ((matrix[NEWEST] - back[NEWEST]) <= 1 << 27).all()
    assert (back[STATE] == 1).all()


def test_an_hour_of_ticks_takes_few_bytes() -> None:
    at_ns, matrix = course(720)

    shared = codec.pack_chunk(at_ns, matrix, HOSTS, at_ns)

    assert len(shared) / 720 < 6.0


def test_packing_again_changes_nothing_more() -> None:
    at_ns, matrix = course(100)
    once = codec.unpack_chunk(codec.pack_chunk(at_ns, matrix, HOSTS), HOSTS)[1]

    twice = codec.unpack_chunk(codec.pack_chunk(at_ns, once, HOSTS), HOSTS)[1]

    assert np.array_equal(twice[UNCERTAINTY], once[UNCERTAINTY])
    assert np.array_equal(twice[OFFSET], once[OFFSET])


def test_instants_may_be_kept_elsewhere_and_in_any_order() -> None:
    at_ns, matrix = course(10)
    times = np.concatenate([at_ns[5:], [START_NS - 7], at_ns[:5]])

    body = codec.pack_chunk(at_ns, matrix, HOSTS, times)
    back_at, _ = codec.unpack_chunk(body, HOSTS, times)

    assert np.array_equal(back_at, at_ns)
    with pytest.raises(ValueError, match="missing from the shared list"):
        codec.pack_chunk(at_ns, matrix, HOSTS, times[:3])


def test_a_path_keeps_its_round_trip_downwards() -> None:
    at_ns, matrix = course(60)
    matrix[ROUND_TRIP] = 40_000 + np.arange(60)

    _, back = codec.unpack_chunk(codec.pack_chunk(at_ns, matrix, PATHS), PATHS)

    assert (back[ROUND_TRIP] <= matrix[ROUND_TRIP]).all()
    assert (matrix[ROUND_TRIP] - back[ROUND_TRIP]).max() <= 40_000 / 64


@pytest.mark.parametrize("place", [0, 1, 12, 20, 40, -1])
def test_a_changed_byte_is_noticed(place: int) -> None:
    at_ns, matrix = course(50)
    body = bytearray(codec.pack_chunk(at_ns, matrix, HOSTS))
    body[place] ^= 0x55

    with pytest.raises(codec.Damaged, match="damaged"):
        codec.unpack_chunk(bytes(body), HOSTS)


@pytest.mark.parametrize("body", [b"", b"\x00", b"\x02" * 40, b"\x00" * 10 + b"nonsense" * 9])
def test_foreign_bytes_are_refused(body: bytes) -> None:
    with pytest.raises(codec.Damaged, match="damaged"):
        codec.unpack_chunk(body, HOSTS)


def test_truncated_bytes_are_refused() -> None:
    at_ns, matrix = course(50)
    body = codec.pack_chunk(at_ns, matrix, HOSTS)

    for size in range(0, len(body) - 1, 17):
        with pytest.raises(codec.Damaged):
            codec.unpack_chunk(body[:size], HOSTS)
