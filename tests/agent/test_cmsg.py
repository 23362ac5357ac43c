from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import cmsg

SOFTWARE = struct.pack("=qqqqqq", 1_700_000_000, 123_456_789, 0, 0, 0, 0)
CARD_ONLY = struct.pack("=qqqqqq", 0, 0, 0, 0, 5, 6)
AT = 1_700_000_000_123_456_789


def error(origin: int = 4, info: int = 0, count: int = 12, number: int = 42) -> bytes:
    return struct.pack("=IBBBBII", number, origin, 0, 0, 0, info, count) + bytes(16)


def test_receipt_of_both_families() -> None:
    assert cmsg.receive_details([(1, 37, SOFTWARE), (0, 2, struct.pack("=i", 64))]) == (AT, 64)
    assert cmsg.receive_details([(1, 37, SOFTWARE), (41, 52, struct.pack("=i", 255))]) == (AT, 255)


def test_receipt_by_the_newer_and_the_simpler_option() -> None:
    assert cmsg.receive_details([(1, 65, SOFTWARE)]) == (AT, 0)
    assert cmsg.receive_details([(1, 35, SOFTWARE[:16])]) == (AT, 0)


def test_receipt_on_a_32_bit_kernel() -> None:
    assert cmsg.receive_details([(1, 37, struct.pack("=iiiiii", 1_700_000_000, 5, 0, 0, 0, 0))]) == (
        1_700_000_000_000_000_005,
        0,
    )


def test_receipt_without_any_stamp() -> None:
    assert cmsg.receive_details([]) == (0, 0)


def test_the_cards_own_clock_is_no_stamp_of_ours() -> None:
    assert cmsg.receive_details([(1, 37, CARD_ONLY)]) == (0, 0)
    assert cmsg.transmit_details([(1, 37, CARD_ONLY), (0, 11, error())]) is None


def test_departure_of_both_families_in_any_order() -> None:
    assert cmsg.transmit_details([(1, 37, SOFTWARE), (0, 11, error())]) == (12, AT)
    assert cmsg.transmit_details([(41, 25, error(count=2**32 - 1)), (1, 37, SOFTWARE)]) == (2**32 - 1, AT)


def test_other_news_of_the_error_queue_is_no_departure() -> None:
    assert cmsg.transmit_details([(1, 37, SOFTWARE), (0, 11, error(origin=2, number=111))]) is None  # ICMP
    assert cmsg.transmit_details([(1, 37, SOFTWARE), (0, 11, error(info=1))]) is None  # scheduled, not sent
    assert cmsg.transmit_details([(0, 11, error())]) is None
    assert cmsg.transmit_details([(1, 37, SOFTWARE)]) is None


def test_reply_leaves_from_where_the_request_came_to() -> None:
    local, header = bytes([127, 0, 0, 77]), bytes([127, 0, 0, 99])
    (answer,) = cmsg.reply_source([(0, 8, struct.pack("=i4s4s", 3, local, header))])
    assert answer == (0, 8, struct.pack("=i4s4s", 0, local, bytes(4)))
    packet_info = bytes(15) + b"\x01" + struct.pack("=i", 1)
    assert cmsg.reply_source([(41, 50, packet_info)]) == [(41, 50, packet_info)]
    assert cmsg.reply_source([]) == []


def at(messages: cmsg.AncillaryData) -> tuple[bytes, int, int]:
    """In a buffer, behind something else, as the kernel leaves it: padded to the last."""
    control = cmsg.join(messages)
    return bytes(7 * 8) + control + bytes(200), 56, len(control)


@pytest.mark.parametrize(
    "messages",
    [
        [(1, 37, SOFTWARE), (0, 2, struct.pack("=i", 64))],
        [(1, 37, SOFTWARE), (41, 52, struct.pack("=i", 64))],
        [(0, 2, struct.pack("=i", 64)), (1, 37, SOFTWARE)],
        [(0, 8, bytes(12)), (1, 37, SOFTWARE), (0, 2, struct.pack("=i", 64))],
        [(1, 37, SOFTWARE), (0, 1, struct.pack("=i", 64))],
        [(1, 37, SOFTWARE)],
        [],
    ],
)
def test_receipt_is_read_in_a_buffer_as_it_is_alone(messages: cmsg.AncillaryData) -> None:
    assert cmsg.receive_details_at(*at(messages)) == cmsg.receive_details(messages)


@pytest.mark.parametrize(
    "messages",
    [
        [(1, 37, SOFTWARE), (0, 11, error())],
        [(1, 37, SOFTWARE), (41, 25, error() + bytes(12))],
        [(41, 25, error(count=2**32 - 1)), (1, 37, SOFTWARE)],
        [(1, 37, SOFTWARE), (0, 11, error(origin=2))],
        [(1, 37, SOFTWARE), (0, 11, error(info=1))],
        [(1, 37, CARD_ONLY), (0, 11, error())],
        [(0, 11, error())],
        [],
    ],
)
def test_departure_is_read_in_a_buffer_as_it_is_alone(messages: cmsg.AncillaryData) -> None:
    assert cmsg.transmit_details_at(*at(messages)) == cmsg.transmit_details(messages)


kinds = st.sampled_from([(1, 37), (1, 65), (1, 35), (0, 2), (0, 8), (0, 11), (41, 25), (41, 50), (41, 52), (9, 9)])
ancillary_data = st.lists(st.tuples(kinds, st.binary(max_size=70)), max_size=4).map(
    lambda messages: [(level, kind, data) for (level, kind), data in messages]
)


@given(ancillary_data)
def test_joined_data_is_split_again(messages: cmsg.AncillaryData) -> None:
    assert cmsg.split(cmsg.join(messages)) == messages


@given(st.binary(max_size=200))
def test_any_octets_are_split(control: bytes) -> None:
    assert sum(len(data) for _, _, data in cmsg.split(control)) <= len(control)


@given(st.binary(max_size=120))
def test_any_buffer_is_read(control: bytes) -> None:
    cmsg.receive_details_at(control + bytes(200), 0, len(control))
    cmsg.transmit_details_at(control + bytes(200), 0, len(control))


@given(ancillary_data)
def test_any_ancillary_data_is_read(messages: cmsg.AncillaryData) -> None:
    cmsg.receive_details(messages)
    cmsg.transmit_details(messages)
    cmsg.reply_source(messages)
    assert cmsg.receive_details_at(*at(messages)) == cmsg.receive_details(messages)
    assert cmsg.transmit_details_at(*at(messages)) == cmsg.transmit_details(messages)
