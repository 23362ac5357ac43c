from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from noonmark.collector import history_codec as codec

any_int64 = st.integers(-(2**63), 2**63 - 1)
matrices = arrays(np.int64, array_shapes(min_dims=2, max_dims=2, min_side=0, max_side=12), elements=any_int64)


@given(matrices, st.booleans())
def test_packing_loses_nothing(matrix: np.ndarray, ordered: bool) -> None:
    assert np.array_equal(codec.unpack(codec.pack(matrix, ordered=ordered)), matrix)


@given(any_int64, st.integers(-(2**40), 2**40), st.integers(-(2**20), 2**20), st.integers(3, 50))
def test_lines_and_parabolas_pack_without_loss(start: int, slope: int, bend: int, count: int) -> None:
    with np.errstate(over="ignore"):
        steps = np.arange(count, dtype=np.int64)
        row = np.int64(start) + np.int64(slope) * steps + np.int64(bend) * steps**2
    matrix = np.stack([row, -row])

    assert np.array_equal(codec.unpack(codec.pack(matrix)), matrix)


@given(arrays(np.int64, array_shapes(min_dims=1, max_dims=3, max_side=6), elements=any_int64))
def test_planes_come_back_in_their_shape(values: np.ndarray) -> None:
    width, planes = codec.to_planes(values)

    whole = np.frombuffer(planes, np.uint8).reshape(width, *values.shape)
    assert np.array_equal(codec.from_planes(whole), values)


def test_a_line_packs_to_almost_nothing() -> None:
    line = 10**15 + 150_000 * np.arange(5_000)[None, :]

    assert len(codec.pack(line)) < 100


@pytest.mark.parametrize("place", [0, 1, 5, 20, -1])
def test_a_changed_byte_is_noticed(place: int) -> None:
    body = bytearray(codec.pack(np.random.default_rng(1).integers(0, 10**6, (3, 50))))
    body[place] ^= 0x55

    with pytest.raises(codec.Damaged, match="damaged"):
        codec.unpack(bytes(body))


@pytest.mark.parametrize("body", [b"", b"\x00", b"\x02" * 40, b"\x00" * 10 + b"nonsense" * 9])
def test_foreign_bytes_are_refused(body: bytes) -> None:
    with pytest.raises(codec.Damaged, match="damaged"):
        codec.unpack(body)


def test_truncated_bytes_are_refused() -> None:
    body = codec.pack(np.arange(100).reshape(4, 25) ** 3)

    for size in range(0, len(body) - 1, 7):
        with pytest.raises(codec.Damaged):
            codec.unpack(body[:size])


def test_sealed_bytes_of_another_kind_are_refused() -> None:
    with pytest.raises(codec.Damaged, match="the form 250"):
        codec.unpack(codec.seal(b"\xfa" * 30))
    with pytest.raises(codec.Damaged):
        codec.unpack(codec.seal(b"\x01\x02\x00\x05\x00\x00\x00"))


@pytest.mark.parametrize("bits", [0, 3, 7, 8, 12, 15, 16, 30, 62])
def test_narrow_numbers_are_the_same_numbers(bits: int) -> None:
    values = np.random.default_rng(bits).integers(-(1 << bits), 1 << bits, (4, 50)) if bits else np.zeros((4, 50), int)
    width, octets = codec.to_planes(values.astype(np.int64))
    planes = np.frombuffer(octets, np.uint8).reshape(width, 4, 50)
    assert codec.narrow(planes).tolist() == values.tolist()


@given(st.lists(st.integers(-(2**40), 2**40), min_size=3, max_size=30), st.integers(0, 2), st.integers(-99, 99))
def test_a_sum_at_one_place_is_the_sum_there(values: list[int], order: int, centre: int) -> None:
    row = np.array([values], np.int64)
    found = codec.differences(row, order)
    first, second = row[:, 0], row[:, 1] - row[:, 0]
    for place in range(len(values)):
        told = codec.summed_at(found - centre, np.array([centre]), order, first, second, place)
        assert told.tolist() == [values[place]]
