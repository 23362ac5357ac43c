from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import tlv
from noonmark.agent.reflector import Reflector, ReflectorSettings, Token
from noonmark.agent.stamp import SenderPacket, decode_reflector, encode_sender, is_request
from noonmark.agent.timestamps import encode_ntp
from noonmark.proto.records import StampSource

T2, T3 = 1_700_000_000_000_200_000, 1_700_000_000_000_250_000
EXACT = T3 + 30_000
ESTIMATE = 0x0C64
ADDRESS = ("127.0.5.1", 8620)
SECOND = 1_000_000_000


def reflector(**settings: float) -> Reflector:
    made = Reflector(ReflectorSettings(**settings))  # type: ignore[arg-type]
    made.set_clock(epoch=77, error_estimate=ESTIMATE)
    return made


def request(sequence: int = 0, session_id: int = 9, behind: bytes = tlv.REQUEST_TLVS) -> bytes:
    return encode_sender(SenderPacket(sequence, 12345, 0x8C64, session_id)) + behind


def ask(made: Reflector, data: bytes, address: tuple[str, int] = ADDRESS, now: int = 0) -> tuple[bytes, Token] | None:
    return made.receive_request(data, address, T2, StampSource.KERNEL, 64, now, T3)


def answer(made: Reflector, data: bytes, address: tuple[str, int] = ADDRESS, now: int = 0) -> tuple[bytes, Token]:
    got = ask(made, data, address, now)
    assert got is not None
    return got


def test_reply_carries_all_that_a_sender_needs() -> None:
    data, _ = answer(reflector(), request(sequence=5))
    packet = decode_reflector(data)
    assert packet.sequence == 0
    assert (packet.timestamp, packet.receive_timestamp) == (encode_ntp(T3), encode_ntp(T2))
    assert packet.error_estimate == ESTIMATE
    assert packet.session_id == 9
    assert (packet.sender_sequence, packet.sender_timestamp, packet.sender_error_estimate) == (5, 12345, 0x8C64)
    assert packet.sender_hop_limit == 64
    told = tlv.read_telemetry(data[44:])
    assert told.follow_up == tlv.FollowUp(0, 0, 0)
    assert told.clock_epoch == tlv.ClockEpoch(77, StampSource.KERNEL, StampSource.USER)


def test_replies_are_counted_in_each_session_alone() -> None:
    made = reflector()
    sessions = [(ADDRESS, 9), (ADDRESS, 10), (("127.0.5.1", 8621), 9), (("127.0.5.2", 8620), 9)]
    for address, session_id in sessions:
        for expected in range(3):
            data, _ = answer(made, request(session_id=session_id), address)
            assert decode_reflector(data).sequence == expected
    assert made.statistics(now=0).sessions == 4


def test_exact_departure_is_told_in_the_next_reply() -> None:
    made = reflector()
    _, token = answer(made, request(0))
    made.transmitted(token, EXACT)
    data, _ = answer(made, request(1))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp(0, encode_ntp(EXACT), tlv.METHOD_LOCAL)


def test_a_card_makes_a_told_departure_more_exact_unless_a_later_one_was_told() -> None:
    made = reflector()
    _, first = answer(made, request(0))
    made.refine(first, EXACT + 5, StampSource.HARDWARE)
    data, second = answer(made, request(1))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp(), "nothing was told yet"
    made.transmitted(second, EXACT)
    made.refine(first, EXACT + 5, StampSource.HARDWARE)
    data, _ = answer(made, request(2))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp(1, encode_ntp(EXACT), tlv.METHOD_LOCAL)
    for source, method in ((StampSource.KERNEL, tlv.METHOD_LOCAL), (StampSource.HARDWARE, tlv.METHOD_HARDWARE)):
        made.refine(second, EXACT + 5, source)
        data, _ = answer(made, request(3))
        assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp(1, encode_ntp(EXACT + 5), method)
    made.set_clock(epoch=78, error_estimate=ESTIMATE)
    made.refine(second, EXACT + 9, StampSource.HARDWARE)
    data, _ = answer(made, request(4))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp()


