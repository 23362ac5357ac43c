"""Resident memory and CPU of the probing core alone: one endpoint, 8 peers, one exchange a second with each, both ways.

Run by hand: python tests/bench/bench_probing.py [--seconds 30] [--peers 8]

The measured process holds nothing but an interpreter and the endpoint; all its peers live in another process and
probe it as often as it probes them. For comparison the same number of datagrams goes through asyncio's datagram
endpoint, which only sends and echoes, with neither stamps nor records.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import random
import re
import time
from collections.abc import Callable, Coroutine
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, cast

from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint
from noonmark.agent.schedule import PeerTarget

SECOND_NS = 1_000_000_000
PORT = 8629
MEASURED = "127.0.12.1"


def peer_address(number: int) -> str:
    return f"127.0.12.{number + 2}"


def make_endpoint(host: str, record_count: list[int]) -> Endpoint:
    def count(records: object) -> None:
        record_count[0] += len(cast(list[object], records))

    return Endpoint(
        binds=[(host, PORT)],
        clock=SystemClock(),
        on_records=count,
        on_clock_event=lambda event: None,
        rng=random.Random(host),
    )


def resident_mb() -> float:
    found = re.search(r"VmRSS:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found
    return int(found[1]) / 1024


async def told(pipe: Connection) -> None:
    asked = asyncio.Event()
    asyncio.get_running_loop().add_reader(pipe.fileno(), asked.set)
    await asked.wait()


async def run_measured(pipe: Connection, peers: int, seconds: float) -> None:
    count = [0]
    endpoint = make_endpoint(MEASURED, count)
    await endpoint.start()
    endpoint.replace_peers([PeerTarget(f"peer-{n}", peer_address(n), PORT, SECOND_NS) for n in range(peers)])
    await asyncio.sleep(2)
    before, start, records = time.process_time(), time.monotonic(), count[0]
    await asyncio.sleep(seconds)
    share = (time.process_time() - before) / (time.monotonic() - start)
    pipe.send((share, resident_mb(), (count[0] - records) / seconds))
    await endpoint.close()


async def run_peers(pipe: Connection, peers: int, seconds: float) -> None:
    endpoints = [make_endpoint(peer_address(n), [0]) for n in range(peers)]
    for endpoint in endpoints:
        await endpoint.start()
        endpoint.replace_peers([PeerTarget("measured", MEASURED, PORT, SECOND_NS)])
    pipe.send("ready")
    await told(pipe)
    for endpoint in endpoints:
        await endpoint.close()


class Plain(asyncio.DatagramProtocol):
    """Echoes what is marked as a question."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        if data[0]:
            self.transport.sendto(bytes(len(data)), addr)


async def plain(host: str, others: list[str], pipe: Connection | None, seconds: float) -> None:
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Plain, local_addr=(host, PORT))
    rng = random.Random(host)
    before, start = time.process_time(), time.monotonic()

    async def ask(other: str) -> None:
        while time.monotonic() - start < seconds:
            await asyncio.sleep(rng.uniform(0.75, 1.25))
            transport.sendto(b"\1" * 76, (other, PORT))
            transport.sendto(b"\1" * 76, (other, PORT))

    await asyncio.gather(*map(ask, others))
    if pipe is not None:
        pipe.send(((time.process_time() - before) / (time.monotonic() - start), resident_mb(), 0.0))
    transport.close()


async def run_plain(pipe: Connection, peers: int, seconds: float) -> None:
    await plain(MEASURED, [peer_address(n) for n in range(peers)], pipe, seconds)


async def run_plain_peers(pipe: Connection, peers: int, seconds: float) -> None:
    pipe.send("ready")
    await asyncio.gather(*(plain(peer_address(n), [MEASURED], None, seconds) for n in range(peers)))
    await told(pipe)


Run = Callable[[Connection, int, float], Coroutine[Any, Any, None]]


def serve(run: Run, pipe: Connection, peers: int, seconds: float) -> None:
    asyncio.run(run(pipe, peers, seconds))


def measure(measured: Run, around: Run, peers: int, seconds: float) -> tuple[float, float, float]:
    context = multiprocessing.get_context("spawn")  # a fresh interpreter: nothing of this one is counted
    ends, processes = [], []
    for run in (around, measured):
        ours, theirs = context.Pipe()
        process = context.Process(target=serve, args=(run, theirs, peers, seconds))
        process.start()
        theirs.close()
        ends.append(ours)
        processes.append(process)
        if run is around:
            ours.recv()
    result = ends[1].recv()
    ends[0].send("done")
    for process in processes:
        process.join()
    return cast(tuple[float, float, float], result)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30.0, help="how long each of the two runs")
    parser.add_argument("--peers", type=int, default=8)
    arguments = parser.parse_args()
    ours = measure(run_measured, run_peers, arguments.peers, arguments.seconds)
    other = measure(run_plain, run_plain_peers, arguments.peers, arguments.seconds)
    print(f"probing core:            {ours[0]:8.3%} of a core {ours[1]:7.1f} MB  {ours[2]:6.1f} records/s")
    print(f"asyncio, datagrams only: {other[0]:8.3%} of a core {other[1]:7.1f} MB")
    print(f"ratio of CPU: {ours[0] / other[0]:.2f}")


if __name__ == "__main__":
    main()
