"""Endpoints on loopback. Tests wait for an event, with a bound, never for a time."""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import Callable, Coroutine, Sequence
from typing import Any

import pytest

from noonmark.agent.clocks import Clock, ErrorInjectedClock, SystemClock
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.exchange import ExchangeSettings
from noonmark.agent.reflector import ReflectorSettings
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import SenderPacket, encode_sender
from noonmark.agent.tlv import REQUEST_TLVS
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord, StampSource

pytestmark = pytest.mark.sockets

MS = 1_000_000
KERNEL = StampSource.KERNEL


class Side:
    """An endpoint and what came out of it."""

    def __init__(self, host: str, clock: Clock | None = None, port: int = 0, **settings: Any) -> None:
        self.records: list[ProbeRecord] = []
        self.events: list[ClockEvent] = []
        self.changed = asyncio.Event()
        self.endpoint = Endpoint(
            binds=[(host, port)],
            clock=clock or SystemClock(),
            on_records=self._on_records,
            on_clock_event=self._on_event,
            rng=random.Random(1),
            settings=EndpointSettings(**settings),
        )

    def _on_records(self, records: Sequence[ProbeRecord]) -> None:
        self.records += records
        self.changed.set()

    def _on_event(self, event: ClockEvent) -> None:
        self.events.append(event)
        self.changed.set()

    def probe(self, *others: Side, interval_ns: int = 5 * MS) -> None:
        self.endpoint.replace_peers(
            [PeerTarget(f"host-{n}", *other.endpoint.addresses[0], interval_ns) for n, other in enumerate(others)]
        )

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(20):
            while not condition():
                self.changed.clear()
                await self.changed.wait()


def exact(side: Side) -> list[ProbeRecord]:
    return [record for record in side.records if record.stamped_by == (KERNEL, KERNEL, KERNEL, KERNEL)]


def run(test: Coroutine[Any, Any, None]) -> None:
    asyncio.run(test)


@pytest.mark.parametrize(("first", "second"), [("127.0.10.1", "127.0.10.2"), ("::1", "::1")])
def test_two_endpoints_measure_each_other(first: str, second: str) -> None:
    async def scenario() -> None:
        offset = 7 * MS
        start = SystemClock().realtime_ns()
        a, b = Side(first), Side(second, ErrorInjectedClock(offset, 0.0, start))
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b)
        b.probe(a)
        await a.until(lambda: len(exact(a)) >= 60)
        await b.until(lambda: len(exact(b)) >= 60)
        await a.endpoint.close()
        await b.endpoint.close()
        for side, true in ((a, offset), (b, -offset)):
            for record in side.records:
                assert record.backward_ns <= true <= record.forward_ns, "a limit can never be wrong"
            best = min(exact(side), key=lambda record: record.round_trip_ns)
            assert abs((best.forward_ns + best.backward_ns) // 2 - true) < MS
            assert {record.measuring for record in side.records} == {True, False}
            counts = side.endpoint.statistics()
            assert counts.rejected == counts.refused == {}
            assert counts.completed >= 60
            assert counts.reflected >= 60
            assert counts.kernel_stamps == "receive and transmit"

    run(scenario())


def test_records_without_kernel_stamps_are_marked_and_safe() -> None:
    async def scenario() -> None:
        a, b = Side("127.0.10.1", kernel_stamps=False), Side("127.0.10.2", kernel_stamps=False)
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b)
        await a.until(lambda: len(a.records) >= 8)
        await a.endpoint.close()
        await b.endpoint.close()
        for record in a.records:
            assert record.stamped_by == (StampSource.USER,) * 4
            assert record.backward_ns <= 0 <= record.forward_ns
        assert a.endpoint.statistics().kernel_stamps == "none"

    run(scenario())


def test_step_begins_an_epoch_and_no_record_mixes_two() -> None:
    async def scenario() -> None:
        size = -3 * MS
        start = SystemClock().realtime_ns()
        clock = ErrorInjectedClock(0, 0.0, start)
        a, b = Side("127.0.10.1"), Side("127.0.10.2", clock)
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b)
        b.probe(a)
        await a.until(lambda: len(a.records) >= 40)
        before = b.endpoint.clock_epoch
        clock.inject_step(size)
        seen = len(a.records)
        await a.until(lambda: len(a.records) >= seen + 40)
        await a.endpoint.close()
        await b.endpoint.close()
        (event,) = b.events
        assert event.kind is ClockEventKind.STEP
        assert abs(event.size_ns - size) < 100_000
        assert event.epoch == b.endpoint.clock_epoch != before
        error = {before: 0, event.epoch: size}
        for record in a.records:
            assert record.backward_ns <= error[record.destination_epoch] <= record.forward_ns
        for record in b.records:
            assert record.backward_ns <= -error[record.source_epoch] <= record.forward_ns
        assert {record.destination_epoch for record in a.records} == set(error)
        assert a.events == []

    run(scenario())


def test_unreachable_peer_costs_a_counter_and_stops_nothing() -> None:
    async def scenario() -> None:
        a, b = Side("127.0.10.1"), Side("127.0.10.2")
        await a.endpoint.start()
        await b.endpoint.start()
        quiet = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        quiet.bind(("127.0.10.3", 0))
        a.endpoint.replace_peers(
            [
                PeerTarget("silent", *quiet.getsockname(), 5 * MS),
                PeerTarget("other-family", "::1", 9, 5 * MS),
                PeerTarget("refused", "127.255.255.255", 9, 5 * MS),  # a broadcast, which the kernel refuses
                PeerTarget("quay", *b.endpoint.addresses[0], 5 * MS),
            ]
        )
        await a.until(lambda: len(a.records) >= 40)
        counts = a.endpoint.statistics().exchange
        assert counts.send_failures["no-socket"] > 10
        assert counts.send_failures["EACCES"] > 10
        assert counts.peers["silent"].sent > 10
        assert counts.peers["silent"].completed == 0
        stamped = sum(record.stamped_by[0] is KERNEL for record in a.records)
        assert stamped == len(a.records), "failed sends between must not cost the others their stamps"
        await a.endpoint.close()
        await b.endpoint.close()
        quiet.close()

    run(scenario())


