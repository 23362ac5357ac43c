"""Both ends of the report stream on real gRPC: nothing lost, nothing twice, whatever breaks."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import grpc
import grpc.aio
import pytest
from secured import KERNEL, LIMIT, on_loop, reporting, until

from noonmark.agent.report import LONGEST_SLOWED, MOST_IN_FLIGHT, Reporter, ReportSettings
from noonmark.agent.spool import Spool, SpoolSettings
from noonmark.collector.directory import Directory
from noonmark.collector.ingest import Ingest
from noonmark.collector.window import Window
from noonmark.proto import control
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Endpoint, Hello, Plan, PlannedPeer, ProbeCounters
from noonmark.proto.noonmark_pb2_grpc import ReportsServicer, ReportsStub, add_ReportsServicer_to_server
from noonmark.proto.options import HostPort
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord

pytestmark = pytest.mark.sockets


def record(t1_ns: int) -> ProbeRecord:
    return ProbeRecord("holm", t1_ns, t1_ns + 1, t1_ns + 2, t1_ns + 3, KERNEL, 1, 1, True)


class Server:
    """A collector's ingest on a loopback port; `kill` is as sudden as a crash, and forgets all but what it is given."""

    def __init__(self, window: Window | None = None, directory: Directory | None = None) -> None:
        self.window = window or Window()
        self.ingest = Ingest(self.window, Directory() if directory is None else directory)
        self.port = 0

    async def start(self, port: int = 0) -> Server:
        self.server = grpc.aio.server(options=[("grpc.so_reuseport", 0)])
        add_ReportsServicer_to_server(self.ingest, self.server)
        self.port = self.server.add_insecure_port(f"127.0.0.1:{port}")
        await self.server.start()
        return self

    async def kill(self) -> None:
        await self.server.stop(None)

    @property
    def address(self) -> HostPort:
        return HostPort("127.0.0.1", self.port)

    def received(self) -> list[int]:
        return self.window.columns(0.0).t1_ns.tolist()


class Agent:
    """A reporter with a spool, as the agent wires it."""

    def __init__(self, *collectors: HostPort, host: str = "quay", instance: int = 7, interval: float = 0.02) -> None:
        settings = ReportSettings(collectors, interval=interval, first_pause=0.01, longest_pause=0.05, look_back=0.05)
        self.spool = Spool(SpoolSettings())
        self.plans: list[Plan] = []
        self.host, self.instance = host, instance
        self.reporter = Reporter(
            settings,
            self.spool,
            hello=self.hello,
            on_plan=self.plans.append,
            counters=lambda: ProbeCounters(sent=3),
            rng=random.Random(1),
        )

    async def hello(self, collector: HostPort) -> Hello:
        return Hello(self.host, self.instance, endpoints=(Endpoint("127.0.0.9", 18620),))

    def measure(self, *times: int) -> None:
        self.reporter.add_records([record(time) for time in times])

    def measure_and_report(self, t1_ns: int) -> None:
        self.measure(t1_ns)
        self.spool.close_batch(now=time.monotonic())
        self.reporter.tell_now()

    def idle(self) -> bool:
        return self.spool.statistics().rows == 0


@on_loop
async def test_records_arrive_and_are_acknowledged() -> None:
    server = await Server().start()
    async with reporting(Agent(server.address)) as agent:
        agent.measure(1, 2, 3)
        await until(agent.idle)
        assert server.received() == [1, 2, 3]
        statistics = agent.spool.statistics()
        assert (statistics.records_acknowledged, statistics.entries_sent_again) == (3, 0)
        entry = server.ingest.directory.get("quay")
        await until(lambda: entry is not None and entry.counters.sent == 3)
    await server.kill()


@on_loop
async def test_nothing_is_lost_or_doubled_when_the_collector_dies_and_comes_back() -> None:
    """The window outlives the server here, so that every record that ever arrived is seen, repeats included."""
    window, directory = Window(), Directory()
    server = await Server(window, directory).start()
    serial = iter(range(1, 10_000))
    async with reporting(Agent(server.address, interval=0.005)) as agent:
        for _ in range(4):
            for _ in range(30):
                agent.measure(next(serial), next(serial))
                await asyncio.sleep(0.002)
            await server.kill()
            for _ in range(5):
                agent.measure(next(serial))
                await asyncio.sleep(0.002)
            server = await Server(window, directory).start(server.port)
        await until(agent.idle)
    last = next(serial) - 1
    assert sorted(window.columns(0.0).t1_ns.tolist()) == list(range(1, last + 1))
    assert agent.reporter.statistics().connections >= 5
    await server.kill()


