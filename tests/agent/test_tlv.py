from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import tlv
from noonmark.agent.timestamps import WireError
from noonmark.agent.tlv import ClockEpoch, FollowUp, Telemetry, Tlv
from noonmark.proto.records import StampSource

FOLLOW_UP = FollowUp(41, 0xE8FE6F801F9ADD37, tlv.METHOD_LOCAL)
EPOCH = ClockEpoch(99, StampSource.KERNEL, StampSource.USER)

fields = st.builds(Tlv, st.integers(0, 255), st.integers(0, 255), st.binary(max_size=24))


@given(st.lists(fields, max_size=5), st.binary(max_size=3))
def test_fields_come_back_with_what_is_too_short_for_one(tlvs: list[Tlv], rest: bytes) -> None:
    assert tlv.split_tlvs(b"".join(map(tlv.encode_tlv, tlvs)) + rest) == (tlvs, rest)


@given(st.binary(max_size=120))
def test_reflected_block_is_as_long_as_the_request_whatever_it_is(block: bytes) -> None:
    assert len(tlv.reflect_tlvs(block, FOLLOW_UP, EPOCH)) == len(block)


@given(st.lists(fields, max_size=5).map(lambda tlvs: b"".join(map(tlv.encode_tlv, tlvs))))
def test_reflected_fields_are_as_long_as_the_requests(block: bytes) -> None:
    assert len(tlv.reflect_tlvs(block, FOLLOW_UP, EPOCH)) == len(block)


@given(st.binary(max_size=120))
def test_any_block_is_read_or_refused(block: bytes) -> None:
    with contextlib.suppress(WireError):
        tlv.read_telemetry(block)


def test_our_own_request_is_answered_in_full() -> None:
    assert tlv.read_telemetry(tlv.reflect_tlvs(tlv.REQUEST_TLVS, FOLLOW_UP, EPOCH)) == Telemetry(FOLLOW_UP, EPOCH)


def test_request_left_as_it_was_tells_nothing() -> None:
    assert tlv.read_telemetry(tlv.REQUEST_TLVS) == Telemetry(None, None)


def test_unknown_type_keeps_flag_u_and_its_value() -> None:
    location = tlv.encode_tlv(Tlv(tlv.UNRECOGNIZED, 2, bytes(4)))
    assert tlv.reflect_tlvs(location, FOLLOW_UP, EPOCH) == location


def test_padding_is_known_and_copied() -> None:
    block = tlv.encode_tlv(Tlv(tlv.UNRECOGNIZED, tlv.EXTRA_PADDING, b"ferry"))
    assert tlv.reflect_tlvs(block, FOLLOW_UP, EPOCH) == tlv.encode_tlv(Tlv(0, tlv.EXTRA_PADDING, b"ferry"))


def test_known_type_of_wrong_length_gets_flag_m_and_ends_the_work() -> None:
    wrong = tlv.encode_tlv(Tlv(tlv.UNRECOGNIZED, tlv.FOLLOW_UP, bytes(15)))
    reflected = tlv.reflect_tlvs(wrong + tlv.REQUEST_TLVS, FOLLOW_UP, EPOCH)
    assert reflected[0] == tlv.MALFORMED
    assert reflected[len(wrong) :] == tlv.REQUEST_TLVS


def test_field_that_runs_over_the_end_gets_flag_m() -> None:
    overrun = tlv.HEADER.pack(tlv.UNRECOGNIZED, tlv.FOLLOW_UP, 17) + bytes(16)
    assert tlv.reflect_tlvs(overrun, FOLLOW_UP, EPOCH) == bytes([tlv.MALFORMED]) + overrun[1:]
    unknown = tlv.HEADER.pack(tlv.UNRECOGNIZED, 200, 17) + bytes(16)
    assert tlv.reflect_tlvs(unknown, FOLLOW_UP, EPOCH) == bytes([tlv.UNRECOGNIZED | tlv.MALFORMED]) + unknown[1:]


@pytest.mark.parametrize("padding", [bytes(40), b"\xff" * 40, b"plain padding of an older sender"])
def test_plain_padding_is_copied_as_it_is(padding: bytes) -> None:
    assert tlv.reflect_tlvs(padding, FOLLOW_UP, EPOCH) == padding


def test_reply_with_failed_integrity_tells_nothing() -> None:
    block = tlv.reflect_tlvs(tlv.REQUEST_TLVS, FOLLOW_UP, EPOCH)
    failed = tlv.encode_tlv(Tlv(tlv.INTEGRITY_FAILED, tlv.HMAC, bytes(16)))
    assert tlv.read_telemetry(block + failed) == Telemetry(None, None)


def test_reply_is_read_up_to_a_malformed_field() -> None:
    block = tlv.reflect_tlvs(tlv.REQUEST_TLVS, FOLLOW_UP, EPOCH)
    malformed = tlv.encode_tlv(Tlv(tlv.MALFORMED, tlv.EXTRA_PADDING, b""))
    assert tlv.read_telemetry(block[:20] + malformed + block[20:]) == Telemetry(FOLLOW_UP, None)


def test_reply_with_an_unknown_way_of_stamping_is_refused() -> None:
    block = tlv.encode_tlv(Tlv(0, tlv.CLOCK_EPOCH, tlv.CLOCK_EPOCH_VALUE.pack(1, 3, 2)))
    with pytest.raises(WireError, match="clock epoch"):
        tlv.read_telemetry(block)


def test_reply_with_a_short_follow_up_is_refused() -> None:
    with pytest.raises(WireError, match="15 octets"):
        tlv.read_telemetry(tlv.encode_tlv(Tlv(0, tlv.FOLLOW_UP, bytes(15))))


@given(st.binary(min_size=32, max_size=32), st.integers(0, 31), st.integers(0, 255))
def test_one_stroke_and_field_by_field_agree(block: bytes, place: int, value: int) -> None:
    """The same block with an empty field of padding before it is read field by field."""
    answer = bytearray(tlv.reflect_tlvs(tlv.REQUEST_TLVS, FOLLOW_UP, EPOCH))
    answer[place] = value
    padding = tlv.encode_tlv(Tlv(0, tlv.EXTRA_PADDING, b""))
    for candidate in (block, bytes(answer)):
        results: list[object] = []
        for form in (candidate, padding + candidate):
            try:
                results.append(tlv.read_telemetry(form))
            except WireError as error:
                results.append(str(error))
        assert results[0] == results[1]
