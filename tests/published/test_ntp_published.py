"""NTP packets field by field against scapy's NTP layer; a server of our own as ntplib reads it; RFC 5905's arithmetic.

scapy and ntplib are independent implementations; the worked exchanges are RFC 5905 section 8's formulas by hand.
"""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import ntplib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ntp_server import NtpServer
from scapy.layers.ntp import NTPHeader

from noonmark.agent.ntp_association import Association
from noonmark.agent.ntp_packet import NtpPacket, decode, encode, short_ns
from noonmark.agent.timestamps import decode_ntp, encode_ntp
from noonmark.proto.records import StampSource

SECOND_NS = 1_000_000_000
BASE_NS = 1_795_589_703 * SECOND_NS

octet = st.integers(0, 255)
signed = st.integers(-128, 127)
word = st.integers(0, 0xFFFF_FFFF)
stamp = st.integers(0, 0xFFFF_FFFF_FFFF_FFFF)
packets = st.builds(
    NtpPacket,
    leap=st.integers(0, 3),
    version=st.integers(1, 4),
    mode=st.sampled_from([1, 2, 3, 4, 5]),
    stratum=octet,
    poll=signed,
    precision=signed,
    root_delay=word,
    root_dispersion=word,
    reference_id=st.binary(min_size=4, max_size=4),
    reference=stamp,
    origin=stamp,
    receive=stamp,
    transmit=stamp,
)


@given(packets)
def test_every_field_is_where_scapy_finds_it(packet: NtpPacket) -> None:
    theirs = NTPHeader(encode(packet))
    assert (theirs.leap, theirs.version, theirs.mode) == packet[:3]
    assert (theirs.stratum, theirs.poll & 0xFF, theirs.precision & 0xFF) == (
        packet.stratum,
        packet.poll & 0xFF,
        packet.precision & 0xFF,
    )
    # scapy shows them to four decimal places.
    assert float(theirs.delay) == pytest.approx(packet.root_delay / 65_536, abs=1e-4)
    assert float(theirs.dispersion) == pytest.approx(packet.root_dispersion / 65_536, abs=1e-4)
    assert bytes(theirs)[12:16] == packet.reference_id
    raw = bytes(theirs)
    for place, ours in ((16, packet.reference), (24, packet.origin), (32, packet.receive), (40, packet.transmit)):
        assert int.from_bytes(raw[place : place + 8], "big") == ours


@given(packets)
def test_a_packet_survives_the_wire(packet: NtpPacket) -> None:
    assert decode(encode(packet)) == packet


def test_first_octets_of_client_and_server() -> None:
    """RFC 5905 figure 8: version 4 makes 0x23 in mode 3, and 0x24 in mode 4."""
    assert encode(NtpPacket())[0] == 0x23
    assert encode(NtpPacket(mode=4))[0] == 0x24
    assert len(encode(NtpPacket())) == 48


@contextmanager
def serving(server: NtpServer) -> Iterator[int]:
    """Run a server in a thread of its own, for a client that blocks."""
    ready, stop = threading.Event(), threading.Event()

    async def body() -> None:
        await server.start()
        ready.set()
        while not stop.is_set():
            await asyncio.sleep(0.01)
        server.close()

    thread = threading.Thread(target=lambda: asyncio.run(body()))
    thread.start()
    try:
        assert ready.wait(10)
        yield server.port
    finally:
        stop.set()
        thread.join(10)


@pytest.mark.sockets
def test_the_same_reply_reads_the_same_in_ntplib() -> None:
    server = NtpServer(offset_ns=-1_250_000_000)
    with serving(server) as port:
        theirs = ntplib.NTPClient().request("127.0.0.1", port=port, version=4, timeout=10)
    ours = decode(server.replies[0])
    assert (ours.leap, ours.version, ours.mode, ours.stratum) == (
        theirs.leap,
        theirs.version,
        theirs.mode,
        theirs.stratum,
    )
    assert (ours.poll, ours.precision) == (theirs.poll, theirs.precision)
    assert ours.root_delay / 65_536 == pytest.approx(theirs.root_delay)
    assert ours.root_dispersion / 65_536 == pytest.approx(theirs.root_dispersion)
    assert int.from_bytes(ours.reference_id, "big") == theirs.ref_id
    pivot = BASE_NS
    for mine, other in (
        (ours.receive, theirs.recv_time),
        (ours.transmit, theirs.tx_time),
        (ours.reference, theirs.ref_time),
    ):
        assert decode_ntp(mine, pivot) / 1e9 == pytest.approx(other, abs=1e-6)
    # The same four time stamps give the same offset and delay, with the sign turned.
    client = Association("ntp:127.0.0.1", random.Random(1))
    t1_ns, t4_ns = round(theirs.orig_time * 1e9), round(theirs.dest_time * 1e9)
    request = client.request(t1_ns, now=client.next_ns(now=0), epoch=1)
    assert request is not None
    reply = encode(ours._replace(origin=client.nonce))
    found = client.receive(reply, t4_ns, StampSource.USER, now=9, epoch=1)
    assert found is not None
    assert -found.offset_ns / 1e9 == pytest.approx(theirs.offset, abs=2e-6)
    assert found.record.round_trip_ns / 1e9 == pytest.approx(theirs.delay, abs=2e-6)


@pytest.mark.parametrize(
    ("stamps_ms", "theta_ms", "delta_ms"),
    [
        ((100_000, 105_020, 105_030, 100_040), 5_005, 30),  # RFC 5905 section 8, worked by hand
        ((0, 7, 8, 9), 3, 8),  # truly +5 ms; 2 ms there, 6 ms back: off by (2 - 6) / 2
    ],
)
def test_offset_and_delay_by_the_standards_formulas(
    stamps_ms: tuple[int, int, int, int], theta_ms: int, delta_ms: int
) -> None:
    t1, t2, t3, t4 = (BASE_NS + at * 1_000_000 for at in stamps_ms)
    client = Association("ntp:a", random.Random(1))
    now = client.next_ns(now=0)
    assert client.request(t1, now=now, epoch=1) is not None
    reply = NtpPacket(
        mode=4,
        stratum=2,
        precision=-24,
        origin=client.nonce,
        reference=encode_ntp(t2),
        receive=encode_ntp(t2),
        transmit=encode_ntp(t3),
    )
    found = client.receive(encode(reply), t4, StampSource.USER, now=now, epoch=1)
    assert found is not None
    assert -found.offset_ns == pytest.approx(theta_ms * 1_000_000, abs=2)
    assert found.delay_ns == pytest.approx(delta_ms * 1_000_000, abs=2)


def test_short_format() -> None:
    """RFC 5905 section 6: 16.16 seconds, a step of 15.26 us."""
    assert short_ns(1) == 15_259
    assert short_ns(1 << 16) == SECOND_NS


def test_the_second_era() -> None:
    """RFC 5905 figure 4: 2036-02-08 is second 63 104 of era 1."""
    posix_s = 2_086_041_600  # 2036-02-08T00:00:00Z
    assert encode_ntp(posix_s * SECOND_NS) >> 32 == 63_104
    assert decode_ntp(63_104 << 32, posix_s * SECOND_NS + 5) == posix_s * SECOND_NS
