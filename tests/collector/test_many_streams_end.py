"""A collector that stops with many streams open ends them all without a traceback, however short its grace is."""

from __future__ import annotations

import asyncio
import gc
import logging
from typing import Any

import grpc
import grpc.aio
import pytest

from noonmark.collector.directory import Directory
from noonmark.collector.ingest import Ingest
from noonmark.collector.window import Window
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Hello, hello_to_message
from noonmark.proto.noonmark_pb2_grpc import ReportsStub, add_ReportsServicer_to_server

STREAMS = 150


async def _stop_with_streams(troubles: list[str]) -> None:
    asyncio.get_running_loop().set_exception_handler(lambda _, context: troubles.append(str(context)))
    ingest = Ingest(Window(), Directory())
    server = grpc.aio.server()
    add_ReportsServicer_to_server(ingest, server)  # type: ignore[no-untyped-call]
    port = server.add_insecure_port("127.0.0.1:0")
    await server.start()
    async with grpc.aio.insecure_channel(f"127.0.0.1:{port}") as channel:
        calls: list[Any] = []
        for number in range(STREAMS):
            call = ReportsStub(channel).Report()
            hello = hello_to_message(Hello(f"gate-{number}", number + 1, endpoints=()))
            await call.write(pb.AgentMessage(hello=hello))
            calls.append(call)
        async with asyncio.timeout(20):
            while len(tuple(ingest.connected())) < STREAMS:
                await asyncio.sleep(0.01)
        ingest.close()
        await server.stop(0)
        for call in calls:
            code = await call.code()
            assert code in (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.CANCELLED), code
    await asyncio.sleep(0.1)


@pytest.mark.sockets
def test_all_end_without_a_word(caplog: pytest.LogCaptureFixture) -> None:
    troubles: list[str] = []
    with caplog.at_level(logging.WARNING):
        asyncio.run(_stop_with_streams(troubles))
        gc.collect()  # a task that failed unseen is told of when it goes
    told = [record.getMessage() for record in caplog.records if record.exc_info or record.levelno >= logging.ERROR]
    assert (troubles, told) == ([], [])


class _Dead:
    """A call that ended meanwhile: whatever is sent fails in gRPC's core, as ExecuteBatchError."""

    async def abort(self, *_: object) -> None:
        raise grpc.aio.InternalError

    async def write(self, _: object) -> None:
        raise grpc.aio.InternalError

    def peer(self) -> str:
        return "ipv4:192.0.2.7:1"


def test_refusing_a_stream_that_has_ended_is_no_error() -> None:
    async def nonsense() -> Any:
        yield pb.AgentMessage()

    async def serve() -> None:
        await Ingest(Window(), Directory()).Report(nonsense(), _Dead())  # type: ignore[arg-type]

    with pytest.raises(asyncio.CancelledError):
        asyncio.run(serve())


def test_what_is_under_way_when_the_server_cuts_a_stream_off_is_no_error() -> None:
    async def reports() -> Any:
        yield pb.AgentMessage(hello=hello_to_message(Hello("gate", 1, endpoints=())))
        await asyncio.sleep(3600)

    async def serve() -> None:
        ingest = Ingest(Window(), Directory())
        task = asyncio.create_task(ingest.Report(reports(), _Dead()))  # type: ignore[arg-type]
        async with asyncio.timeout(20):
            while not tuple(ingest.connected()):
                await asyncio.sleep(0)
            ingest.send_estimates({"gate": pb.HostEstimate()})
            await asyncio.sleep(0)
            ingest.close()
            with pytest.raises(asyncio.CancelledError):
                await task

    asyncio.run(serve())
