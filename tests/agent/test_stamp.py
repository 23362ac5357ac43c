from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.stamp import (
    ReflectorPacket,
    SenderPacket,
    decode_reflector,
    decode_sender,
    encode_reflector,
    encode_sender,
    is_request,
)
from noonmark.agent.timestamps import WireError

u8, u16, u32, u64 = (st.integers(min_value=0, max_value=2**bits - 1) for bits in (8, 16, 32, 64))
estimates = u16.filter(lambda field: field & 0xFF)


@given(st.builds(SenderPacket, u32, u64, estimates, u16), st.binary(max_size=60))
def test_sender_packet_comes_back_whatever_follows_it(packet: SenderPacket, behind: bytes) -> None:
    data = encode_sender(packet)
    assert len(data) == 44
    assert decode_sender(data + behind) == packet
    assert is_request(data + behind)


@given(st.builds(ReflectorPacket, u32, u64, estimates, u16, u64.filter(bool), u32, u64, u16, u8))
def test_reflector_packet_comes_back_and_is_no_request(packet: ReflectorPacket) -> None:
    data = encode_reflector(packet)
    assert len(data) == 44
    assert decode_reflector(data) == packet
    assert not is_request(data)


@given(st.binary(max_size=200))
def test_any_octets_are_read_or_refused(data: bytes) -> None:
    is_request(data)
    for decode in (decode_sender, decode_reflector):
        with contextlib.suppress(WireError):
            decode(data)


@pytest.mark.parametrize("decode", [decode_sender, decode_reflector])
def test_short_packet_is_refused_with_its_length(decode: object) -> None:
    with pytest.raises(WireError, match="43 octets"):
        decode(bytes(43))  # type: ignore[operator]


def test_short_packet_counts_as_a_request() -> None:
    assert is_request(b"\xff" * 43)


def test_zero_multiplier_is_refused() -> None:
    with pytest.raises(WireError, match="multiplier"):
        decode_sender(encode_sender(SenderPacket(1, 2, 0x8C00, 3)))