@on_loop
async def test_what_was_received_before_its_acknowledgement_got_through_is_known_as_a_repeat() -> None:
    server = await Server().start()
    channel = grpc.aio.insecure_channel(str(server.address))
    hello = pb.AgentMessage(hello=pb.Hello(host="quay", instance=7))
    event = pb.AgentMessage(clock_event=pb.ClockEvent(sequence=1, kind=pb.ClockEvent.STEP, epoch=2, at_ns=5))
    for _ in range(2):
        call = ReportsStub(channel).Report()
        await call.write(hello)
        await call.write(event)
        reply = await call.read()
        assert reply.acknowledgement.sequence == 1
        call.cancel()
    await until(lambda: server.ingest.statistics().repeats == 1)
    assert len(server.window.events()) == 1
    await channel.close()
    await server.kill()


@on_loop
async def test_a_clock_event_leaves_at_once_and_behind_its_records() -> None:
    server = await Server().start()
    async with reporting(Agent(server.address, interval=3600.0)) as agent:
        await until(lambda: agent.reporter.statistics().connected)
        agent.measure(1)
        agent.reporter.add_clock_event(ClockEvent(ClockEventKind.STEP, 2, 10**18, 55))
        await until(agent.idle)
        assert [(item.host, item.event.size_ns) for item in server.window.events()] == [("quay", 55)]
        assert server.received() == [1]
    await server.kill()


@on_loop
async def test_leaving_delivers_what_is_left() -> None:
    server = await Server().start()
    async with reporting(Agent(server.address, interval=3600.0)) as agent:
        await until(lambda: agent.reporter.statistics().connected)
        agent.measure(1, 2)
    assert server.received() == [1, 2]
    assert agent.idle()
    await until(lambda: server.ingest.fill().streams == 0)
    await server.kill()


@on_loop
async def test_leaving_without_a_collector_does_not_wait_for_one() -> None:
    async with reporting(Agent(HostPort("127.0.0.1", 1))) as agent:
        await until(lambda: agent.reporter.statistics().failures)
    assert agent.reporter.statistics().last_failure == "nobody listens there"


@on_loop
async def test_the_next_collector_of_the_list_takes_over() -> None:
    first, second = await Server().start(), await Server().start()
    async with reporting(Agent(first.address, second.address)) as agent:
        agent.measure(1)
        await until(agent.idle)
        assert first.received() == [1]
        await first.kill()
        agent.measure(2)
        await until(agent.idle)
        assert second.received() == [2]
        assert agent.reporter.statistics().collector == str(second.address)
    await second.kill()


@on_loop
async def test_the_first_collector_of_the_list_is_returned_to_and_nothing_is_lost() -> None:
    """So that a fleet that was scattered comes together again. The stand-in keeps nothing: all is sent again."""
    first = await Server().start()
    second = Server()
    second.ingest = Ingest(second.window, Directory(), keeps=True)
    await second.start()
    async with reporting(Agent(first.address, second.address)) as agent:
        agent.measure(1)
        await until(agent.idle)
        await first.kill()
        agent.measure(2)
        await until(lambda: second.received() == [2])
        assert not agent.idle(), "received is not kept"
        first = await Server().start(first.port)
        await until(agent.idle)
        assert first.received() == [2]
        assert agent.reporter.statistics().collector == str(first.address)
        failures = agent.reporter.statistics().failures
        agent.measure(3)
        await until(agent.idle)
        assert (first.received(), agent.reporter.statistics().failures) == ([2, 3], failures)
    await first.kill()
    await second.kill()


@on_loop
async def test_plans_and_estimates_come_back_and_the_newest_counts() -> None:
    server = await Server().start()
    arrivals: list[str] = []
    server.ingest.on_arrival = arrivals.append
    async with reporting(Agent(server.address)) as agent:
        await until(lambda: arrivals == ["quay"])
        for version in (1, 2):
            peers = (PlannedPeer("holm", Endpoint("127.0.0.8", 18620), version * 10**9),)
            assert server.ingest.send_plan("quay", Plan(version, peers))
        await until(lambda: agent.plans and agent.plans[-1].version == 2)
        assert agent.plans[-1].peers[0].interval_ns == 2 * 10**9
        estimate = pb.HostEstimate(host="quay", state=pb.MEASURED, at_ns=5, offset_ns=-40, lower_ns=-50)
        server.ingest.send_estimates({"quay": estimate, "holm": pb.HostEstimate(offset_ns=1)})
        await until(lambda: agent.reporter.own_estimate)
        own = agent.reporter.own_estimate
        assert own is not None
        assert (own.state, own.offset_ns, own.lower_ns, own.upper_ns) == ("measured", -40, -50, None)
        assert not server.ingest.send_plan("holm", Plan(1, ()))
    await server.kill()


