"""The whole collector in this process, on loopback ports: what an agent, a reader and a scraper each get."""

from __future__ import annotations

import asyncio
import random
import socket
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import grpc
import grpc.aio
import pytest
from grpc_health.v1 import health_pb2, health_pb2_grpc
from grpc_reflection.v1alpha import reflection_pb2, reflection_pb2_grpc
from prometheus_client.parser import text_string_to_metric_families
from secured import LIMIT, until

from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.spool import Spool
from noonmark.collector import config as collector_config
from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference
from noonmark.collector.server import CannotListen, CollectorServer
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Endpoint, Hello, Plan, ProbeCounters
from noonmark.proto.noonmark_pb2_grpc import QueryStub
from noonmark.proto.options import HostPort, gather
from noonmark.proto.records import ProbeRecord, StampSource

pytestmark = pytest.mark.sockets
KERNEL = (StampSource.KERNEL,) * 4
OFFSETS = {"quay": 0, "skerry": 1_500_000, "holm": -700_000}
"""Ahead of the reference, in ns."""


def settings(**flags: object) -> collector_config.CollectorConfig:
    defaults = {"listen": "127.0.0.1:0", "http": "off", "data": "off", "tick": "100ms", "window": "10s"}
    merged = gather(collector_config.OPTIONS, flags=defaults | flags, environment={}, prefix="X")
    return collector_config.build(merged, {}, Path("/nowhere"))


@asynccontextmanager
async def running(server: CollectorServer) -> AsyncIterator[CollectorServer]:
    stop = asyncio.Event()
    task = asyncio.create_task(server.run(stop))
    try:
        await until(lambda: server.port or task.done())
        yield server
    finally:
        stop.set()
        async with asyncio.timeout(LIMIT):
            await task


class Host:
    """An agent without sockets for probing: it makes its records up, from the offsets above and a delay of 20 us."""

    def __init__(self, name: str, port: int) -> None:
        self.name = name
        self.plan = Plan(0, ())
        self.reporter = Reporter(
            ReportSettings((HostPort("127.0.0.1", port),), interval=0.05, first_pause=0.01),
            Spool(),
            hello=self.hello,
            on_plan=self.follow,
            counters=ProbeCounters,
            rng=random.Random(1),
        )
        self.clock = 1_800_000_000 * 10**9

    async def hello(self, collector: HostPort) -> Hello:
        number = 1 + list(OFFSETS).index(self.name)
        return Hello(self.name, number, endpoints=(Endpoint(f"127.0.0.{number}", 18620),), zone=self.name)

    def follow(self, plan: Plan) -> None:
        self.plan = plan

    def probe(self) -> None:
        """Exchange with each peer of the plan, a second of made-up time after the last."""
        self.clock += 10**9
        own = OFFSETS[self.name]
        for peer in self.plan.peers:
            other = OFFSETS[peer.host]
            times = (own, other + 20_000, other + 30_000, own + 50_000)
            stamps = [self.clock + time for time in times]
            self.reporter.add_records([ProbeRecord(peer.host, *stamps, KERNEL, 1, 1, True)])


@asynccontextmanager
async def fleet(port: int) -> AsyncIterator[list[Host]]:
    hosts = [Host(name, port) for name in OFFSETS]
    tasks = [asyncio.create_task(host.reporter.run()) for host in hosts]
    try:
        yield hosts
    finally:
        for host in hosts:
            host.reporter.stop()
        await asyncio.gather(*tasks)


def run(test: Callable[[], Any]) -> None:
    asyncio.run(asyncio.wait_for(test(), 3 * LIMIT))


def test_a_fleet_is_planned_estimated_told_and_asked_about() -> None:
    async def main() -> None:
        async with running(CollectorServer(settings(reference=("quay",), http="127.0.0.1:0"))) as server:
            with pytest.raises(urllib.error.HTTPError) as early:
                await fetch(f"http://127.0.0.1:{server.http_port}/readyz")
            assert early.value.code == 503
            early.value.close()
            async with fleet(server.port) as hosts:
                await until(lambda: all(len(host.plan.peers) == 2 for host in hosts))
                for _ in range(20):
                    for host in hosts:
                        host.probe()
                told = hosts[1].reporter
                await until(lambda: told.own_estimate is not None and told.own_estimate.state == "measured")
                own = told.own_estimate
                assert own is not None
                assert own.offset_ns == pytest.approx(1_500_000, abs=1000)
                assert own.lower_ns is not None
                assert own.upper_ns is not None
                assert own.lower_ns <= 1_500_000 <= own.upper_ns
                reply = await ask(server.port)
                offsets = {host.host: host.offset_ns for host in reply.hosts}
                assert offsets == {name: pytest.approx(offset, abs=1000) for name, offset in OFFSETS.items()}
                assert [host.zone for host in reply.hosts] == [host.host for host in reply.hosts]
                await check_pages(f"http://127.0.0.1:{server.http_port}")
            await until(lambda: server.ingest.fill().streams == 0)

    async def check_pages(site: str) -> None:
        assert await fetch(f"{site}/readyz") == "ok\n"
        assert await fetch(f"{site}/livez") == "ok\n"
        text = await fetch(f"{site}/metrics")
        values = {
            (sample.name, sample.labels.get("host", sample.labels.get("outcome", ""))): sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
        }
        assert values["noonmark_host_time_error_seconds", "holm"] == pytest.approx(-0.7e-3, abs=1e-6)
        assert values["noonmark_collector_streams", ""] == 3
        assert values["noonmark_collector_ticks_total", "published"] >= 1
        assert values["noonmark_ingest_records_total", ""] == 120

    run(main)


