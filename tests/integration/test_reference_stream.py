"""From a reference's own state on its host to the fleet's uncertainty, over the real report stream."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Sequence

import grpc.aio
import pytest
from receivers import SECOND_NS, StillClock

from noonmark.agent.reference import Observation
from noonmark.agent.reference_config import ReferenceConfig
from noonmark.agent.reference_watch import Leaps, ReferenceWatch
from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.spool import Spool, SpoolSettings
from noonmark.collector.directory import Directory
from noonmark.collector.estimate import FindingKind, FleetEstimate
from noonmark.collector.estimator import Estimator
from noonmark.collector.ingest import Ingest
from noonmark.collector.pipeline import step
from noonmark.collector.references import FREE_RUN_UNCERTAINTY_NS
from noonmark.collector.state import State
from noonmark.collector.window import Window
from noonmark.proto.control import Endpoint, Hello, ProbeCounters
from noonmark.proto.leap_seconds import LeapList
from noonmark.proto.noonmark_pb2_grpc import add_ReportsServicer_to_server
from noonmark.proto.options import HostPort
from noonmark.proto.records import ProbeRecord, StampSource
from noonmark.proto.reference import KernelClock, ReferenceState

pytestmark = pytest.mark.sockets
LIMIT = 20.0
KERNEL = (StampSource.KERNEL,) * 4


class Host:
    """A reference host: a clock that stands still until told, a watch without readers of its own, a reporter."""

    name = "quay-ref"

    def __init__(self, collector: HostPort) -> None:
        self.clock = StillClock()
        self.clock.kernel = KernelClock(True, 2_000_000, 400_000, 0.0)
        self.watch = ReferenceWatch(
            ReferenceConfig(oscillator="tcxo"),
            self.clock,
            on_records=lambda records: None,
            epoch=lambda: 1,
            readers=[Silent()],
            leaps=Leaps(LeapList((0,), (37,), 1 << 40)),
        )
        self.reporter = Reporter(
            ReportSettings([collector], interval=0.02),
            Spool(SpoolSettings()),
            hello=self.hello,
            on_plan=lambda plan: None,
            counters=ProbeCounters,
            rng=random.Random(1),
            standing=self.watch.messages,
        )

    async def hello(self, collector: HostPort) -> Hello:
        return Hello(self.name, 7, endpoints=(Endpoint("127.0.0.9", 18620),))

    def seconds(self, count: int, *, good: bool) -> None:
        for _ in range(count):
            self.clock.advance(SECOND_NS)
            now = self.clock.monotonic_ns()
            self.watch.take(Observation("pps:a", "pps", 0, now, good, 250 if good else None, 100, 500))
            self.watch.look()
        self.reporter.tell_now()

    def measure(self, count: int) -> None:
        """Exchanges with a gate whose clock is 4 ms ahead."""
        start = self.clock.realtime_ns()
        self.reporter.add_records([exchange(start + place * 50_000_000) for place in range(count)])


class Silent:
    name = "pps:a"

    async def observations(self):  # type: ignore[no-untyped-def]
        await asyncio.Event().wait()
        yield


def exchange(t1_ns: int, ahead_ns: int = 4_000_000) -> ProbeRecord:
    there = 20_000 + t1_ns // 50_000_000 % 7 * 300
    t2_ns = t1_ns + there + ahead_ns
    return ProbeRecord("gate", t1_ns, t2_ns, t2_ns + 15_000, t1_ns + there + 15_000 + 20_000, KERNEL, 1, 1, True)


class Collector:
    """Ingest and estimator, ticked by hand."""

    def __init__(self, references: Sequence[str]) -> None:
        from noonmark.collector.config import reference

        self.window, self.directory, self.state = Window(), Directory(), State()
        self.ingest = Ingest(self.window, self.directory)
        self.estimator = Estimator(
            self.window,
            self.state,
            step=step,
            references=[reference(text) for text in references],
            reports=self.directory.reports,
        )

    async def start(self) -> HostPort:
        self.server = grpc.aio.server(options=[("grpc.so_reuseport", 0)])
        add_ReportsServicer_to_server(self.ingest, self.server)
        port = self.server.add_insecure_port("127.0.0.1:0")
        await self.server.start()
        return HostPort("127.0.0.1", port)

    async def estimate(self) -> FleetEstimate:
        await self.estimator.tick(0.0)
        published = self.state.latest()
        assert published is not None
        return published.estimate

    async def told(self, state: ReferenceState) -> None:
        """Wait until the host has told this state."""
        while True:
            entry = self.directory.get(Host.name)
            if entry is not None and entry.reported.reference_state == state.label and len(self.window.columns(0.0)):
                return
            await asyncio.sleep(0.005)


def test_a_references_state_shows_in_every_hosts_uncertainty() -> None:
    async def body() -> None:
        collector = Collector(["quay-ref"])
        host = Host(await collector.start())
        running = asyncio.create_task(host.reporter.run())
        host.measure(60)
        host.seconds(12, good=True)
        await collector.told(ReferenceState.LOCKED)
        locked = await collector.estimate()
        host.seconds(600, good=False)
        await collector.told(ReferenceState.HOLDOVER)
        held = await collector.estimate()
        host.clock.offset_ns += 1
        host.watch.clock_event(step_event())
        host.seconds(1, good=False)
        await collector.told(ReferenceState.FREE_RUN)
        free = await collector.estimate()
        host.seconds(12, good=True)
        await collector.told(ReferenceState.LOCKED)
        again = await collector.estimate()
        host.reporter.stop()
        await running
        await collector.server.stop(None)

        gate = locked.index("gate")
        assert abs(int(locked.offset_ns[gate]) - 4_000_000) < 5_000
        assert locked.uncertainty_ns[gate] < 20_000
        # A TCXO's 5e-7 over temperature, as a standard uncertainty, makes 170 us in ten minutes.
        assert held.uncertainty_ns[gate] == pytest.approx(5e-7 / math.sqrt(3) * 600e9, rel=0.5)
        assert held.upper_ns[gate] - held.lower_ns[gate] > locked.upper_ns[gate] - locked.lower_ns[gate]
        assert free.uncertainty_ns[gate] >= FREE_RUN_UNCERTAINTY_NS
        assert again.uncertainty_ns[gate] < 20_000
        kinds = [[finding.kind for finding in estimate.findings] for estimate in (locked, held, free, again)]
        assert [FindingKind.REFERENCE_STATE in found for found in kinds] == [False, True, True, False]
        assert collector.directory.reports()[Host.name].claimed_error_ns == 2_000_000

    asyncio.run(asyncio.wait_for(body(), LIMIT))


def step_event():  # type: ignore[no-untyped-def]
    from noonmark.proto.records import ClockEvent, ClockEventKind

    return ClockEvent(ClockEventKind.STEP, 2, 0, 1)


def test_a_status_that_makes_no_sense_ends_the_stream_and_harms_nothing() -> None:
    from noonmark.proto import noonmark_pb2 as pb
    from noonmark.proto.noonmark_pb2_grpc import ReportsStub

    async def body() -> None:
        collector = Collector([])
        where = await collector.start()
        async with grpc.aio.insecure_channel(str(where)) as channel:
            call = ReportsStub(channel).Report()
            await call.write(pb.AgentMessage(hello=pb.Hello(host="quay-ref", instance=5)))
            bad = pb.ReferenceStatus(sources=[pb.ReferenceSource()])
            await call.write(pb.AgentMessage(reference=bad))
            assert await call.code() is grpc.StatusCode.INVALID_ARGUMENT
            assert "a source without a name" in await call.details()
        assert collector.directory.reports() == {}
        await collector.server.stop(None)

    asyncio.run(asyncio.wait_for(body(), LIMIT))
