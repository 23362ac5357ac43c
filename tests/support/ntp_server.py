"""An NTP server of the tests' own on loopback, whose answers a test may bend."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from noonmark.agent.ntp_packet import NtpPacket, decode, encode, to_short
from noonmark.agent.timestamps import encode_ntp

Bend = Callable[[NtpPacket], NtpPacket]


def answer(request: NtpPacket, receive_ns: int, transmit_ns: int, *, root_delay_ns: int = 2_000_000) -> NtpPacket:
    """An honest primary server's answer, by a clock that read these."""
    return NtpPacket(
        leap=0,
        mode=4,
        stratum=1,
        poll=6,
        precision=-20,
        root_delay=to_short(root_delay_ns),
        root_dispersion=to_short(500_000),
        reference_id=b"GNSS",
        reference=encode_ntp(receive_ns - 3_000_000_000),
        origin=request.transmit,
        receive=encode_ntp(receive_ns),
        transmit=encode_ntp(transmit_ns),
    )


class NtpServer(asyncio.DatagramProtocol):
    """Answers as `bend` changes the honest answer; `offset_ns` is its clock's error."""

    def __init__(self, offset_ns: int = 0, bend: Bend = lambda packet: packet) -> None:
        self.offset_ns, self.bend = offset_ns, bend
        self.requests: list[NtpPacket] = []
        self.replies: list[bytes] = []
        self.silent = False
        self.port = 0

    async def start(self, host: str = "127.0.0.1") -> NtpServer:
        loop = asyncio.get_running_loop()
        self.transport, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=(host, 0))
        self.port = self.transport.get_extra_info("sockname")[1]
        return self

    def datagram_received(self, data: bytes, addr: object) -> None:
        received_ns = time.time_ns() + self.offset_ns
        request = decode(data)
        self.requests.append(request)
        if not self.silent:
            reply = encode(self.bend(answer(request, received_ns, time.time_ns() + self.offset_ns)))
            self.replies.append(reply)
            self.transport.sendto(reply, addr)

    def close(self) -> None:
        self.transport.close()