@on_loop
async def test_two_agents_of_one_name_do_not_fight() -> None:
    server = await Server().start()
    async with reporting(Agent(server.address, instance=1)) as older:
        await until(lambda: older.reporter.statistics().connected)
        await until(lambda: server.ingest.fill().streams == 1)
        async with reporting(Agent(server.address, instance=2)) as newer:
            newer.measure(5)
            await until(newer.idle)
            await until(lambda: "newer agent" in older.reporter.statistics().last_failure)
            newer.measure(6)
            await until(newer.idle)
            assert newer.reporter.statistics().failures == 0
        assert server.ingest.statistics().names_disputed >= 1
        older.measure(7)
        await until(older.idle)
    assert server.received() == [5, 6, 7]
    await server.kill()


@pytest.mark.parametrize(
    ("messages", "reason"),
    [
        ([pb.AgentMessage(batch=pb.RecordBatch(sequence=1))], "first message must be hello"),
        ([pb.AgentMessage()], "first message must be hello"),
        ([], "no hello came"),
        ([pb.AgentMessage(hello=pb.Hello(host="quay"))], "instance"),
        (["hello", pb.AgentMessage(batch=pb.RecordBatch(sequence=1, t1_delta=[1]))], "destination: 0 rows"),
        (["hello", pb.AgentMessage(batch=pb.RecordBatch())], "sequence number is missing"),
        (["hello", pb.AgentMessage(batch=pb.RecordBatch(sequence=1, destinations=["quay"]))], "itself"),
        (["hello", pb.AgentMessage(clock_event=pb.ClockEvent(sequence=1))], "kind"),
        (["hello", "hello"], "hello came twice"),
    ],
)
def test_nonsense_ends_its_own_stream_with_a_reason(messages: list[pb.AgentMessage | str], reason: str) -> None:
    async def main() -> None:
        server = await Server().start()
        hello = pb.AgentMessage(hello=control.hello_to_message(Hello("quay", 7)))
        async with reporting(Agent(server.address, host="skerry")) as bystander:
            async with grpc.aio.insecure_channel(str(server.address)) as channel:
                call = ReportsStub(channel).Report()
                for message in messages:
                    await call.write(hello if isinstance(message, str) else message)
                await call.done_writing()
                assert await call.code() is grpc.StatusCode.INVALID_ARGUMENT
                assert reason in await call.details()
            bystander.measure(1)
            await until(bystander.idle)
            assert server.ingest.statistics().refused == 1
            assert bystander.reporter.statistics().failures == 0
        await server.kill()

    asyncio.run(asyncio.wait_for(main(), 3 * LIMIT))


@on_loop
async def test_a_message_of_a_later_version_is_let_pass() -> None:
    server = await Server().start()
    async with grpc.aio.insecure_channel(str(server.address)) as channel:
        call = ReportsStub(channel).Report()
        await call.write(pb.AgentMessage(hello=pb.Hello(host="quay", instance=7)))
        await call.write(pb.AgentMessage.FromString(bytes([15 << 3 | 2, 1, 0])))
        await call.done_writing()
        assert await call.code() is grpc.StatusCode.OK
    await server.kill()


@on_loop
async def test_a_stopping_collector_sends_its_agents_away_and_they_come_back() -> None:
    server = await Server().start()
    async with reporting(Agent(server.address)) as agent:
        await until(lambda: agent.reporter.statistics().connected)
        await until(lambda: server.ingest.fill().streams == 1)
        server.ingest.close()
        await until(lambda: "stopping" in agent.reporter.statistics().last_failure)
        await server.kill()
        agent.measure(1)
        server = await Server().start(server.port)
        await until(agent.idle)
        assert server.received() == [1]
    await server.kill()


class Moody(ReportsServicer):
    """Ends the first streams as gRPC does that has too many calls waiting; then serves, and acknowledges when told."""

    def __init__(self, refusals: int, *, slowdown: int = 0) -> None:
        self.refusals = refusals
        self.slowdown = slowdown
        self.sequences: list[int] = []
        self.acknowledging = asyncio.Event()

    async def Report(self, requests: AsyncIterator[pb.AgentMessage], context: Any) -> None:  # noqa: N802
        if self.refusals:
            self.refusals -= 1
            await context.abort(grpc.StatusCode.CANCELLED, "too many calls")
        async for message in requests:
            if message.WhichOneof("body") == "batch":
                self.sequences.append(message.batch.sequence)
                await self.acknowledging.wait()
                told = pb.Acknowledgement(sequence=message.batch.sequence, report_slowdown=self.slowdown)
                await context.write(pb.CollectorMessage(acknowledgement=told))


