"""What an agent costs its host: resident memory and processor time at 8 peers and 1 exchange a second with each.

Run by hand: ``python tests/bench/bench_agent.py [SECONDS]``. Nine real agents and a real collector on loopback, so each
agent probes eight peers, answers eight, reports every 5 s, and is scraped every 5 s. Compared in the same run: the bare
interpreter, and the interpreter with gRPC loaded, which is what any agent of this kind would start from; and for time,
two loops of nothing but sendto and recvfrom that move as many datagrams in the same rhythm, without stamps or meaning:
on a busy machine most of it is the price of waking up with cold caches.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
import urllib.request
from contextlib import ExitStack
from pathlib import Path

AGENTS = 9
COMMAND = [sys.executable, "-m", "noonmark.collector.cli"]
COLLECTOR = "127.0.0.1:18691"
SETTLE = 12.0
MOST_KIB = 42 * 1024
MOST_CORE = 0.004


def resident_kib(pid: int) -> int:
    """VmRSS."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1])


def processor_seconds(pid: int) -> float:
    """Processor time of all threads so far, by the scheduler's own exact account (proc(5), schedstat)."""
    return sum(int(path.read_text().split()[0]) for path in Path(f"/proc/{pid}/task").glob("*/schedstat")) / 1e9


BARE_CLIENT = """
import random, socket, sys, time
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.connect(("127.0.91.100", 18620))
while True:
    time.sleep(random.uniform(0.06, 0.19))
    for _ in range(2):
        sock.send(bytes(100))
    for _ in range(2):
        sock.recv(200)
"""
BARE_SERVER = """
import socket
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.bind(("127.0.91.100", 18620))
while True:
    data, address = sock.recvfrom(200)
    sock.sendto(data, address)
"""


def start(stack: ExitStack, *arguments: str) -> subprocess.Popen[bytes]:
    """A program that ends with the stack."""
    process = subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    stack.callback(process.wait)
    stack.callback(process.terminate)
    return process


def baseline(stack: ExitStack, code: str) -> int:
    """Resident memory of an interpreter that ran `code`."""
    process = start(stack, sys.executable, "-c", f"{code}\nimport time\ntime.sleep(5)")
    time.sleep(2.0)
    return resident_kib(process.pid)


def agents(stack: ExitStack) -> list[subprocess.Popen[bytes]]:
    """The fleet."""
    collector = ("collector", "--listen", COLLECTOR, "--http", "off", "--data", "off")
    start(stack, *COMMAND, *collector)
    return [
        start(
            stack,
            *COMMAND,
            *("agent", "--host", f"host-{number}", "--collector", COLLECTOR),
            *("--bind", f"127.0.91.{number}:18620", "--metrics", f"127.0.91.{number}:18622"),
        )
        for number in range(1, AGENTS + 1)
    ]


def scrape(number: int) -> str:
    """One agent's metrics."""
    with urllib.request.urlopen(f"http://127.0.91.{number}:18622/metrics", timeout=5) as answer:
        return str(answer.read().decode())


def main(seconds: float) -> None:
    """Measure, and print a table."""
    with ExitStack() as stack:
        bare = baseline(stack, "pass")
        with_grpc = baseline(stack, "import asyncio, click, grpc.aio, noonmark.proto.noonmark_pb2_grpc")
        fleet = agents(stack)
        bare_loops = [start(stack, sys.executable, "-c", BARE_SERVER)]
        time.sleep(1.0)
        bare_loops.append(start(stack, sys.executable, "-c", BARE_CLIENT))
        time.sleep(SETTLE)
        watched = [*fleet, *bare_loops]
        before = [processor_seconds(process.pid) for process in watched]
        started = time.monotonic()
        while time.monotonic() - started < seconds:
            pages = [scrape(number) for number in range(1, AGENTS + 1)]
            time.sleep(5.0)
        elapsed = time.monotonic() - started
        cores = [
            (processor_seconds(process.pid) - first) / elapsed for process, first in zip(watched, before, strict=True)
        ]
        bare_core = sum(cores[AGENTS:])
        cores = cores[:AGENTS]
        memory = [resident_kib(process.pid) for process in fleet]
    peers = {line.split()[1] for page in pages for line in page.splitlines() if line.startswith("noonmark_agent_peers")}
    print(f"{AGENTS} agents, {', '.join(sorted(peers))} peers each, over {elapsed:.0f} s")
    print(f"resident, KiB   bare interpreter {bare}, with gRPC and click {with_grpc}")
    print(f"                agent median {statistics.median(memory):.0f}, most {max(memory)}  (at most {MOST_KIB})")
    middle, most = statistics.median(cores), max(cores)
    print(f"one core, %     agent median {middle:.2%}, most {most:.2%}  (at most {MOST_CORE:.1%})")
    print(f"                the same datagrams through bare sockets {bare_core:.2%}")
    print("within both" if max(memory) <= MOST_KIB and middle <= MOST_CORE else "NOT within both")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 30.0)
