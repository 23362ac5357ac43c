from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import authentication, tlv
from noonmark.agent.stamp import ReflectorPacket, SenderPacket
from noonmark.agent.timestamps import WireError
from noonmark.agent.tlv import Tlv

KEY = bytes(range(32))
SENDER = SenderPacket(5, 6, 0x0C64, 7)
REFLECTOR = ReflectorPacket(8, 9, 0x0C64, 7, 10, 5, 6, 0x0C64, 64)


def test_packets_come_back_whatever_follows_them() -> None:
    assert authentication.verify_sender(authentication.sign_sender(SENDER, KEY) + b"more", KEY) == SENDER
    assert authentication.verify_reflector(authentication.sign_reflector(REFLECTOR, KEY), KEY) == REFLECTOR


@given(st.integers(0, 111), st.integers(1, 255))
def test_any_changed_octet_is_noticed(place: int, change: int) -> None:
    for data, verify in (
        (authentication.sign_sender(SENDER, KEY), authentication.verify_sender),
        (authentication.sign_reflector(REFLECTOR, KEY), authentication.verify_reflector),
    ):
        changed = bytearray(data)
        changed[place] ^= change
        with pytest.raises(WireError, match="HMAC"):
            verify(bytes(changed), KEY)  # type: ignore[operator]


def test_another_key_is_noticed() -> None:
    with pytest.raises(WireError, match="HMAC"):
        authentication.verify_sender(authentication.sign_sender(SENDER, KEY), b"another key")


def test_signed_but_corrupt_error_estimate_is_refused() -> None:
    with pytest.raises(WireError, match="multiplier"):
        authentication.verify_sender(authentication.sign_sender(SENDER._replace(error_estimate=0x0C00), KEY), KEY)


@given(st.binary(max_size=200))
def test_any_octets_are_refused(data: bytes) -> None:
    for verify in (authentication.verify_sender, authentication.verify_reflector):
        with pytest.raises(WireError):
            verify(data, KEY)  # type: ignore[operator]
    with pytest.raises(WireError):
        authentication.verify_tlvs(data, 1, KEY)


def test_fields_are_given_back_without_their_hmac() -> None:
    signed = authentication.sign_tlvs(tlv.REQUEST_TLVS, 1, KEY)
    padding = tlv.encode_tlv(Tlv(tlv.UNRECOGNIZED, tlv.EXTRA_PADDING, bytes(3)))
    assert authentication.verify_tlvs(signed + padding, 1, KEY) == tlv.REQUEST_TLVS


def test_fields_of_another_packet_are_refused() -> None:
    with pytest.raises(WireError, match="does not match"):
        authentication.verify_tlvs(authentication.sign_tlvs(tlv.REQUEST_TLVS, 1, KEY), 2, KEY)


def test_fields_behind_the_hmac_are_refused() -> None:
    with pytest.raises(WireError, match="follow"):
        authentication.verify_tlvs(authentication.sign_tlvs(b"", 1, KEY) + tlv.REQUEST_TLVS, 1, KEY)
