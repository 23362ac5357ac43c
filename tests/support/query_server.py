"""A real query service on loopback in a thread of its own, for tests of clients and of the command line."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import grpc

from noonmark.collector.budgets import Budgets
from noonmark.collector.query import Past, QueryService
from noonmark.collector.state import State
from noonmark.proto.noonmark_pb2_grpc import add_QueryServicer_to_server


@contextmanager
def serving(state: State, history: Past | None = None, budgets: Budgets | None = None) -> Iterator[str]:
    """The address of a service that answers from these; it ends with the block."""
    loop = asyncio.new_event_loop()
    ready = threading.Event()
    address: list[str] = []
    stop = asyncio.Event()

    async def run() -> None:
        server = grpc.aio.server()
        add_QueryServicer_to_server(QueryService(state, history, budgets=budgets), server)
        port = server.add_insecure_port("127.0.0.1:0")
        await server.start()
        address.append(f"127.0.0.1:{port}")
        ready.set()
        await stop.wait()
        await server.stop(None)

    thread = threading.Thread(target=loop.run_until_complete, args=(run(),))
    thread.start()
    ready.wait(10)
    try:
        yield address[0]
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(10)
        loop.close()
