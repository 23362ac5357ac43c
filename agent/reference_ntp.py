"""NTP servers as sources, and as hosts of the probe graph (RFC 5905, client mode). Rim: sockets and names.

Every exchange with a server is a two-way probe like any other: it is reported as a probe record, under the name
`ntp:ADDRESS`, and so the fleet's estimate shows the server as it shows a host. What the server says of itself (root
delay, root dispersion) becomes its declared error. All servers share one socket a family, on a port that the kernel
chooses (RFC 9109); the kernel stamps what goes and comes. The exchange itself is ntp_association.py's.

Verified on hardware: nothing yet (servers on loopback only). To check yours: the source's stratum and root distance are
those that the server's keeper states; `noonmark fleet` lists the server.
"""

from __future__ import annotations

import asyncio
import random
import socket
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass

from noonmark.agent.clocks import Clock
from noonmark.agent.ntp_association import FOR_EVER_NS, Association, Exchange, NtpSettings
from noonmark.agent.ntp_packet import PORT
from noonmark.agent.reference import Observation, unusable
from noonmark.agent.timestamping import StampedSocket
from noonmark.agent.timestamps import SECOND_NS
from noonmark.proto.options import HostPort
from noonmark.proto.records import ProbeRecord, StampSource
from noonmark.proto.reference import NTP_PREFIX, SourceNotice

KIND = "ntp"
LOOK_AGAIN_NS = 64 * SECOND_NS
"""Between two tries to find a name's address."""
UNANSWERED_BEFORE_LOOKUP = 4
GOOD_FOR_INTERVALS = 4
_LONGEST_WAIT = 60.0


@dataclass(slots=True)
class _Server:
    """One server as configured, and, once its name is known, the association with it."""

    where: HostPort
    association: Association | None = None
    address: str = ""
    lookup_ns: int = 0
    """When to look for the address (again), monotonic."""
    notice: SourceNotice | None = None


