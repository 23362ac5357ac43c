from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.history_codec import Damaged, parts_of, seal, unseal
from noonmark.collector.history_columns import (
    COLUMNS,
    DRIFT,
    DRIFT_UNCERTAINTY,
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
    Kind,
)
from noonmark.collector.history_groups import (
    Group,
    grouped,
    joined,
    pack_group,
    pack_thinned,
    unpack_beside,
    unpack_group,
    unpack_thinned,
)

SECOND_NS = 10**9
START_NS = 1_795_589_703 * SECOND_NS
KINDS = st.sampled_from([HOSTS, PATHS])


def course(rows: int, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Moments (T,) of a host that drifts and is measured with a little noise, and its columns (C, T)."""
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


def whole(series: int, rows: int) -> Group:
    courses = [course(rows, seed) for seed in range(series)]
    matrix = np.stack([matrix for _, matrix in courses], axis=1)
    return Group(np.arange(series) * 3, courses[0][0], np.ones((series, rows), np.bool_), matrix)


def one(matrix: np.ndarray, at_ns: np.ndarray) -> Group:
    return Group(np.array([7]), at_ns, np.ones((1, len(at_ns)), np.bool_), matrix[:, None, :])


limits = st.one_of(st.just(UNBOUNDED), st.integers(0, 10**12))
uncertainties = st.one_of(st.just(UNBOUNDED), st.integers(0, 10**14))
moments = st.lists(st.tuples(st.integers(-(10**13), 10**13), limits, limits, uncertainties), min_size=1, max_size=20)


def columns_of(rows: list[tuple[int, int, int, int]]) -> np.ndarray:
    matrix = np.zeros((COLUMNS, len(rows)), np.int64)
    for number, (offset, below, above, uncertainty) in enumerate(rows):
        matrix[OFFSET, number] = offset
        matrix[LOWER, number] = -UNBOUNDED if below == UNBOUNDED else offset - below
        matrix[UPPER, number] = UNBOUNDED if above == UNBOUNDED else offset + above
        matrix[UNCERTAINTY, number] = uncertainty
    return matrix


def never_surer(back: np.ndarray, matrix: np.ndarray) -> None:
    assert (back[LOWER] <= matrix[LOWER]).all()
    assert (back[UPPER] >= matrix[UPPER]).all()
    assert (back[UNCERTAINTY] >= matrix[UNCERTAINTY]).all()
    assert ((back[UNCERTAINTY] == UNBOUNDED) == (matrix[UNCERTAINTY] == UNBOUNDED)).all()
    assert (back[UNCERTAINTY] <= np.minimum(matrix[UNCERTAINTY] * 1.0221 + 1, UNBOUNDED)).all()
    bounded = (back[LOWER] > -UNBOUNDED) & (back[UPPER] < UNBOUNDED)
    assert (back[OFFSET] >= back[LOWER])[bounded].all()
    assert (back[OFFSET] <= back[UPPER])[bounded].all()


@given(moments, KINDS)
def test_full_detail_comes_back_never_surer(rows: list[tuple[int, int, int, int]], kind: Kind) -> None:
    at_ns = START_NS + np.arange(len(rows)) * SECOND_NS
    matrix = columns_of(rows)

    back = unpack_group(pack_group(one(matrix, at_ns), kind), kind)

    assert np.array_equal(back.at_ns, at_ns)
    never_surer(back.matrix[:, 0], matrix)


@given(moments, KINDS)
def test_thinned_moments_come_back_never_surer(rows: list[tuple[int, int, int, int]], kind: Kind) -> None:
    at_ns = START_NS + np.arange(len(rows)) * SECOND_NS
    matrix = columns_of(rows)
    matrix[kind.flags] |= JOINED

    ((number, back_at, back), (other, _, _)) = unpack_thinned(
        pack_thinned([(7, at_ns, matrix), (9, at_ns[:1], matrix[:, :1])], kind), kind
    )

    assert (number, other) == (7, 9)
    assert np.array_equal(back_at, at_ns)
    assert (back[kind.flags] & JOINED).all()
    never_surer(back, matrix)


def test_a_host_comes_back_to_within_the_stated_shares() -> None:
    at_ns, matrix = course(720)

    back = unpack_group(pack_group(one(matrix, at_ns), HOSTS), HOSTS).matrix[:, 0]

    assert np.abs(back[OFFSET] - matrix[OFFSET]).max() <= matrix[UNCERTAINTY].min() / 1e3 / 64
    width = (matrix[UPPER] - matrix[LOWER]).min()
    assert (matrix[LOWER] - back[LOWER]).max() <= width / 128
    assert (back[UPPER] - matrix[UPPER]).max() <= width / 128
    assert np.abs(back[DRIFT] - matrix[DRIFT]).max() <= matrix[DRIFT_UNCERTAINTY].min() / 8
    assert ((matrix[NEWEST] - back[NEWEST]) >= 0).all()
    assert ((matrix[NEWEST] - back[NEWEST]) <= 1 << 27).all()
    assert (back[STATE] == 1).all()


def test_a_path_keeps_its_round_trip_downwards() -> None:
    at_ns, matrix = course(60)
    matrix[ROUND_TRIP] = 40_000 + np.arange(60)

    back = unpack_group(pack_group(one(matrix, at_ns), PATHS), PATHS).matrix[:, 0]

    assert (back[ROUND_TRIP] <= matrix[ROUND_TRIP]).all()
    assert (matrix[ROUND_TRIP] - back[ROUND_TRIP]).max() <= 40_000 / 64


def test_an_hour_of_ticks_takes_few_bytes() -> None:
    assert len(pack_group(whole(32, 720), HOSTS)) / (32 * 720) < 5.0


def test_packing_again_changes_nothing_more() -> None:
    once = unpack_group(pack_group(whole(5, 100), HOSTS), HOSTS)

    twice = unpack_group(pack_group(once, HOSTS), HOSTS)

    assert np.array_equal(twice.matrix[UNCERTAINTY], once.matrix[UNCERTAINTY])
    assert np.array_equal(twice.matrix[OFFSET], once.matrix[OFFSET])


@given(st.integers(1, 6), st.integers(1, 9), st.data(), KINDS)
def test_one_series_reads_as_it_does_among_all(series: int, rows: int, data: st.DataObject, kind: Kind) -> None:
    group = whole(series, rows)
    mask = data.draw(st.lists(st.booleans(), min_size=series * rows, max_size=series * rows))
    present = np.array(mask).reshape(series, rows)
    present[:, 0] |= ~present.any(axis=1)
    group = Group(group.numbers, group.at_ns, present, np.where(present, group.matrix, 0))
    body = pack_group(group, kind)

    every = unpack_group(body, kind)

    assert np.array_equal(every.present, present)
    for row, number in enumerate(group.numbers.tolist()):
        alone = unpack_group(body, kind, number)
        assert np.array_equal(alone.matrix[:, 0], every.matrix[:, row])
        assert np.array_equal(alone.present[0], present[row])
        inside = present[row]
        never_surer(every.matrix[:, row, inside], group.matrix[:, row, inside])
    assert len(unpack_group(body, kind, 1).numbers) == 0


def test_loose_moments_make_a_group_and_groups_join() -> None:
    at_ns, matrix = course(4)
    numbers = np.array([3, 3, 8, 8])
    first = grouped(numbers, at_ns[[0, 1, 1, 2]], matrix)
    again = matrix[:, :1] + 1
    both = joined(first, grouped(np.array([3]), at_ns[[1]], again))

    assert first.numbers.tolist() == [3, 8]
    assert first.present.tolist() == [[True, True, False], [False, True, True]]
    assert np.array_equal(first.matrix[:, 1, 2], matrix[:, 3])
    assert np.array_equal(both.matrix[:, 0, 1], again[:, 0])
    assert np.array_equal(both.matrix[:, 1, 1], matrix[:, 2])


@pytest.mark.parametrize("cut", range(0, 400, 23))
def test_damaged_groups_are_refused(cut: int) -> None:
    body = bytearray(pack_group(whole(3, 20), HOSTS))
    body[cut % len(body)] ^= 0x81

    with pytest.raises(Damaged, match="damaged"):
        unpack_group(bytes(body), HOSTS)
    with pytest.raises(Damaged):
        unpack_thinned(bytes(body), HOSTS)


def test_sealed_bytes_of_another_kind_are_refused() -> None:
    for body in (b"", b"\x01" * 5, b"\x09" * 90, b"\x01" + b"\x02\x00\x00\x00" * 3):
        with pytest.raises(Damaged):
            unpack_group(seal(body), HOSTS)


@given(
    series=st.integers(1, 5),
    rows=st.integers(1, 40),
    share=st.sampled_from([0.3, 0.9, 1.0]),
    wild=st.booleans(),
    kind=KINDS,
    data=st.data(),
)
def test_what_is_beside_an_instant_reads_as_it_does_in_the_whole(
    series: int, rows: int, share: float, wild: bool, kind: Kind, data: st.DataObject
) -> None:
    group = whole(series, rows)
    random = np.random.default_rng(series * 100 + rows)
    present = random.random(group.present.shape) < share
    present[:, random.integers(rows)] = True
    present[random.integers(series), :] = True  # else an instant of nobody's
    matrix = group.matrix.copy()
    if wild:  # wide differences of every width of bytes
        matrix[:, :, ::3] += random.integers(-(1 << 40), 1 << 40, matrix[:, :, ::3].shape)
    body = pack_group(Group(group.numbers, group.at_ns, present, matrix), kind)
    at_ns = START_NS + data.draw(st.integers(-10, 5 * rows + 10)) * SECOND_NS

    clock, found = unpack_beside(body, kind, at_ns)

    all_of_it = unpack_group(body, kind)
    assert clock.tolist() == all_of_it.at_ns.tolist()
    assert found.numbers.tolist() == all_of_it.numbers.tolist()
    for row in range(series):
        for later in (False, True):
            told = []
            for one in (all_of_it, found):
                places = np.flatnonzero(one.present[row] & ((one.at_ns > at_ns) == later))
                nearest = places[:1] if later else places[-1:]
                told.append((one.at_ns[nearest].tolist(), one.matrix[:, row, nearest].tolist()))
            assert told[0] == told[1]


def test_damaged_groups_are_refused_at_a_glance_too() -> None:
    body = pack_group(whole(2, 30), HOSTS)
    with pytest.raises(Damaged):
        unpack_beside(body[:-3], HOSTS, START_NS)
    with pytest.raises(Damaged):
        unpack_beside(seal(b"\x01\x05"), HOSTS, START_NS)


@given(st.integers(1, 8), st.integers(1, 30), KINDS)
def test_a_group_of_the_older_form_in_one_piece_is_read_too(series: int, rows: int, kind: Kind) -> None:
    """As it was written before parts: of so few series the one part follows its outline."""
    body = pack_group(whole(series, rows), kind)
    parts = parts_of(body)
    assert parts is not None
    older = seal(b"".join(map(unseal, parts)))

    assert parts_of(older) is None
    for number in (None, 0, 3 * (series - 1), 1):
        new, old = unpack_group(body, kind, number), unpack_group(older, kind, number)
        assert np.array_equal(new.numbers, old.numbers)
        assert np.array_equal(new.matrix, old.matrix)
    at_ns = START_NS + 7 * SECOND_NS
    assert np.array_equal(unpack_beside(body, kind, at_ns)[1].matrix, unpack_beside(older, kind, at_ns)[1].matrix)


@pytest.mark.parametrize("place", [0, 5, 9, 20, 40, -1])
def test_a_changed_byte_among_parts_is_noticed(place: int) -> None:
    body = bytearray(pack_group(whole(20, 30), HOSTS))
    body[place] ^= 1
    with pytest.raises(Damaged):
        unpack_group(bytes(body), HOSTS)
