"""What an agent costs its host at ten peers: processor time, memory, octets to the collector, time to the first probe.

Run by hand: ``python tests/bench/bench_agent.py [SECONDS]``. Eleven real agents and a real collector on loopback: each
agent probes ten peers once a second, answers ten, reports every 5 s, and is scraped every 15 s as monitoring does. One
of them reports through a relay that counts octets. Compared in the same run: the bare interpreter, and the interpreter
with gRPC loaded, which is what any agent of this kind would start from; and for time, two loops of nothing but send and
receive that move as many datagrams in the same rhythm, without stamps or meaning: on a busy machine most of that is the
price of waking up with cold caches, and so it is for an agent. All eleven share these caches, which one on its own host
would not.
"""

from __future__ import annotations

import contextlib
import os
import socket
import statistics
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from contextlib import ExitStack
from pathlib import Path

AGENTS = 11
COMMAND = [sys.executable, "-m", "noonmark.collector.cli"]
COLLECTOR = "127.0.0.1:18691"
RELAY = ("127.0.0.1", 18692)
SETTLE = 12.0
MOST_KIB = 40 * 1024
MOST_CORE = 0.003
MOST_OCTETS_S = 2000.0
MOST_START = 1.0


def resident_kib(pid: int) -> int:
    """VmRSS."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1])


def processor_seconds(pid: int) -> tuple[float, float]:
    """Processor time so far of the main thread, and of all others, by the scheduler's own account (proc(5))."""
    spent = {path.parent.name: int(path.read_text().split()[0]) / 1e9 for path in threads(pid)}
    main = spent.pop(str(pid))
    return main, sum(spent.values())


def threads(pid: int) -> list[Path]:
    """Their accounts."""
    return list(Path(f"/proc/{pid}/task").glob("*/schedstat"))


BARE_CLIENT = """
import random, socket, sys, time
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.connect(("127.0.91.100", 18620))
while True:
    time.sleep(random.uniform(0.05, 0.15))
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


class Relay:
    """Passes one agent's connection on to the collector, and counts octets."""

    def __init__(self) -> None:
        self.to_collector = self.to_agent = 0
        self._listening = socket.create_server(RELAY)
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            agent, _ = self._listening.accept()
            host, port = COLLECTOR.split(":")
            try:
                collector = socket.create_connection((host, int(port)))
            except OSError:
                agent.close()
                continue
            for source, sink, name in ((agent, collector, "to_collector"), (collector, agent, "to_agent")):
                threading.Thread(target=self._pass_on, args=(source, sink, name), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket, name: str) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                setattr(self, name, getattr(self, name) + len(data))
                sink.sendall(data)
            sink.shutdown(socket.SHUT_WR)


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


def start_agent(stack: ExitStack, number: int, collector: str = COLLECTOR) -> subprocess.Popen[bytes]:
    """One of the fleet."""
    return start(
        stack,
        *COMMAND,
        *("agent", "--host", f"host-{number}", "--collector", collector),
        *("--bind", f"127.0.91.{number}:18620", "--metrics", f"127.0.91.{number}:18622"),
    )


def fleet_of(stack: ExitStack) -> list[subprocess.Popen[bytes]]:
    """A collector and the agents; the first of these through the relay."""
    start(stack, *COMMAND, "collector", "--listen", COLLECTOR, "--http", "off", "--data", "off", "--peers", "10")
    through = ":".join(map(str, RELAY))
    return [start_agent(stack, number, through if number == 1 else COLLECTOR) for number in range(1, AGENTS + 1)]


def scrape(number: int) -> str:
    """One agent's metrics."""
    with urllib.request.urlopen(f"http://127.0.91.{number}:18622/metrics", timeout=5) as answer:
        return str(answer.read().decode())


def wait_for_peers() -> None:
    """Until every agent has all its peers; a busy machine takes its time."""
    for _ in range(120):
        with contextlib.suppress(OSError):
            pages = [scrape(number) for number in range(1, AGENTS + 1)]
            if all(value(page, PEERS.strip()) == AGENTS - 1 for page in pages):
                return
        time.sleep(1.0)


def value(page: str, name: str) -> float:
    """A metric without labels."""
    return float(next(line for line in page.splitlines() if line.startswith(name + " ")).split()[1])


