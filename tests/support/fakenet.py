"""A network without a kernel: hosts with exchange and reflector joined through a list, in virtual time.

Nothing waits and nothing is random but what the given generator draws. A host's clock is true time plus its error;
its "kernel" stamps are exact, its "program" stamps late on receipt and early on sending by `program_ns`, as a real
one's are.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from noonmark.agent.exchange import Exchange, ExchangeSettings, Probe
from noonmark.agent.kernel_clock import UNKNOWN_DISCIPLINE, Discipline
from noonmark.agent.reflector import Reflector, ReflectorSettings, Token
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import is_request
from noonmark.proto.records import ProbeRecord, Stamp, StampSource

START_NS = 1_700_000_000_000_000_000
"""True time at virtual time 0."""
ERROR_ESTIMATE = 0x0C64
PORT = 8620

Path = Callable[[str, str], Sequence[int]]
"""Source and destination address to the delays (ns) at which copies of one packet arrive: none is a loss, two a
duplicate."""


class VirtualClock:
    """A `Clock` that stands still until moved; `error_ns` may be a function of the virtual time."""

    def __init__(self, error_ns: int = 0) -> None:
        self.now = 0
        self.error_ns = error_ns
        self.slept_ns = 0
        self.rate = 0.0
        self.late_reads: list[int] = []
        """How much time the next readings take: a program that is held up between two."""

    def _pass(self) -> None:
        if self.late_reads:
            self.now += self.late_reads.pop(0)

    def realtime_ns(self) -> int:
        self._pass()
        return START_NS + self.now + self.error_ns + self.slept_ns + round(self.rate * self.now)

    def monotonic_ns(self) -> int:
        self._pass()
        return self.now + round(self.rate * self.now)

    def monotonic_raw_ns(self) -> int:
        return self.now

    def boottime_ns(self) -> int:
        return self.now + self.slept_ns + round(self.rate * self.now)

    def kernel_to_clock(self, kernel_ns: int) -> int:
        return kernel_ns

    def discipline(self) -> Discipline:
        return UNKNOWN_DISCIPLINE


@dataclass
class Host:
    """One agent's pure parts. `transmit_stamps` False: its kernel stamps no departures."""

    address: str
    error_ns: int = 0
    seed: int = 1
    transmit_stamps: bool = True
    exchange_settings: ExchangeSettings = field(default_factory=ExchangeSettings)
    reflector_settings: ReflectorSettings = field(default_factory=ReflectorSettings)
    epoch: int = 7
    program_ns: int = 20_000

    def __post_init__(self) -> None:
        self.exchange = Exchange(random.Random(self.seed), self.exchange_settings)
        self.reflector = Reflector(self.reflector_settings)
        self.records: list[ProbeRecord] = []
        self.renew_epoch(self.epoch)

    def renew_epoch(self, epoch: int) -> None:
        self.epoch = epoch
        self.reflector.set_clock(epoch=epoch, error_estimate=ERROR_ESTIMATE)

    def reading(self, now: int) -> int:
        return START_NS + now + self.error_ns


class FakeNetwork:
    """Carries packets between hosts; `path` decides how."""

    def __init__(self, hosts: Sequence[Host], path: Path) -> None:
        self.hosts = {host.address: host for host in hosts}
        self.path = path
        self.now = 0
        self._flying: list[tuple[int, int, str, str, bytes]] = []
        self._carried = 0
        self.seen: list[tuple[str, str, bytes]] = []

    def probe_all(self, interval_ns: int) -> None:
        for host in self.hosts.values():
            others = [other for other in self.hosts if other != host.address]
            host.exchange.replace_peers([PeerTarget(o, o, PORT, interval_ns) for o in others], now=self.now)

    def carry(self, source: str, destination: str, data: bytes) -> None:
        self.seen.append((source, destination, data))
        for delay in self.path(source, destination):
            self._carried += 1
            heapq.heappush(self._flying, (self.now + delay, self._carried, source, destination, data))

    def run(self, until: int) -> None:
        """Let virtual time pass."""
        while (moment := self._next()) is not None and moment <= until:
            self.now = max(self.now, moment)
            while self._flying and self._flying[0][0] <= self.now:
                _, _, source, destination, data = heapq.heappop(self._flying)
                if destination in self.hosts:
                    self._arrive(self.hosts[destination], source, data)
            for host in self.hosts.values():
                self._pump(host)
        self.now = until

    def _next(self) -> int | None:
        moments = [host.exchange.get_timer() for host in self.hosts.values()]
        moments.append(self._flying[0][0] if self._flying else None)
        return min((moment for moment in moments if moment is not None), default=None)

    def _arrive(self, host: Host, source: str, data: bytes) -> None:
        stamp = Stamp(host.reading(self.now), StampSource.KERNEL)
        if not is_request(data):
            host.exchange.receive_datagram(data, (source, PORT), stamp, now=self.now)
            return
        program_ns = stamp.time_ns
        answer = host.reflector.receive_request(
            data, (source, PORT), stamp.time_ns, StampSource.KERNEL, 64, self.now, program_ns
        )
        if answer is not None:
            self._leave(host, source, answer[0], answer[1])

    def _pump(self, host: Host) -> None:
        host.exchange.handle_timer(now=self.now)
        for probe in host.exchange.datagrams_to_send(now=self.now):
            data = host.exchange.depart(
                probe, host.reading(self.now), now=self.now, epoch=host.epoch, error_estimate=ERROR_ESTIMATE
            )
            self._leave(host, probe.address[0], data, probe)
        host.records += host.exchange.take_records()

    def _leave(self, host: Host, destination: str, data: bytes, token: Probe | Token) -> None:
        """The program read the clock just now; the packet truly leaves `program_ns` later."""
        self.now += host.program_ns
        if host.transmit_stamps:
            if isinstance(token, tuple):
                host.reflector.transmitted(token, host.reading(self.now))
            else:
                host.exchange.transmit_stamp(token, host.reading(self.now))
        self.carry(host.address, destination, data)


def steady(delay_ns: int) -> Path:
    """A path that always takes as long."""
    return lambda source, destination: (delay_ns,)
