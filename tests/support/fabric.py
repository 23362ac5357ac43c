"""A network whose faults are known: namespaces joined by a program that forwards each packet by a law of its own.

Every host has a namespace with one TUN device; what it sends is read here, and written to its addressee's device when
its law says: late, twice, out of order, or never. Every packet's real transit is logged, so what a path did is known.
Needs root, `ip` and /dev/net/tun. The addresses live only inside the namespaces, which have no other way
out; whatever happens, all is removed.

    with fabric(3) as network:
        network.law(0, 1).loss = 0.3
        process = subprocess.Popen(network.hosts[0].command("python", "-c", "..."))
"""

from __future__ import annotations

import contextlib
import fcntl
import heapq
import os
import random
import secrets
import select
import struct
import subprocess
import threading
import time
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from namespaces import Namespace

TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
MTU = 1500
LOGGED = 1_000_000
"""Packets at most."""


@dataclass
class Law:
    """What one direction of a path does to packets; may be changed while they travel."""

    delay: float = 100e-6
    """Seconds, least."""
    queueing: float = 0.0
    """Mean of what waiting adds (exponential)."""
    loss: float = 0.0
    duplicates: float = 0.0
    reordered: float = 0.0
    """Part of the packets that take `detour` longer than others."""
    detour: float = 5e-3
    cut: bool = False


@dataclass(frozen=True)
class Transit:
    """One packet's way. `delivered_ns` None: never."""

    source: int
    destination: int
    protocol: int
    """17 UDP, 6 TCP (IANA)."""
    length: int
    taken_ns: int
    """CLOCK_REALTIME when it was read here."""
    delivered_ns: int | None
    fate: str
    """delivered, duplicate, lost, cut, refused (by the device), nowhere."""


@dataclass(order=True)
class _Due:
    at: float
    number: int
    source: int = field(compare=False)
    destination: int = field(compare=False)
    packet: bytes = field(compare=False)
    taken_ns: int = field(compare=False)
    fate: str = field(compare=False)


class Network:
    """The running fabric."""

    def __init__(self, hosts: list[Namespace], devices: list[int], rng: random.Random) -> None:
        self.hosts = hosts
        self.log: deque[Transit] = deque(maxlen=LOGGED)
        self.fates: Counter[str] = Counter()
        self._devices = devices
        self._rng = rng
        self._laws = {(a, b): Law() for a in range(len(hosts)) for b in range(len(hosts)) if a != b}
        self._numbers = {bytes(map(int, host.address.split("."))): number for number, host in enumerate(hosts)}
        self._due: list[_Due] = []
        self._count = 0
        self._wake, self._waker = os.pipe()
        self._thread = threading.Thread(target=self._run, name="fabric", daemon=True)
        self._thread.start()

    def law(self, source: int, destination: int) -> Law:
        """Of packets from one host to another."""
        return self._laws[source, destination]

    def every(self, **changes: float | bool) -> None:
        """Change every path's law alike."""
        for law in self._laws.values():
            for name, value in changes.items():
                setattr(law, name, value)

    def cut(self, group: set[int], *, cut: bool = True) -> None:
        """Part these hosts from all others, or join them again."""
        for (a, b), law in self._laws.items():
            if (a in group) != (b in group):
                law.cut = cut

    def stop(self) -> None:
        """Forward nothing any more."""
        os.write(self._waker, b"x")
        self._thread.join(10)
        for device in (*self._devices, self._wake, self._waker):
            os.close(device)

    def _run(self) -> None:
        sources = {device: number for number, device in enumerate(self._devices)}
        while True:
            now = time.monotonic()
            while self._due and self._due[0].at <= now:
                self._deliver(heapq.heappop(self._due))
            pause = max(0.0, self._due[0].at - time.monotonic()) if self._due else None
            readable, _, _ = select.select([self._wake, *sources], [], [], pause)
            if self._wake in readable:
                return
            for device in readable:
                with contextlib.suppress(BlockingIOError):
                    for _ in range(64):
                        self._take(sources[device], os.read(device, MTU + 64))

    def _take(self, source: int, packet: bytes) -> None:
        taken_ns, now = time.time_ns(), time.monotonic()
        destination = self._numbers.get(packet[16:20]) if packet and packet[0] >> 4 == 4 else None
        if destination is None or destination == source:
            return  # of the kernel's own making: IPv6's solicitations, multicast
        law, rng = self._laws[source, destination], self._rng
        due = _Due(now, self._count, source, destination, packet, taken_ns, "delivered")
        self._count += 1
        if law.cut or rng.random() < law.loss:
            self._note(due, None, "cut" if law.cut else "lost")
            return
        due.at += law.delay + (rng.expovariate(1 / law.queueing) if law.queueing else 0.0)
        due.at += law.detour if rng.random() < law.reordered else 0.0
        heapq.heappush(self._due, due)
        if rng.random() < law.duplicates:
            again = _Due(due.at + law.delay, self._count, source, destination, packet, taken_ns, "duplicate")
            self._count += 1
            heapq.heappush(self._due, again)

    def _deliver(self, due: _Due) -> None:
        try:
            os.write(self._devices[due.destination], due.packet)
        except OSError:
            self._note(due, None, "refused")
        else:
            self._note(due, time.time_ns(), due.fate)

    def _note(self, due: _Due, delivered_ns: int | None, fate: str) -> None:
        self.fates[fate] += 1
        protocol = due.packet[9]
        self.log.append(
            Transit(due.source, due.destination, protocol, len(due.packet), due.taken_ns, delivered_ns, fate)
        )


@contextlib.contextmanager
def fabric(count: int, seed: int = 1) -> Iterator[Network]:
    """So many hosts, each able to reach every other by a path of its own. Raises CalledProcessError, OSError."""
    prefix = f"nf{secrets.token_hex(3)}"
    hosts = [Namespace(f"{prefix}-{n}", f"10.78.{n >> 8}.{(n & 255) + 1}", "") for n in range(count)]
    devices: list[int] = []
    with contextlib.ExitStack() as made:
        for number, host in enumerate(hosts):
            made.callback(_delete, host.name)
            _ip("netns", "add", host.name)
            devices.append(_device(host, f"{prefix}t{number}"))
        network = Network(hosts, devices, random.Random(seed))
        made.callback(network.stop)
        yield network


def _device(host: Namespace, name: str) -> int:
    device = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        fcntl.ioctl(device, TUNSETIFF, struct.pack("16sH22x", name.encode(), IFF_TUN | IFF_NO_PI))
        # The device moves into the namespace; what is written there is still read here.
        _ip("link", "set", name, "netns", host.name)
        _ip("-n", host.name, "link", "set", "lo", "up")
        _ip("-n", host.name, "address", "add", f"{host.address}/16", "dev", name)
        _ip("-n", host.name, "link", "set", name, "mtu", str(MTU), "up")
    except BaseException:
        os.close(device)
        raise
    return device


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=30)


def _delete(name: str) -> None:
    subprocess.run(["ip", "netns", "delete", name], check=False, capture_output=True, timeout=30)