def test_departure_from_before_the_reply_is_not_told() -> None:
    made = reflector()
    _, token = answer(made, request(0))
    made.transmitted(token, T3 - 1)
    data, _ = answer(made, request(1))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp()
    assert made.statistics(now=0).unbelievable_transmit_stamps == 1


def test_departure_of_another_clock_epoch_is_not_told() -> None:
    made = reflector()
    _, token = answer(made, request(0))
    made.transmitted(token, EXACT)
    made.set_clock(epoch=78, error_estimate=ESTIMATE)
    data, _ = answer(made, request(1))
    assert tlv.read_telemetry(data[44:]).follow_up == tlv.FollowUp()


@given(st.binary(max_size=150))
def test_reply_is_as_long_as_its_request_whatever_it_is(data: bytes) -> None:
    got = ask(reflector(), data)
    if got is None:
        assert len(data) < 44 or not data[13]
    else:
        assert len(got[0]) == len(data)
        assert not is_request(got[0])


def test_general_way_and_fast_way_agree() -> None:
    general, fast = reflector(), reflector()
    behind = tlv.REQUEST_TLVS + tlv.encode_tlv(tlv.Tlv(tlv.UNRECOGNIZED, tlv.EXTRA_PADDING, b"pad"))
    for sequence in range(3):
        by_general, token = answer(general, request(sequence, behind=behind))
        general.transmitted(token, EXACT)
        by_fast, token = answer(fast, request(sequence))
        fast.transmitted(token, EXACT)
        assert by_general[: len(by_fast)] == by_fast


def test_padding_of_an_older_sender_comes_back() -> None:
    data, _ = answer(reflector(), request(session_id=0, behind=bytes(30)))
    assert data[44:] == bytes(30)
    assert decode_reflector(data).session_id == 0


@pytest.mark.parametrize(("data", "reason"), [(bytes(43), "short"), (b"", "short"), (bytes(44), "malformed")])
def test_unusable_request_gets_no_reply_and_is_counted(data: bytes, reason: str) -> None:
    made = reflector()
    assert ask(made, data) is None
    assert made.statistics(now=0).refused == {reason: 1}


def test_rate_of_one_source_is_limited_over_all_its_ports() -> None:
    made = reflector(packets_per_second=10, burst=20)
    answered = sum(ask(made, request(), ("127.0.5.1", 1024 + n)) is not None for n in range(50))
    assert answered == 20
    assert ask(made, request(), ("127.0.5.2", 1024)) is not None
    assert made.statistics(now=0).refused == {"rate-limited": 30}
    answered = sum(ask(made, request(), now=SECOND) is not None for _ in range(50))
    assert answered == 10


def test_memory_is_bounded_under_a_flood_of_sources() -> None:
    made = reflector(most_sources=50, most_sessions=40)
    for n in range(500):
        ask(made, request(), (f"127.1.{n // 250}.{n % 250 + 1}", 8620))
    statistics = made.statistics(now=0)
    assert statistics.sessions == 40
    assert statistics.reflected == 50
    assert statistics.refused == {"table-full": 450}
    assert ask(made, request(), ("127.2.0.1", 8620), now=SECOND) is not None


def test_session_in_use_outlives_newer_ones() -> None:
    made = reflector(most_sessions=10, most_sources=10_000)
    for n in range(100):
        answer(made, request(), now=n * SECOND)
        answer(made, request(), (f"127.1.0.{n + 1}", 8620), now=n * SECOND)
    data, _ = answer(made, request(), now=100 * SECOND)
    assert decode_reflector(data).sequence == 100


def test_silent_session_is_forgotten() -> None:
    made = reflector()
    answer(made, request())
    assert made.statistics(now=899 * SECOND).sessions == 1
    assert made.statistics(now=901 * SECOND).sessions == 0


def test_any_traffic_leaves_the_reflector_working() -> None:
    made, rng = reflector(), random.Random(8)
    for n in range(2000):
        ask(made, rng.randbytes(rng.randrange(120)), (f"127.1.0.{rng.randrange(1, 250)}", rng.randrange(1, 65536)), n)
    assert answer(made, request(), ("127.9.0.1", 8620), now=10 * SECOND)
