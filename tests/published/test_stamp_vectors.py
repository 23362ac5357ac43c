"""STAMP packets octet by octet against RFC 8762, RFC 8972, RFC 4656 and RFC 4868.

The layouts are those of the RFCs' figures; the octets below were put together by hand from them for one instant,
2023-11-14T22:13:20.123456789Z, apart from this program's code. RFC 4868's vectors are quoted from its section 2.7.2.1.
"""

from __future__ import annotations

import pytest

from noonmark.agent import authentication, tlv
from noonmark.agent.stamp import (
    ReflectorPacket,
    SenderPacket,
    decode_reflector,
    decode_sender,
    encode_reflector,
    encode_sender,
)
from noonmark.agent.timestamps import (
    decode_error_estimate,
    decode_ntp,
    decode_ptp,
    encode_error_estimate,
    encode_ntp,
    encode_ptp,
)

AT = 1_700_000_000_123_456_789
KEY = bytes(range(1, 33))
SENDER = SenderPacket(1, encode_ntp(AT), 0x8C64, 0)
SENDER_OCTETS = bytes.fromhex("00000001e8fe6f801f9add378c64") + bytes(30)
REFLECTOR = ReflectorPacket(
    7, encode_ntp(AT + 250_000), 0x8C64, 0xBEEF, encode_ntp(AT + 200_000), 1, encode_ntp(AT), 0x8C64, 64
)
REFLECTOR_OCTETS = bytes.fromhex(
    "00000007e8fe6f801fab3f858c64beefe8fe6f801fa7f8a800000001e8fe6f801f9add378c64000040000000"
)


def test_ntp_time_stamp() -> None:
    assert encode_ntp(AT) == 0xE8FE6F801F9ADD37
    assert decode_ntp(0xE8FE6F801F9ADD37, AT) == AT


def test_truncated_ptp_time_stamp_counts_atomic_seconds() -> None:
    assert encode_ptp(AT) == 0x6553F125075BCD15
    assert decode_ptp(0x6553F125075BCD15, AT) == AT


def test_sender_packet() -> None:
    assert encode_sender(SENDER) == SENDER_OCTETS
    assert decode_sender(SENDER_OCTETS) == SENDER


def test_reflector_packet() -> None:
    assert encode_reflector(REFLECTOR) == REFLECTOR_OCTETS
    assert decode_reflector(REFLECTOR_OCTETS) == REFLECTOR


def test_authenticated_sender_packet() -> None:
    data = authentication.sign_sender(SENDER, KEY)
    assert len(data) == 112
    assert data[:16] == bytes.fromhex("00000001") + bytes(12)
    assert data[16:26] == bytes.fromhex("e8fe6f801f9add378c64")
    assert data[26:96] == bytes(70)
    assert data[96:].hex() == "d475921ebd01a63ea7cf231a05caf5f6"
    assert authentication.verify_sender(data, KEY) == SENDER


def test_authenticated_reflector_packet() -> None:
    data = authentication.sign_reflector(REFLECTOR, KEY)
    assert len(data) == 112
    expected = {0: "00000007", 16: "e8fe6f801fab3f858c64beef", 32: "e8fe6f801fa7f8a8", 48: "00000001"}
    expected |= {64: "e8fe6f801f9add378c64", 80: "40"}
    rest = bytearray(data[:96])
    for place, octets in expected.items():
        field = bytes.fromhex(octets)
        assert data[place : place + len(field)] == field
        rest[place : place + len(field)] = bytes(len(field))
    assert rest == bytes(96)
    assert authentication.verify_reflector(data, KEY) == REFLECTOR


def test_hmac_field_covers_the_sequence_number_and_the_fields_before_it() -> None:
    fields = bytes.fromhex("8003000400000000" + "80070010") + bytes(16)
    signed = authentication.sign_tlvs(fields, 1, KEY)
    assert signed == fields + bytes.fromhex("80080010616e7132f804063351bf7679161a028d")
    assert authentication.verify_tlvs(signed, 1, KEY) == fields


@pytest.mark.parametrize(
    ("key", "text", "digest"),
    [
        (b"\x0b" * 32, b"Hi There", "198a607eb44bfbc69903a0f1cf2bbdc5"),
        (b"Jefe" * 8, b"what do ya want for nothing?", "167f928588c5cc2eef8e3093caa0e87c"),
        (b"\xaa" * 32, b"\xdd" * 50, "cdcb1220d1ecccea91e53aba3092f962"),
        (bytes(range(1, 33)), b"\xcd" * 50, "372efcf9b40b35c2115b1346903d2ef4"),
    ],
)
def test_hmac_of_rfc_4868(key: bytes, text: bytes, digest: str) -> None:
    assert authentication.truncated_hmac(key, text).hex() == digest


@pytest.mark.parametrize(
    ("error_ns", "scale", "multiplier"),
    [(1, 0, 5), (1_000, 5, 135), (100_000, 11, 210), (10**6, 15, 132), (10**9, 25, 128), (16 * 10**9, 29, 128)],
)
def test_error_estimate_of_rfc_4656(error_ns: int, scale: int, multiplier: int) -> None:
    """Multiplier * 2^-32 * 2^Scale seconds (section 4.1.2), the least that is not below."""
    decoded = decode_error_estimate(encode_error_estimate(error_ns, synchronized=True))
    assert (decoded.synchronized, decoded.ptp, decoded.scale, decoded.multiplier) == (True, False, scale, multiplier)


def test_flags_of_a_field_lie_as_rfc_8972_draws_them() -> None:
    """Section 4: U is the first, most significant bit; a sender sets it alone."""
    assert tlv.REQUEST_TLVS[0] == 0x80
    assert (tlv.UNRECOGNIZED, tlv.MALFORMED, tlv.INTEGRITY_FAILED) == (0x80, 0x40, 0x20)
    assert 240 <= tlv.CLOCK_EPOCH <= 251, "section 5.1: for experiments"
