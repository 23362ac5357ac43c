"""Replies per CPU second of the reflector, against an asyncio datagram echo in the same run.

Run by hand: python tests/bench/bench_reflector.py [--seconds 4]

The reflector does all of its work: kernel receive stamps, transmit stamps taken of every reply and told in the next,
sessions, rate limit, clock watch. The echo only sends the datagram back. Each runs in a process of its own, whose CPU
time (user and system) is what counts. 32 senders send two packets each, back to back, as our agents do, and sleep until
all are answered.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import random
import select
import socket
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import cast

from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.mmsg import Batch
from noonmark.agent.reflector import ReflectorSettings
from noonmark.agent.socket_address import encode
from noonmark.agent.stamp import SENDER
from noonmark.agent.timestamps import encode_ntp
from noonmark.agent.tlv import REQUEST_TLVS

SENDERS = 32
TOGETHER = 2
ERROR_ESTIMATE = 0x0C64


class Echo(asyncio.DatagramProtocol):
    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)
        self.replies = 0

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.transport.sendto(data, addr)
        self.replies += 1


async def until_told(pipe: Connection) -> None:
    loop = asyncio.get_running_loop()
    told = asyncio.Event()
    loop.add_reader(pipe.fileno(), told.set)
    await told.wait()
    loop.remove_reader(pipe.fileno())
    pipe.recv()


async def run_echo(pipe: Connection) -> None:
    loop = asyncio.get_running_loop()
    transport, echo = await loop.create_datagram_endpoint(Echo, local_addr=("127.0.0.1", 0))
    pipe.send(transport.get_extra_info("sockname"))
    before = time.process_time()
    await until_told(pipe)
    pipe.send((echo.replies, time.process_time() - before))
    transport.close()


async def run_reflector(pipe: Connection) -> None:
    limits = ReflectorSettings(packets_per_second=1e9, burst=1_000_000)
    endpoint = Endpoint(
        binds=[("127.0.0.1", 0)],
        clock=SystemClock(),
        on_records=lambda records: None,
        on_clock_event=lambda event: None,
        rng=random.Random(1),
        settings=EndpointSettings(reflector=limits),
    )
    await endpoint.start()
    pipe.send(endpoint.addresses[0])
    before = time.process_time()
    await until_told(pipe)
    spent = time.process_time() - before
    statistics = endpoint.statistics()
    assert not statistics.transmit_stamps_given_up
    assert not statistics.reflector.unbelievable_transmit_stamps
    pipe.send((statistics.reflected, spent))
    await endpoint.close()


def serve(run: Callable[[Connection], object], pipe: Connection) -> None:
    asyncio.run(run(pipe))  # type: ignore[arg-type]


def request(sequence: int, session: int) -> bytes:
    return SENDER.pack(sequence & 0xFFFFFFFF, encode_ntp(time.time_ns()), ERROR_ESTIMATE, session) + REQUEST_TLVS


def load(address: tuple[str, int], seconds: float) -> None:
    """Send a lot from every sender, wait for all its answers without using the processor, and so on."""
    sockets = []
    for session in range(1, SENDERS + 1):
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.bind(("127.0.0.1", 0))
        batch = Batch(TOGETHER, 2048, 64)
        for slot in range(TOGETHER):
            batch.put(slot, request(slot, session), encode(address))
        sockets.append((sock, batch))
    incoming = Batch(TOGETHER, 2048, 64)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for sock, batch in sockets:
            batch.send(sock.fileno(), 0, TOGETHER)
        for sock, _ in sockets:
            missing = TOGETHER
            while missing and select.select([sock], [], [], 1)[0]:
                missing -= incoming.receive(sock.fileno())
    for sock, _ in sockets:
        sock.close()


def measure(run: Callable[[Connection], object], seconds: float) -> float:
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serve, args=(run, theirs))
    process.start()
    theirs.close()
    load(ours.recv(), seconds)
    ours.send(None)
    replies, spent = ours.recv()
    process.join()
    return float(replies / spent)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=4.0, help="how long to load each of the two")
    seconds = parser.parse_args().seconds
    reflector = measure(run_reflector, seconds)
    echo = measure(run_echo, seconds)
    print(f"reflector, stamps taken and told:  {reflector:9,.0f} replies per CPU second")
    print(f"asyncio datagram echo, no stamps:  {echo:9,.0f} replies per CPU second")
    print(f"ratio: {reflector / echo:.2f}")


if __name__ == "__main__":
    main()
