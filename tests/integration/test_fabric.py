"""The fabric does to packets what its laws say: otherwise no fault that it plays means anything."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys

import pytest
from fabric import Network, fabric
from namespaces import Namespace

pytestmark = [pytest.mark.namespaces, pytest.mark.processes]
ECHO = """
import socket, sys
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind((sys.argv[1], 9000))
print("up", flush=True)
while True:
    data, whence = s.recvfrom(2000)
    s.sendto(data, whence)
"""
ASK = """
import json, select, socket, sys, time
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind((sys.argv[1], 0)); s.settimeout(0.4)
heard = []
for n in range(int(sys.argv[3])):
    s.sendto(b"%06d" % n, (sys.argv[2], 9000)); time.sleep(0.001)
    while select.select([s], [], [], 0)[0]:  # else the socket's buffer would lose them
        heard.append(int(s.recv(2000)))
try:
    while True:
        heard.append(int(s.recv(2000)))
except TimeoutError:
    print(json.dumps(heard))
"""


def ask(network: Network, count: int) -> list[int]:
    """Numbers sent from host 0 to host 1 and back, in the order in which they came back."""
    first, second = network.hosts[0], network.hosts[1]
    echo = subprocess.Popen(python(second, ECHO, second.address), stdout=subprocess.PIPE)
    try:
        assert echo.stdout is not None
        assert echo.stdout.readline() == b"up\n"
        told = subprocess.run(
            python(first, ASK, first.address, second.address, str(count)), capture_output=True, check=True, timeout=60
        )
    finally:
        echo.kill()
        echo.wait(10)
        if echo.stdout is not None:
            echo.stdout.close()
    heard: list[int] = json.loads(told.stdout)
    return heard


def python(host: Namespace, code: str, *arguments: str) -> list[str]:
    return host.command(sys.executable, "-I", "-S", "-c", code, *arguments)


def test_packets_fare_as_their_laws_say() -> None:
    with fabric(2) as network:
        there, back = network.law(0, 1), network.law(1, 0)
        there.delay, back.delay = 0.020, 0.005
        assert ask(network, 50) == list(range(50)), "in order, each once"
        ways: dict[int, list[float]] = {0: [], 1: []}
        for packet in network.log:
            assert packet.delivered_ns is not None
            ways[packet.source].append((packet.delivered_ns - packet.taken_ns) / 1e9)
        # Never early; late by this process's own waiting, which is logged too.
        assert min(ways[0]) >= 0.020
        assert min(ways[1]) >= 0.005
        assert statistics.median(ways[0]) - statistics.median(ways[1]) == pytest.approx(0.015, abs=0.005)

        network.every(delay=0.001)
        there.loss = 0.3
        heard = ask(network, 300)
        # Four standard deviations of a binomial count.
        assert 210 - 32 < len(heard) < 210 + 32
        there.loss, there.duplicates, back.reordered = 0.0, 0.2, 0.2
        heard = ask(network, 300)
        assert 360 - 28 < len(heard) < 360 + 28
        assert set(heard) == set(range(300))
        assert heard != sorted(heard), "some came after their successors"
        network.cut({0})
        assert ask(network, 5) == []
        network.cut({0}, cut=False)
        there.duplicates = back.reordered = 0.0
        assert ask(network, 5) == list(range(5))
        assert set(network.fates) == {"delivered", "duplicate", "lost", "cut"}