def test_garbage_and_floods_are_counted_and_the_answer_never_longer() -> None:
    async def scenario() -> None:
        limits = ReflectorSettings(packets_per_second=1, burst=5)
        b = Side("127.0.10.2", reflector=limits)
        await b.endpoint.start()
        loop = asyncio.get_running_loop()
        stranger = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        stranger.setblocking(False)
        stranger.bind(("127.0.10.9", 0))
        stranger.connect(b.endpoint.addresses[0])
        rng = random.Random(2)
        request = encode_sender(SenderPacket(0, 1, 0x0C64, 1)) + REQUEST_TLVS
        sent = [b"", bytes(43), rng.randbytes(300), *[request] * 10]
        for data in sent:
            stranger.send(data)
        replies = [await asyncio.wait_for(loop.sock_recv(stranger, 4096), 20) for _ in range(5)]
        await asyncio.sleep(0)
        assert all(len(reply) == len(request) for reply in replies)
        counts = b.endpoint.statistics()
        assert counts.reflected == 5
        assert counts.refused == {"short": 2, "rate-limited": 5}
        assert counts.rejected == {"unsolicited": 1}
        stranger.close()
        await b.endpoint.close()

    run(scenario())


def test_reply_is_never_answered_so_two_hosts_cannot_throw_it_to_and_fro() -> None:
    async def scenario() -> None:
        b = Side("127.0.10.2")
        await b.endpoint.start()
        loop = asyncio.get_running_loop()
        stranger = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        stranger.setblocking(False)
        stranger.bind(("127.0.10.9", 0))
        stranger.connect(b.endpoint.addresses[0])
        request = encode_sender(SenderPacket(0, 1, 0x0C64, 1))
        stranger.send(request)
        reply = await asyncio.wait_for(loop.sock_recv(stranger, 4096), 20)
        stranger.send(reply)
        stranger.send(request)
        second = await asyncio.wait_for(loop.sock_recv(stranger, 4096), 20)
        assert second[:4] == bytes([0, 0, 0, 1]), "the next answer is the one to the second request"
        counts = b.endpoint.statistics()
        assert (counts.reflected, counts.rejected) == (2, {"unsolicited": 1})
        stranger.close()
        await b.endpoint.close()

    run(scenario())


def test_long_interval_is_complete_after_three_packets() -> None:
    async def scenario() -> None:
        settings = ExchangeSettings(trailing_from_ns=4 * MS)
        a, b = Side("127.0.10.1", exchange=settings), Side("127.0.10.2")
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b, interval_ns=50 * MS)
        await a.until(lambda: len(a.records) >= 9)
        await a.endpoint.close()
        await b.endpoint.close()
        measuring = [record for record in a.records if record.measuring]
        assert all(record.stamped_by[2] is KERNEL for record in measuring[:3])

    run(scenario())


def test_closing_passes_on_what_waited_and_can_be_done_twice() -> None:
    async def scenario() -> None:
        a, b = Side("127.0.10.1"), Side("127.0.10.2")
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b, interval_ns=1000 * MS)
        await a.until(lambda: len(a.records) >= 1)
        await a.endpoint.close()
        await a.endpoint.close()
        await b.endpoint.close()
        counts = a.endpoint.statistics()
        assert counts.completed == len(a.records)
        assert counts.exchange.held == 0

    run(scenario())


def test_address_in_use_is_an_error_and_leaves_nothing_bound() -> None:
    async def scenario() -> None:
        taken = Side("127.0.10.1")
        await taken.endpoint.start()
        port = taken.endpoint.addresses[0][1]
        late = Endpoint(
            binds=[("127.0.10.2", port), ("127.0.10.1", port)],
            clock=SystemClock(),
            on_records=lambda records: None,
            on_clock_event=lambda event: None,
        )
        with pytest.raises(OSError, match="in use"):
            await late.start()
        await late.close()
        again = Side("127.0.10.2", port=port)
        await again.endpoint.start()
        await again.endpoint.close()
        await taken.endpoint.close()

    run(scenario())


def test_peers_may_be_named_before_the_start() -> None:
    async def scenario() -> None:
        a, b = Side("127.0.10.1"), Side("127.0.10.2")
        await b.endpoint.start()
        a.probe(b)
        await a.endpoint.start()
        await a.until(lambda: len(a.records) >= 2)
        await a.endpoint.close()
        await b.endpoint.close()

    run(scenario())


def test_a_deadline_that_is_not_served_is_overdue() -> None:
    class LaterClock(SystemClock):
        late_ns = 0

        def monotonic_ns(self) -> int:
            return super().monotonic_ns() + self.late_ns

    async def scenario() -> None:
        clock = LaterClock()
        a, b = Side("127.0.10.1", clock), Side("127.0.10.2")
        assert a.endpoint.overdue_ns() == 0
        await a.endpoint.start()
        await b.endpoint.start()
        a.probe(b, interval_ns=60_000 * MS)
        assert a.endpoint.overdue_ns() == 0
        clock.late_ns = 200_000 * MS  # as if the loop had stood still so long
        assert a.endpoint.overdue_ns() > 100_000 * MS
        await a.endpoint.close()
        await b.endpoint.close()

    run(scenario())
