"""Joins probing and reflecting to sockets, the clock and the event loop. Rim: it decides nothing, it passes on.

One socket a bound address; requests and replies share it, so one open port is all that a host needs. The order of
steps is what keeps stamps honest: receive, then check the clock, then use what was received. If the clock was set in
between, nobody can say on which side of it a stamp was taken, and everything at hand is thrown away and counted. The
program's own stamps are the reading that the last check made, for that one is known to be of the clock epoch that
goes with it; of departures it is early, which makes limits wider, never wrong.

Transmit stamps are fetched right after sending, where they mostly lie ready: the reply to the next packet, already
waiting, can then tell of it. Those that come later are found at the next look at the sockets (rounds.py).
"""

from __future__ import annotations

import asyncio
import errno
import random
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING

from noonmark.agent.clock_watch import ClockWatch
from noonmark.agent.clocks import Clock
from noonmark.agent.exchange import Exchange, ExchangeSettings, Probe
from noonmark.agent.kernel_clock import SetNotice
from noonmark.agent.reflector import Reflector, ReflectorSettings, Token
from noonmark.agent.rounds import Rounds
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.socket_address import Address
from noonmark.agent.stamp import is_request
from noonmark.agent.statistics import ProbeStatistics
from noonmark.agent.timestamping import AT_ONCE, Outgoing, Received, StampedSocket, Stamping
from noonmark.agent.timestamps import encode_error_estimate
from noonmark.proto.control import ProbeKey
from noonmark.proto.records import ClockEvent, ProbeRecord, Stamp, StampSource

if TYPE_CHECKING:
    from noonmark.agent.card_stamps import CardStamps

Socket = StampedSocket[Probe | Token]

_USER = StampSource.USER
_DISCARD_AT_MOST = 256
_READ_AT_MOST = 4
"""Full batches at one look; the loop has other work too."""
_DISCIPLINE_EVERY_NS = 8_000_000_000
"""How old the clock's word on its own error may be; the kernel lets it grow by 500 µs/s."""


@dataclass(frozen=True, slots=True)
class EndpointSettings:
    """Everything that can be set, with defaults that suit a host of a fleet."""

    exchange: ExchangeSettings = field(default_factory=ExchangeSettings)
    reflector: ReflectorSettings = field(default_factory=ReflectorSettings)
    kernel_stamps: bool = True
    """False: stamp in the program only, to see what that costs."""
    card: CardStamps | None = None
    """The network card whose stamps to use beside the kernel's."""


