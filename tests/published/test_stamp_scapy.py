"""Our STAMP packets read field by field by scapy's own STAMP layer (scapy.contrib.stamp), and scapy's by ours.

scapy names the fields' flags from the least significant bit, against RFC 8972 section 4; so flags are compared as the
whole octet. It takes and gives time stamps as decimal seconds since 1900 or, in PTP's format, as raw 64-bit integers.
"""

from __future__ import annotations

import random
import warnings
from decimal import Decimal
from typing import Any

import pytest

from noonmark.agent import tlv
from noonmark.agent.exchange import Exchange
from noonmark.agent.reflector import Reflector
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import (
    ReflectorPacket,
    SenderPacket,
    decode_reflector,
    decode_sender,
    encode_reflector,
    encode_sender,
)
from noonmark.agent.timestamps import NTP_TO_UNIX_S, SECOND_NS, decode_ntp, encode_ntp
from noonmark.proto.records import Stamp, StampSource

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from scapy.contrib import stamp as scapy_stamp

AT = 1_700_000_000_123_456_789
ADDRESS = ("127.0.8.1", 8620)


def seconds(time_ns: int) -> Decimal:
    return Decimal(time_ns) / SECOND_NS + NTP_TO_UNIX_S


def near(decoded: object, time_ns: int) -> bool:
    """scapy rounds to the nanosecond, from a stamp that we rounded down by less than one of 0.23 ns."""
    return abs(Decimal(str(decoded)) - seconds(time_ns)) <= Decimal("1e-9")


def instants() -> list[int]:
    rng = random.Random(1)
    return [AT, *(rng.randrange(0, 2_085_978_496 * SECOND_NS) for _ in range(50))]


@pytest.mark.parametrize("at", instants())
def test_our_sender_packet_is_read_by_scapy(at: int) -> None:
    theirs = scapy_stamp.STAMPSessionSenderTestUnauthenticated(
        encode_sender(SenderPacket(41, encode_ntp(at), 0x8C64, 0xBEEF)) + tlv.REQUEST_TLVS
    )
    assert theirs.seq == 41
    assert near(theirs.ts, at)
    estimate = theirs.err_estimate
    assert (estimate.S, estimate.Z, estimate.scale, estimate.multiplier) == (1, 0, 12, 100)
    assert theirs.ssid == 0xBEEF
    assert not any(bytes(theirs)[16:44])
    fields = [(int(field.flags), field.type, field.len, field.value) for field in theirs.tlv_objects]
    assert fields == [(0x80, tlv.FOLLOW_UP, 16, bytes(16)), (0x80, tlv.CLOCK_EPOCH, 8, bytes(8))]


@pytest.mark.parametrize("at", instants())
def test_our_reflector_packet_is_read_by_scapy(at: int) -> None:
    ours = ReflectorPacket(7, encode_ntp(at + 250), 0x0505, 0xBEEF, encode_ntp(at + 200), 1, encode_ntp(at), 0x8C64, 63)
    theirs = scapy_stamp.STAMPSessionReflectorTestUnauthenticated(encode_reflector(ours))
    assert (theirs.seq, theirs.ssid, theirs.seq_sender, theirs.ttl_sender) == (7, 0xBEEF, 1, 63)
    assert near(theirs.ts, at + 250)
    assert near(theirs.ts_rx, at + 200)
    assert near(theirs.ts_sender, at)
    estimates = [(e.S, e.Z, e.scale, e.multiplier) for e in (theirs.err_estimate, theirs.err_estimate_sender)]
    assert estimates == [(0, 0, 5, 5), (1, 0, 12, 100)]


@pytest.mark.parametrize("at", instants())
def test_scapys_packets_are_read_by_us(at: int) -> None:
    estimate = scapy_stamp.ErrorEstimate(S=1, scale=12, multiplier=100)
    sender = scapy_stamp.STAMPSessionSenderTestUnauthenticated(
        seq=9, ts=seconds(at), err_estimate=estimate, ssid=0xCAFE, tlv_objects=[]
    )
    packet = decode_sender(bytes(sender))
    assert (packet.sequence, packet.error_estimate, packet.session_id) == (9, 0x8C64, 0xCAFE)
    assert decode_ntp(packet.timestamp, AT) == at
    reflected = scapy_stamp.STAMPSessionReflectorTestUnauthenticated(
        seq=3,
        ts=seconds(at + 250),
        err_estimate=estimate,
        ssid=0xCAFE,
        ts_rx=seconds(at + 200),
        seq_sender=9,
        ts_sender=seconds(at),
        err_estimate_sender=estimate,
        ttl_sender=62,
        tlv_objects=[],
    )
    reply = decode_reflector(bytes(reflected))
    assert (reply.sequence, reply.session_id, reply.sender_sequence, reply.sender_hop_limit) == (3, 0xCAFE, 9, 62)
    assert (reply.error_estimate, reply.sender_error_estimate) == (0x8C64, 0x8C64)
    stamps = (reply.timestamp, reply.receive_timestamp, reply.sender_timestamp)
    assert [decode_ntp(stamp, AT) for stamp in stamps] == [at + 250, at + 200, at]