class NtpReader:
    """Asks all configured servers. `on_record` gets each good exchange; `epoch` tells the clock's present epoch."""

    name = KIND

    def __init__(
        self,
        servers: Sequence[HostPort],
        clock: Clock,
        *,
        on_record: Callable[[ProbeRecord], None],
        epoch: Callable[[], int],
        settings: NtpSettings | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self._servers = [_Server(where) for where in servers]
        self._clock = clock
        self._on_record = on_record
        self._epoch = epoch
        self._settings = settings or NtpSettings()
        self._rng = rng or random.SystemRandom()
        self._sockets: dict[int, StampedSocket[tuple[Association, int]]] = {}
        self._ready: deque[Observation] = deque()
        self._news = asyncio.Event()

    @property
    def associations(self) -> list[Association]:
        """Those servers whose address is known."""
        return [server.association for server in self._servers if server.association is not None]

    async def observations(self) -> AsyncIterator[Observation]:
        """One an answer, and one whenever a server fails to give any."""
        loop = asyncio.get_running_loop()
        try:
            while True:
                await self._find_addresses()
                self._send()
                while self._ready:
                    yield self._ready.popleft()
                await self._rest()
        finally:
            for sock in self._sockets.values():
                loop.remove_reader(sock.fileno())
                sock.close()
            self._sockets.clear()

    async def _rest(self) -> None:
        now = self._clock.monotonic_ns()
        due = min(
            (
                server.association.next_ns(now=now) if server.association is not None else server.lookup_ns
                for server in self._servers
            ),
            default=FOR_EVER_NS,
        )
        wait = min(max(0.0, (due - now) / 1e9), _LONGEST_WAIT)
        try:
            async with asyncio.timeout(wait + 1e-3):
                await self._news.wait()
        except TimeoutError:
            pass
        self._news.clear()

    # --- names

    async def _find_addresses(self) -> None:
        now = self._clock.monotonic_ns()
        for server in self._servers:
            association = server.association
            lost = association is not None and association.unanswered >= UNANSWERED_BEFORE_LOOKUP
            if (association is None or lost) and now >= server.lookup_ns:
                server.lookup_ns = now + LOOK_AGAIN_NS
                await self._find_address(server)

    async def _find_address(self, server: _Server) -> None:
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(5.0):
                found = await loop.getaddrinfo(server.where.host, server.where.port, type=socket.SOCK_DGRAM)
        except (OSError, TimeoutError, UnicodeError) as error:
            server.notice = SourceNotice("no-address", f"its name cannot be resolved: {error or 'no answer'}")
            self._tell(server)
            return
        address = found[0][4][0]
        if server.association is not None and address == server.address:
            return
        server.address, server.notice = str(address), None
        server.association = Association(graph_name(server.address, server.where.port), self._rng, self._settings)

    def _socket(self, address: str) -> StampedSocket[tuple[Association, int]]:
        family = 6 if ":" in address else 4
        if family not in self._sockets:
            sock: StampedSocket[tuple[Association, int]] = StampedSocket("::" if family == 6 else "0.0.0.0", 0)
            self._sockets[family] = sock
            asyncio.get_running_loop().add_reader(sock.fileno(), self._readable, sock)
        return self._sockets[family]

    # --- asking and hearing

    def _send(self) -> None:
        now, epoch = self._clock.monotonic_ns(), self._epoch()
        for server in self._servers:
            association = server.association
            if association is None:
                continue
            if association.expire(now=now):
                self._tell(server)
            data = association.request(self._clock.realtime_ns(), now=now, epoch=epoch)
            if data is None:
                continue
            try:
                sock = self._socket(server.address)
                failed = sock.send(
                    [(data, (server.address, server.where.port), (association, association.nonce), None)]
                )
                if failed:
                    raise failed[0][1]
            except OSError as error:
                association.not_sent(str(error.strerror or error))
                self._tell(server)
            else:
                self._take_stamps(sock)

    def _take_stamps(self, sock: StampedSocket[tuple[Association, int]]) -> None:
        for (association, nonce), kernel_ns in sock.transmit_stamps():
            association.transmit_stamp(nonce, self._clock.kernel_to_clock(kernel_ns))

    def _readable(self, sock: StampedSocket[tuple[Association, int]]) -> None:
        try:
            messages = sock.receive()
        except OSError:
            messages = []  # an ICMP error of some server; its request stays unanswered
        self._take_stamps(sock)
        epoch, now = self._epoch(), self._clock.monotonic_ns()
        for data, address, kernel_ns, *_ in messages:
            server = self._server_at(address[0].split("%")[0], address[1])
            if server is None or server.association is None:
                continue
            stamped = (self._clock.kernel_to_clock(kernel_ns), StampSource.KERNEL)
            if not kernel_ns:
                stamped = (self._clock.realtime_ns(), StampSource.USER)
            kissed = server.association.kisses
            exchange = server.association.receive(data, *stamped, now=now, epoch=epoch)
            if exchange is not None:
                self._on_record(exchange.record)
            if exchange is not None or server.association.kisses != kissed or server.association.notices:
                self._tell(server)

    def _server_at(self, address: str, port: int) -> _Server | None:
        for server in self._servers:
            if (server.address.split("%")[0], server.where.port) == (address, port):
                return server
        return None

    def clock_set(self) -> None:
        """The host's clock was set."""
        for association in self.associations:
            association.clock_set()

    # --- telling

    def _tell(self, server: _Server) -> None:
        host_ns, now = self._clock.realtime_ns(), self._clock.monotonic_ns()
        association = server.association
        best = None if association is None else association.best(now=now)
        if association is None or best is None:
            notices = (server.notice,) if server.notice else () if association is None else association.notices
            name = association.name if association is not None else f"{NTP_PREFIX}{server.where.host}"
            notice = notices[0] if notices else SourceNotice("no-answer", "it has not answered yet")
            observation = unusable(name, KIND, host_ns, now, notice)
        else:
            observation = observe(association, best, host_ns=host_ns)
        self._ready.append(observation)
        self._news.set()


def graph_name(address: str, port: int) -> str:
    """A server's name in the probe graph; the port only where it is not the usual one."""
    if port == PORT:
        return f"{NTP_PREFIX}{address}"
    return f"{NTP_PREFIX}{HostPort(address, port)}"


def observe(association: Association, best: Exchange, *, host_ns: int) -> Observation:
    """What an association's best exchange tells; the observation is as old as the server's newest good answer."""
    newest = association.newest or best
    now = newest.at_ns
    return Observation(
        association.name,
        KIND,
        host_ns,
        now,
        usable=not association.denied,
        offset_ns=best.offset_ns,
        uncertainty_ns=best.uncertainty_ns(now),
        limit_ns=best.limit_ns(now),
        declared_uncertainty_ns=best.root_uncertainty_ns(now),
        declared_limit_ns=best.root_distance_ns(now),
        leap=newest.leap,
        good_for_ns=GOOD_FOR_INTERVALS * association.interval_ns,
        notices=association.notices,
        figures={
            "stratum": float(newest.stratum),
            "delay_ns": float(best.delay_ns),
            "root_delay_ns": float(best.root_delay_ns),
            "root_dispersion_ns": float(best.root_dispersion_ns),
            "jitter_ns": association.jitter_ns(),
            "interval_s": association.interval_ns / SECOND_NS,
            "sent": float(association.sent),
            "answered": float(association.answered),
            "rejected": float(association.rejected.total()),
        },
    )