@asynccontextmanager
async def moody(servicer: Moody) -> AsyncIterator[HostPort]:
    server = grpc.aio.server()
    add_ReportsServicer_to_server(servicer, server)  # type: ignore[no-untyped-call]
    port = server.add_insecure_port("127.0.0.1:0")
    await server.start()
    yield HostPort("127.0.0.1", port)
    await server.stop(None)


@on_loop
async def test_a_stream_cancelled_by_the_other_side_is_opened_again() -> None:
    servicer = Moody(refusals=3)
    servicer.acknowledging.set()
    async with moody(servicer) as address, reporting(Agent(address)) as agent:
        agent.measure(1)
        await until(agent.idle)
        assert agent.reporter.statistics().failures >= 3


@on_loop
async def test_what_a_slow_collector_does_not_take_waits_in_the_agent() -> None:
    servicer = Moody(refusals=0)
    async with moody(servicer) as address, reporting(Agent(address)) as agent:
        for t1_ns in range(10):
            agent.measure_and_report(t1_ns)
        await until(lambda: servicer.sequences and agent.spool.in_flight == MOST_IN_FLIGHT)
        agent.reporter.tell_now()
        for _ in range(100):
            await asyncio.sleep(0)
        assert (agent.spool.in_flight, agent.spool.unsent) == (MOST_IN_FLIGHT, True)
        servicer.acknowledging.set()
        await until(agent.idle)
        assert servicer.sequences == list(range(1, 11))


@on_loop
async def test_agents_report_as_much_less_often_as_they_are_asked() -> None:
    servicer = Moody(refusals=0, slowdown=4)
    servicer.acknowledging.set()
    async with moody(servicer) as address, reporting(Agent(address, interval=10.0)) as agent:
        assert agent.reporter.interval == 10.0
        patience = agent.reporter.patience
        agent.measure_and_report(1)
        await until(lambda: agent.reporter.interval == 40.0)
        assert agent.reporter.patience == 4 * patience, "who leaves a pressed collector presses it more"
        servicer.slowdown = 1000
        agent.measure_and_report(2)
        await until(lambda: agent.reporter.interval == LONGEST_SLOWED)


@on_loop
async def test_a_message_that_cannot_be_read_is_refused_in_one_line() -> None:
    server = await Server().start()
    async with grpc.aio.insecure_channel(str(server.address)) as channel:
        for messages in (
            [b"\xff\xff"],
            [pb.AgentMessage(hello=pb.Hello(host="q", instance=7)).SerializeToString(), b"\x0a"],
        ):
            call = channel.stream_stream("/noonmark.v1.Reports/Report")(iter(messages))
            assert await call.code() is grpc.StatusCode.INVALID_ARGUMENT
            assert await call.details() == "a message that cannot be read"
    assert server.ingest.statistics().refused == 2
    await server.kill()


@on_loop
async def test_a_stream_whose_agent_has_ended_its_side_ends_whatever_is_being_sent() -> None:
    """It once did not, where a plan was on its way at that moment."""
    server = await Server().start()
    server.ingest.on_arrival = lambda host: server.ingest.send_plan(host, Plan(1, ()))
    async with grpc.aio.insecure_channel(str(server.address)) as channel:
        for number in range(1, 40):
            call = ReportsStub(channel).Report()
            await call.write(pb.AgentMessage(hello=pb.Hello(host=f"quay-{number}", instance=7)))
            for sequence in range(1, number % 4 + 1):
                event = pb.ClockEvent(sequence=sequence, kind=pb.ClockEvent.STEP, epoch=2, at_ns=5)
                await call.write(pb.AgentMessage(clock_event=event))
            await call.done_writing()
            async with asyncio.timeout(LIMIT):
                async for _ in call:
                    pass
                assert await call.code() is grpc.StatusCode.OK
    await until(lambda: server.ingest.fill().streams == 0)
    await server.kill()


@on_loop
async def test_a_reporter_whose_clockwork_fails_ends_and_says_so() -> None:
    agent = Agent(HostPort("127.0.0.1", 1), interval=0.001)

    def fail(*, now: float) -> None:
        raise ZeroDivisionError(now)

    agent.spool.expire = fail  # type: ignore[method-assign]
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(agent.reporter.run(), LIMIT)