def first_probe(stack: ExitStack, number: int) -> float:
    """Seconds from a process's beginning to its first probe, as its own metrics tell; to within the asking."""
    began = time.monotonic()
    start_agent(stack, number)
    while time.monotonic() - began < 20:
        try:
            if value(scrape(number), "noonmark_agent_probes_sent_total"):
                return time.monotonic() - began
        except (urllib.error.URLError, OSError):
            pass
        time.sleep(0.02)
    return float("inf")


def run(stack: ExitStack, seconds: float) -> None:
    """Measure, and print a table."""
    bare = baseline(stack, "pass")
    with_grpc = baseline(stack, "import asyncio, click, grpc.aio, noonmark.proto.noonmark_pb2_grpc")
    relay = Relay()
    fleet = fleet_of(stack)
    bare_loops = [start(stack, sys.executable, "-c", BARE_SERVER)]
    time.sleep(1.0)
    bare_loops.append(start(stack, sys.executable, "-c", BARE_CLIENT))
    wait_for_peers()
    time.sleep(SETTLE)
    watched = [*fleet, *bare_loops]
    before, octets = [processor_seconds(process.pid) for process in watched], relay.to_collector
    loads, sent = [os.getloadavg()[0]], value(scrape(2), "noonmark_agent_probes_sent_total")
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        pages = [scrape(number) for number in range(1, AGENTS + 1)]
        time.sleep(min(15.0, max(0.0, seconds - (time.monotonic() - began))))
    elapsed = time.monotonic() - began
    after = [processor_seconds(process.pid) for process in watched]
    octets, loads = relay.to_collector - octets, [*loads, os.getloadavg()[0]]
    exchanges = (value(scrape(2), "noonmark_agent_probes_sent_total") - sent) / 2 / elapsed
    shares = [tuple((b - a) / elapsed for a, b in zip(*pair, strict=True)) for pair in zip(before, after, strict=True)]
    cores = [sum(share) for share in shares[:AGENTS]]
    bare_core = sum(map(sum, shares[AGENTS:]))
    memory = [resident_kib(process.pid) for process in fleet]
    again, new = first_probe_again(stack, fleet), first_probe(stack, AGENTS + 1)
    peers = sorted({line.split()[1] for page in pages for line in page.splitlines() if line.startswith(PEERS)})
    middle = statistics.median(cores)
    middle_main = statistics.median(share[0] for share in shares[:AGENTS])
    print(
        f"{AGENTS} agents, {', '.join(peers)} peers each, {exchanges:.1f} exchanges/s asked, over {elapsed:.0f} s; ",
        end="",
    )
    print(f"load average {loads[0]:.1f} to {loads[1]:.1f} on {os.cpu_count()} cores")
    print(f"resident, KiB   bare interpreter {bare}, with gRPC and click {with_grpc}")
    print(f"                agent median {statistics.median(memory):.0f}, most {max(memory)}  (at most {MOST_KIB})")
    print(f"one core, %     agent median {middle:.2%}, most {max(cores):.2%}  (at most {MOST_CORE:.1%})")
    print(f"                of it gRPC's threads {middle - middle_main:.2%}")
    print(
        f"                the same datagrams through bare sockets {bare_core:.2%}: {middle / bare_core:.1f} times that"
    )
    print(f"to the collector, octets/s  {octets / elapsed:.0f}  (at most {MOST_OCTETS_S:.0f})")
    print(f"start to first probe, s  host that comes back {again:.2f}, new one {new:.2f}  (at most {MOST_START})")
    fits = max(memory) <= MOST_KIB and middle <= MOST_CORE and octets / elapsed <= MOST_OCTETS_S and new <= MOST_START
    print("within all" if fits else "NOT within all")


PEERS = "noonmark_agent_peers "


def first_probe_again(stack: ExitStack, fleet: list[subprocess.Popen[bytes]]) -> float:
    """The same for a host that the collector knows: the last of the fleet, started anew."""
    fleet[-1].terminate()
    fleet[-1].wait()
    return first_probe(stack, AGENTS)


def main(seconds: float) -> None:
    """Run, and end what was started."""
    with ExitStack() as stack:
        run(stack, seconds)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