def scapy_request(sequence: int) -> bytes:
    padding = scapy_stamp.STAMPTestTLV(flags=0x80, type=tlv.EXTRA_PADDING, len=6, value=bytes(6))
    follow_up = scapy_stamp.STAMPTestTLV(flags=0x80, type=tlv.FOLLOW_UP, len=16, value=bytes(16))
    estimate = scapy_stamp.ErrorEstimate(S=1, scale=12, multiplier=100)
    return bytes(
        scapy_stamp.STAMPSessionSenderTestUnauthenticated(
            seq=sequence, ts=seconds(AT), err_estimate=estimate, ssid=5, tlv_objects=[padding, follow_up]
        )
    )


def test_our_reflector_answers_scapys_sender() -> None:
    reflector = Reflector()
    reflector.set_clock(epoch=3, error_estimate=0x0C64)

    def ask(sequence: int) -> tuple[Any, Any]:
        data = scapy_request(sequence)
        got = reflector.receive_request(data, ADDRESS, AT + 200, StampSource.KERNEL, 64, 0, AT + 250)
        assert got is not None
        assert len(got[0]) == len(data)
        return scapy_stamp.STAMPSessionReflectorTestUnauthenticated(got[0]), got[1]

    first, token = ask(20)
    reflector.transmitted(token, AT + 300)
    second, _ = ask(21)
    assert [(reply.seq, reply.seq_sender, reply.ssid) for reply in (first, second)] == [(0, 20, 5), (1, 21, 5)]
    assert near(second.ts_rx, AT + 200)
    padding, follow_up = second.tlv_objects
    assert (int(padding.flags), padding.type, padding.value) == (0, tlv.EXTRA_PADDING, bytes(6))
    assert (int(follow_up.flags), follow_up.type, follow_up.len) == (0, tlv.FOLLOW_UP, 16)
    assert follow_up.value == bytes(4) + encode_ntp(AT + 300).to_bytes(8, "big") + bytes([tlv.METHOD_LOCAL, 0, 0, 0])


def test_our_sender_believes_scapys_reflector() -> None:
    exchange = Exchange(random.Random(1))
    exchange.replace_peers([PeerTarget("quay", *ADDRESS, SECOND_NS)], now=0)
    for number, probe in enumerate(exchange.datagrams_to_send(now=SECOND_NS)):
        data = exchange.depart(probe, AT, now=SECOND_NS, epoch=1, error_estimate=0x8C64)
        asked = scapy_stamp.STAMPSessionSenderTestUnauthenticated(data)
        told = number.to_bytes(4, "big") + encode_ntp(AT + 260).to_bytes(8, "big") + bytes([2, 0, 0, 0])
        asked.tlv_objects[0].flags = 0
        asked.tlv_objects[0].value = told if number else bytes(16)
        reply = scapy_stamp.STAMPSessionReflectorTestUnauthenticated(
            seq=number + 1,
            ts=seconds(AT + 250),
            err_estimate=asked.err_estimate,
            ssid=asked.ssid,
            ts_rx=seconds(AT + 200),
            seq_sender=asked.seq,
            ts_sender=asked.ts,
            err_estimate_sender=asked.err_estimate,
            ttl_sender=64,
            tlv_objects=asked.tlv_objects,
        )
        # scapy rounds the echoed time stamp to a nanosecond; a reflector copies its octets.
        octets = bytearray(bytes(reply))
        octets[28:36] = data[4:12]
        exchange.receive_datagram(bytes(octets), ADDRESS, Stamp(AT + 500, StampSource.KERNEL), now=SECOND_NS)
    counts = exchange.statistics()
    assert (counts.completed, counts.rejected) == (2, {})
    record = exchange.take_records()[0]
    assert (record.t1_ns, record.t2_ns, record.t3_ns, record.t4_ns) == (AT, AT + 200, AT + 260, AT + 500)
    assert record.destination_epoch == 0
