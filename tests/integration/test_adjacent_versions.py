"""Programs of adjacent versions: peers that speak a released form of the protocol, against the code of now.

The older side's messages are made from the released descriptor alone, so they know nothing that came since.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import grpc
import grpc.aio
import pytest
from google.protobuf import descriptor_pool, message_factory

from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.spool import Spool
from noonmark.collector.directory import Directory
from noonmark.collector.ingest import Ingest
from noonmark.collector.window import Window
from noonmark.proto import control, convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.compatibility import released
from noonmark.proto.control import Endpoint, Hello, Plan, PlannedPeer, ProbeCounters
from noonmark.proto.noonmark_pb2_grpc import add_ReportsServicer_to_server
from noonmark.proto.options import HostPort
from noonmark.proto.records import ProbeRecord, RecordBatch, StampSource

pytestmark = pytest.mark.sockets
CALL = "/noonmark.v1.Reports/Report"
KERNEL = (StampSource.KERNEL,) * 4


class OldForm:
    """The message classes of a released version."""

    def __init__(self, version: str) -> None:
        pool = descriptor_pool.DescriptorPool()
        pool.Add(released()[version])
        self._pool = pool

    def __getattr__(self, name: str) -> Any:
        return message_factory.GetMessageClass(self._pool.FindMessageTypeByName(f"noonmark.v1.{name}"))


@pytest.fixture(params=sorted(released()))
def old(request: pytest.FixtureRequest) -> OldForm:
    return OldForm(request.param)


def batch(sequence: int) -> RecordBatch:
    record = ProbeRecord("holm", sequence, sequence + 1, sequence + 2, sequence + 3, KERNEL, 1, 1, True)
    return RecordBatch.from_records(sequence, [record])


@asynccontextmanager
async def collector(ingest: Ingest) -> AsyncIterator[str]:
    server = grpc.aio.server(options=[("grpc.so_reuseport", 0)])
    add_ReportsServicer_to_server(ingest, server)
    port = server.add_insecure_port("127.0.0.1:0")
    await server.start()
    try:
        yield f"127.0.0.1:{port}"
    finally:
        await server.stop(None)


def test_an_agent_of_the_older_form_is_served(old: OldForm) -> None:
    """It forgets what is received, as it always did, and whatever it is told besides it passes over."""

    async def main() -> None:
        ingest = Ingest(Window(), Directory(), keeps=True)
        async with collector(ingest) as address, grpc.aio.insecure_channel(address) as channel:
            call = channel.stream_stream(
                CALL, request_serializer=lambda message: message.SerializeToString(), response_deserializer=old_read
            )()
            await call.write(old.AgentMessage(hello=old.Hello(host="quay", instance=7, version="0.1.0")))
            message = old.AgentMessage.FromString(
                pb.AgentMessage(batch=convert.batch_to_message(batch(1))).SerializeToString()
            )
            await call.write(message)
            reply = await call.read()
            assert reply.acknowledgement.sequence == 1, "at once, though nothing is kept yet"
            peers = (PlannedPeer("holm", Endpoint("127.0.0.8", 18620), 10**9),)
            ingest.send_plans({"quay": Plan(3, peers)})
            reply = await call.read()
            assert (reply.plan.version, reply.plan.peers[0].host) == (3, "holm")
            ingest.kept(ingest.marks())
            assert (await call.read()).acknowledgement.sequence == 1
            assert ingest.window.columns(0.0).t1_ns.tolist() == [1]
            call.cancel()

    def old_read(data: bytes) -> Any:
        return old.CollectorMessage.FromString(data)

    asyncio.run(asyncio.wait_for(main(), 30))


def test_an_agent_of_now_reports_to_a_collector_of_the_older_form(old: OldForm) -> None:
    """Which does not tell what is kept: what is received is forgotten then, or the agent would fill up."""

    class Older(grpc.GenericRpcHandler):
        def __init__(self) -> None:
            self.heard: list[Any] = []

        def service(self, details: grpc.HandlerCallDetails) -> grpc.RpcMethodHandler | None:
            if details.method != CALL:
                return None
            return grpc.stream_stream_rpc_method_handler(
                self.report,
                request_deserializer=old.AgentMessage.FromString,
                response_serializer=lambda message: message.SerializeToString(),
            )

        async def report(self, requests: AsyncIterator[Any], context: Any) -> AsyncIterator[Any]:
            async for message in requests:
                self.heard.append(message)
                if message.WhichOneof("body") == "batch":
                    yield old.CollectorMessage(acknowledgement=old.Acknowledgement(sequence=message.batch.sequence))
                elif message.WhichOneof("body") == "hello":
                    yield old.CollectorMessage(
                        plan=old.Plan(
                            version=1,
                            peers=[
                                old.Peer(
                                    host="holm",
                                    endpoint=old.Endpoint(address="127.0.0.8", port=18620),
                                    interval_ns=10**9,
                                )
                            ],
                        )
                    )

    async def main() -> None:
        handler = Older()
        server = grpc.aio.server(options=[("grpc.so_reuseport", 0)])
        server.add_generic_rpc_handlers((handler,))
        port = server.add_insecure_port("127.0.0.1:0")
        await server.start()
        plans: list[Plan] = []

        async def hello(where: HostPort) -> Hello:
            return Hello("quay", 7, version="9.9.9", endpoints=(Endpoint("127.0.0.9", 18620),))

        spool = Spool()
        reporter = Reporter(
            ReportSettings((HostPort("127.0.0.1", port),), interval=0.02, first_pause=0.01),
            spool,
            hello=hello,
            on_plan=plans.append,
            counters=ProbeCounters,
            rng=random.Random(1),
        )
        reporting = asyncio.create_task(reporter.run())
        for number in range(1, 4):
            reporter.add_records([ProbeRecord("holm", number, number, number, number, KERNEL, 1, 1, True)])
            await asyncio.sleep(0.03)
        while spool.statistics().rows or not plans:
            await asyncio.sleep(0.005)
        assert spool.statistics().records_acknowledged == 3
        assert plans[0].peers[0].host == "holm"
        assert reporter.statistics().failures == 0
        assert handler.heard[0].hello.version == "9.9.9"
        reporter.stop()
        await reporting
        await server.stop(None)

    asyncio.run(asyncio.wait_for(main(), 30))


def test_hello_of_now_is_read_by_the_older_form(old: OldForm) -> None:
    told = control.hello_to_message(Hello("quay", 7, "9", (Endpoint("127.0.0.1", 1),), "harbour", "gate", "boot"))
    read = old.AgentMessage.FromString(pb.AgentMessage(hello=told).SerializeToString()).hello
    assert (read.host, read.instance, read.zone, read.role, read.boot_id) == ("quay", 7, "harbour", "gate", "boot")
