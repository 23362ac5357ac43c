"""How long it takes a program to learn the reference time: from the mapped record, and by asking the agent.

Run by hand: python tests/bench/bench_time_client.py. The promise is under 50 us a call in-process; each way is told as
a multiple of the record's.
"""

from __future__ import annotations

import asyncio
import socket
import statistics
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

from noonmark.agent.clocks import SystemClock
from noonmark.agent.pages import PageServer
from noonmark.agent.shared_time import SharedTime
from noonmark.proto.control import OwnEstimate
from noonmark.proto.options import HostPort
from noonmark.proto.time_client import ReferenceTime

ROUNDS = 7


def microseconds(call: Callable[[], object], calls: int) -> float:
    """Median over rounds of the mean of so many calls."""
    taken = []
    for _ in range(ROUNDS):
        began = time.perf_counter_ns()
        for _ in range(calls):
            call()
        taken.append((time.perf_counter_ns() - began) / calls / 1e3)
    return statistics.median(taken)


def ask_unix(place: str) -> bytes:
    """One question on the Unix socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.connect(place)
        asking.sendall(b"GET /time HTTP/1.0\r\n\r\n")
        received = b""
        while more := asking.recv(4096):
            received += more
        return received


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        shared = SharedTime(SystemClock(), place / "time")
        shared.take(OwnEstimate("measured", time.time_ns(), 0, 0.0, 400, 1e-9, -20_000, 20_000), "locked")
        ready, ending = threading.Event(), threading.Event()
        server = PageServer(lambda: None, shared.now)  # type: ignore[arg-type,return-value]

        async def serve() -> None:
            await server.start(HostPort("127.0.0.1", 0))
            await server.start_unix(place / "socket")
            ready.set()
            await asyncio.to_thread(ending.wait, 120)
            server.close()

        thread = threading.Thread(target=lambda: asyncio.run(serve()))
        thread.start()
        ready.wait(10)
        url = f"http://127.0.0.1:{server.port}/time"
        with ReferenceTime(place / "time") as clock:
            record = microseconds(clock.now, 20_000)
        unix = microseconds(lambda: ask_unix(str(place / "socket")), 100)
        http = microseconds(lambda: urllib.request.urlopen(url, timeout=5).read(), 50)
        ending.set()
        thread.join()
    print(f"mapped record  {record:8.2f} us a call ({'within' if record < 50 else 'NOT within'} 50 us)")
    print(f"Unix socket    {unix:8.2f} us a call, {unix / record:6.0f} times as long")
    print(f"HTTP           {http:8.2f} us a call, {http / record:6.0f} times as long")


if __name__ == "__main__":
    main()