class Endpoint:
    """A host's probing: sends to its peers, answers anyone."""

    def __init__(
        self,
        *,
        binds: Sequence[tuple[str, int]],
        clock: Clock,
        on_records: Callable[[Sequence[ProbeRecord]], None],
        on_clock_event: Callable[[ClockEvent], None],
        rng: random.Random | None = None,
        settings: EndpointSettings | None = None,
    ) -> None:
        """`binds` are numeric addresses and ports (0: any free one). Callbacks run in the loop and must not block."""
        rng = rng or random.Random()
        self._settings = settings or EndpointSettings()
        self._binds = binds
        self._clock = clock
        self._on_records = on_records
        self._on_clock_event = on_clock_event
        self._watch = ClockWatch(clock, rng)
        self._exchange = Exchange(rng, self._settings.exchange)
        self._reflector = Reflector(self._settings.reflector)
        self._rounds = Rounds(rng)
        self._listening = False
        self._sockets: list[Socket] = []
        self._running = False
        self._notice: SetNotice | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at: int | None = None
        self._error_estimate = 0
        self._discipline_until = 0
        self._clock_events = 0
        self._socket_errors: Counter[str] = Counter()

    # --- life

    async def start(self) -> None:
        """Bind and begin to answer. Raises OSError if an address cannot be bound; then none stays bound."""
        try:
            for host, port in self._binds:
                self._sockets.append(self._open(host, port))
        except OSError:
            self._close_sockets()
            raise
        self._loop = asyncio.get_running_loop()
        self._refresh_discipline(self._clock.monotonic_ns())
        self._notice = SetNotice.open()
        if self._notice is not None:
            self._loop.add_reader(self._notice.fileno(), self._clock_was_set, self._notice)
        self._running = True
        self._look(())

    def _open(self, host: str, port: int) -> Socket:
        if self._settings.card is not None:
            from noonmark.agent.card_socket import CardSocket  # only here: most hosts need none

            return CardSocket(host, port, self._settings.card)
        return StampedSocket(host, port, kernel_stamps=self._settings.kernel_stamps)

    async def close(self) -> None:
        """Stop, and pass on the records that still waited for an exact stamp. Does nothing the second time."""
        if not self._running:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._running = False
        self._listen(False)
        self._close_sockets()
        if self._notice is not None:
            self._loop.remove_reader(self._notice.fileno())
            self._notice.close()
            self._notice = None
        self._exchange.finish()
        self._deliver()

    def _close_sockets(self) -> None:
        for sock in self._sockets:
            sock.close()

    @property
    def addresses(self) -> list[tuple[str, int]]:
        """As really bound, in the order of `binds`."""
        return [(sock.address[0], sock.address[1]) for sock in self._sockets]

    @property
    def clock_epoch(self) -> int:
        """The clock epoch that records of now belong to."""
        return self._watch.epoch

    def check_clock(self) -> int:
        """Check the clock now; the epoch it is in. Stamps taken before and believed after belong to it."""
        self._clock_events_happened(self._watch.check())
        return self._watch.epoch

    def replace_peers(self, peers: Sequence[PeerTarget]) -> None:
        """Probe these from now on; before `start` too."""
        self._exchange.replace_peers(peers, now=self._clock.monotonic_ns())
        self._rounds.probe_every(min((peer.interval_ns for peer in peers), default=None))
        if self._running:
            self._look(())

    def replace_keys(self, keys: Sequence[ProbeKey]) -> None:
        """By which keys others' authenticated requests are known from now on."""
        self._reflector.replace_keys(keys)

    def overdue_ns(self) -> int:
        """By how much the next deadline is missed by now; 0: none is."""
        return 0 if self._timer_at is None else max(0, self._clock.monotonic_ns() - self._timer_at)

    def statistics(self) -> ProbeStatistics:
        """Counts so far."""
        stamping = {sock.stamping for sock in self._sockets}
        worst = next((level for level in (Stamping.NONE, Stamping.RECEIVE) if level in stamping), Stamping.BOTH)
        return ProbeStatistics(
            exchange=self._exchange.statistics(),
            reflector=self._reflector.statistics(now=self._clock.monotonic_ns()),
            oversized=sum(sock.oversized for sock in self._sockets),
            socket_errors=dict(self._socket_errors),
            transmit_stamps_given_up=sum(sock.given_up for sock in self._sockets),
            clock_events=self._clock_events,
            clock_epoch=self._watch.epoch,
            clock_rate=self._watch.rate_against_raw(),
            kernel_stamps=worst.value,
            card_stamps=dict(self._settings.card.counts) if self._settings.card is not None else {},
        )

    # --- looking at the sockets

    def _look(self, sockets: Sequence[Socket], *, woken: bool = False) -> None:
        """Read and answer what came, send what is due, pass on what is ready, and settle when to look again.

        `woken`: by a socket, so there must be something.
        """
        found = 0
        for sock in sockets:
            for _ in range(_READ_AT_MOST):
                messages = self._receive(sock)
                found += len(messages)
                if not self._take_stamps(sock, needed=woken and not messages):
                    self._count_discarded(messages)
                elif messages:
                    self._handle(sock, messages)
                if len(messages) < AT_ONCE:
                    break
        self._clock_events_happened(self._watch.check())
        now = self._watch.monotonic_ns
        if now >= self._discipline_until:
            self._refresh_discipline(now)
        self._exchange.handle_timer(now=now)
        probes = self._exchange.datagrams_to_send(now=now)
        self._send(probes, now)
        self._deliver()
        self._rounds.looked(found=found, sent=len(probes), now=now)
        self._listen(self._rounds.next_ns is None)
        self._set_timer(now)

    def _listen(self, whether: bool) -> None:
        """Let arrivals wake the loop, or not."""
        if whether == self._listening:
            return
        self._listening = whether
        for sock in self._sockets:
            if whether:
                self._loop.add_reader(sock.fileno(), self._readable, (sock,))
            else:
                self._loop.remove_reader(sock.fileno())

    def _readable(self, sockets: Sequence[Socket]) -> None:
        self._look(sockets, woken=True)

    def _set_timer(self, now: int) -> None:
        at = self._exchange.get_timer() if self._rounds.next_ns is None else self._rounds.next_ns
        if at == self._timer_at and self._timer is not None:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._timer_at = at
        if at is not None:
            self._timer = self._loop.call_later(max(0, at - now) / 1e9, self._timer_fired)

    def _timer_fired(self) -> None:
        self._timer = None
        self._look(self._sockets)

    # --- datagrams

    def _receive(self, sock: Socket) -> list[Received]:
        try:
            return sock.receive()
        except OSError as error:
            self._socket_errors[_name(error)] += 1
            return []

    def _handle(self, sock: Socket, messages: Sequence[Received]) -> None:
        """Take replies and answer requests.

        Answers leave together, in turns: a sender's further requests wait until its first is answered, for their
        answers are to tell when that one left.
        """
        requests: list[Received] = []
        for message in messages:
            if is_request(message[0]):
                requests.append(message)
            else:
                stamp = Stamp(*self._receive_stamp(message[2], message[5]))
                self._exchange.receive_datagram(message[0], message[1], stamp, now=self._watch.monotonic_ns)
        while requests:
            first: dict[Address, Received] = {}
            requests = [message for message in requests if first.setdefault(message[1], message) is not message]
            if not self._answer(sock, first.values()):
                self._count_discarded(requests)
                return

    def _receive_stamp(self, kernel_ns: int, source: StampSource) -> tuple[int, StampSource]:
        if kernel_ns:
            return self._clock.kernel_to_clock(kernel_ns), source
        return self._watch.realtime_ns, _USER

    def _answer(self, sock: Socket, requests: Iterable[Received]) -> bool:
        """Answer and take the stamps; False if the clock was set meanwhile."""
        receive_request = self._reflector.receive_request
        now, transmit_ns = self._watch.monotonic_ns, self._watch.realtime_ns
        answers: list[Outgoing[Probe | Token]] = []
        for data, address, kernel_ns, hop_limit, reply_source, stamped_by in requests:
            received_ns, source = self._receive_stamp(kernel_ns, stamped_by)
            answer = receive_request(data, address, received_ns, source, hop_limit, now, transmit_ns)
            if answer is not None:
                answers.append((answer[0], address, answer[1], reply_source))
        for _, error in sock.send(answers):
            self._reflector.refuse(_name(error))
        return self._take_stamps(sock)

    # --- transmit stamps

    def _take_stamps(self, sock: Socket, *, needed: bool = False) -> bool:
        """Fetch what transmit stamps are there and check the clock; only then use them. False if it was set.

        `needed`: the loop woke for nothing else, so there must be something.
        """
        found = sock.transmit_stamps() if needed or sock.awaits_stamps else ()
        events = self._watch.check()
        if events:
            self._clock_events_happened(events)
            return False
        for token, kernel_ns in found:
            time_ns = self._clock.kernel_to_clock(kernel_ns)
            if isinstance(token, tuple):
                self._reflector.transmitted(token, time_ns)
            else:
                self._exchange.transmit_stamp(token, time_ns)
        if sock.card_departures:
            self._take_card_stamps(sock)
        return True

    def _take_card_stamps(self, sock: Socket) -> None:
        """Make departures that the kernel has stamped more exact."""
        for token, card_ns, source in sock.card_departures:
            time_ns = self._clock.kernel_to_clock(card_ns)
            if isinstance(token, tuple):
                self._reflector.refine(token, time_ns, source)
            else:
                self._exchange.transmit_stamp(token, time_ns, source)
        sock.card_departures = ()

    # --- the clock

    def _clock_was_set(self, notice: SetNotice) -> None:
        notice.acknowledge()
        self._clock_events_happened(self._watch.check())

    def _clock_events_happened(self, events: Sequence[ClockEvent]) -> None:
        if not events:
            return
        self._clock_events += len(events)
        self._exchange.clock_event()
        for sock in self._sockets:
            sock.transmit_stamps()
            sock.forget_awaited()
            self._discard_received(sock)
        self._refresh_discipline(self._clock.monotonic_ns())
        for event in events:
            self._on_clock_event(event)

    def _discard_received(self, sock: Socket) -> None:
        for _ in range(_DISCARD_AT_MOST):
            messages = self._receive(sock)
            if not messages:
                return
            self._count_discarded(messages)

    def _count_discarded(self, messages: Sequence[Received]) -> None:
        for message in messages:
            if is_request(message[0]):
                self._reflector.refuse("clock-event")

    def _refresh_discipline(self, now: int) -> None:
        discipline = self._clock.discipline()
        self._error_estimate = encode_error_estimate(discipline.maximum_error_ns, synchronized=discipline.synchronized)
        self._reflector.set_clock(epoch=self._watch.epoch, error_estimate=self._error_estimate)
        self._exchange.tai_minus_utc_s = discipline.tai_minus_utc_s
        self._discipline_until = now + _DISCIPLINE_EVERY_NS

    # --- sending

    def _send(self, probes: Sequence[Probe], now: int) -> None:
        """Probes of several peers leave together, those of one exchange back to back.

        Where the kernel stamps no departures each exchange is sent by itself, so that the program's stamp is fresh.
        Every exchange has a reading of its own: one peer cannot know the time stamp that another must echo.
        """
        outgoing: dict[Socket, list[Outgoing[Probe | Token]]] = {}
        for session, packets in groupby(probes, lambda probe: probe.session):
            sock = self._socket_for(session.key)
            if sock is None:
                for probe in packets:
                    self._exchange.send_failed(probe, "no-socket")
                continue
            if events := self._watch.check():
                self._clock_events_happened(events)
                return
            epoch, estimate, sent_ns = self._watch.epoch, self._error_estimate, self._watch.realtime_ns
            datagrams = outgoing.setdefault(sock, [])
            for probe in packets:
                data = self._exchange.depart(probe, sent_ns, now=now, epoch=epoch, error_estimate=estimate)
                datagrams.append((data, session.key, probe, None))
            if sock.stamping is not Stamping.BOTH:
                self._send_together(sock, outgoing.pop(sock))
        for sock, datagrams in outgoing.items():
            self._send_together(sock, datagrams)

    def _socket_for(self, address: Address) -> Socket | None:
        six = ":" in address[0]
        return next((sock for sock in self._sockets if (":" in sock.address[0]) is six), None)

    def _send_together(self, sock: Socket, datagrams: Sequence[Outgoing[Probe | Token]]) -> None:
        for token, error in sock.send(datagrams):
            if isinstance(token, Probe):
                self._exchange.send_failed(token, _name(error))
        self._take_stamps(sock)

    def _deliver(self) -> None:
        records = self._exchange.take_records()
        if records:
            self._on_records(records)


def _name(error: OSError) -> str:
    return errno.errorcode.get(error.errno or 0, "unknown")