async def fetch(url: str) -> str:
    def get() -> str:
        with urllib.request.urlopen(url, timeout=LIMIT) as answer:
            return str(answer.read().decode())

    return await asyncio.to_thread(get)


async def ask(port: int) -> pb.FleetReply:
    async with grpc.aio.insecure_channel(f"127.0.0.1:{port}") as channel:
        return await QueryStub(channel).Fleet(pb.FleetRequest())


def test_health_and_reflection_answer() -> None:
    async def main() -> None:
        async with (
            running(CollectorServer(settings())) as server,
            grpc.aio.insecure_channel(f"127.0.0.1:{server.port}") as channel,
        ):
            health = health_pb2_grpc.HealthStub(channel)
            for service in ("", "noonmark.v1.Reports", "noonmark.v1.Query"):
                answer = await health.Check(health_pb2.HealthCheckRequest(service=service))
                assert answer.status == health_pb2.HealthCheckResponse.SERVING
            request = reflection_pb2.ServerReflectionRequest(list_services="")
            call = reflection_pb2_grpc.ServerReflectionStub(channel).ServerReflectionInfo(iter([request]))
            listed = await call.read()
            names = {service.name for service in listed.list_services_response.service}
            assert {"noonmark.v1.Reports", "noonmark.v1.Query", "grpc.health.v1.Health"} <= names
            call.cancel()

    run(main)


def test_a_failing_calculation_leaves_reports_and_health_alone() -> None:
    def broken(
        probes: ProbeColumns, *, references: Sequence[Reference], previous: FleetEstimate | None
    ) -> FleetEstimate:
        raise FloatingPointError("on purpose")

    async def main() -> None:
        async with running(CollectorServer(settings(), step=broken)) as server, fleet(server.port) as hosts:
            await until(lambda: all(host.plan.peers for host in hosts))
            for host in hosts:
                host.probe()
            await until(lambda: server.estimator.statistics().failed >= 2)
            hosts[0].probe()
            await until(lambda: server.ingest.statistics().records == 8)
            with pytest.raises(grpc.aio.AioRpcError) as error:
                await ask(server.port)
            assert error.value.code() is grpc.StatusCode.NOT_FOUND

    run(main)


def test_stopping_does_not_wait_for_a_calculation() -> None:
    release: list[bool] = []

    def endless(
        probes: ProbeColumns, *, references: Sequence[Reference], previous: FleetEstimate | None
    ) -> FleetEstimate:
        import time

        release.append(False)
        for _ in range(2000):
            if release[-1]:
                break
            time.sleep(0.01)
        raise RuntimeError("released")

    async def main() -> None:
        async with running(CollectorServer(settings(), step=endless)) as server, fleet(server.port) as hosts:
            await until(lambda: all(host.plan.peers for host in hosts))
            hosts[0].probe()
            await until(lambda: release)
        assert release == [False]
        release.append(True)

    run(main)


def test_the_past_can_be_asked_for(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(CollectorServer(settings(data=str(tmp_path), reference=("quay",)))) as server:
            async with fleet(server.port) as hosts:
                await until(lambda: all(len(host.plan.peers) == 2 for host in hosts))
                for _ in range(20):
                    for host in hosts:
                        host.probe()
                await until(lambda: server.estimator.statistics().ticks >= 2)
            latest = server.state.latest()
            assert latest is not None
            async with grpc.aio.insecure_channel(f"127.0.0.1:{server.port}") as channel:
                then = await QueryStub(channel).Offset(pb.OffsetRequest(a="holm", at_ns=latest.estimate.at_ns))
            assert then.known
            assert then.offset_ns == pytest.approx(OFFSETS["holm"], abs=1000)
            assert server.keeping is not None
            assert server.keeping.statistics().failures == 0

    run(main)
    assert (tmp_path / "history.sqlite").exists()


def test_a_collector_that_can_keep_nothing_any_more_ends_and_says_so(tmp_path: Path) -> None:
    async def main() -> None:
        server = CollectorServer(settings(data=str(tmp_path)))
        assert server.keeping is not None

        async def fail() -> None:
            raise ZeroDivisionError

        server.keeping.run = fail  # type: ignore[method-assign]
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(server.run(asyncio.Event()), LIMIT)

    run(main)


def test_a_collector_that_cannot_listen_lets_go_of_its_history(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(CollectorServer(settings())) as first:
            taken = CollectorServer(settings(listen=f"127.0.0.1:{first.port}", data=str(tmp_path)))
            with pytest.raises(CannotListen):
                await taken.run(asyncio.Event())
        async with running(CollectorServer(settings(data=str(tmp_path)))) as another:
            assert another.port

    run(main)


def test_of_two_that_look_before_either_listens_one_has_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("noonmark.collector.server.is_free", lambda where: True)
    with socket.socket() as some:
        some.bind(("127.0.0.1", 0))
        listen = f"127.0.0.1:{some.getsockname()[1]}"

    async def main() -> None:
        async with running(CollectorServer(settings(listen=listen))):
            with pytest.raises(CannotListen):
                await asyncio.wait_for(CollectorServer(settings(listen=listen)).run(asyncio.Event()), 10)
        async with running(CollectorServer(settings(listen=listen))) as again:
            assert again.port

    run(main)


def test_a_taken_port_is_said() -> None:
    async def main() -> None:
        async with running(CollectorServer(settings())) as server:
            second = CollectorServer(settings(listen=f"127.0.0.1:{server.port}"))
            with pytest.raises(CannotListen):
                await second.run(asyncio.Event())

    run(main)
