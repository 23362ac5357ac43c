"""The collector's real web application on a loopback port, in a thread of its own with its own event loop."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from prometheus_client import CollectorRegistry

from noonmark.collector.budgets import Budgets
from noonmark.collector.estimate import Reference
from noonmark.collector.http_api import Api
from noonmark.collector.page import add_page
from noonmark.collector.query import Past
from noonmark.collector.state import State
from noonmark.collector.web import application, serve
from noonmark.proto.options import HostPort


@contextmanager
def web_serving(
    state: State,
    history: Past | None = None,
    budgets: Budgets | None = None,
    references: Sequence[Reference] = (),
) -> Iterator[str]:
    """The site's address, ending without a slash; it is gone with the block."""
    loop = asyncio.new_event_loop()
    ready, stop = threading.Event(), asyncio.Event()
    port: list[int] = []

    async def run() -> None:
        app = application(CollectorRegistry(), lambda: "" if state.latest() else "no estimate yet")
        Api(state, history, budgets=budgets, references=references).add_to(app)
        add_page(app)
        runner = await serve(app, HostPort("127.0.0.1", 0))
        port.append(runner.addresses[0][1])
        ready.set()
        await stop.wait()
        await runner.cleanup()
        await loop.shutdown_default_executor()

    thread = threading.Thread(target=loop.run_until_complete, args=(run(),))
    thread.start()
    assert ready.wait(20)
    try:
        yield f"http://127.0.0.1:{port[0]}"
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)
        loop.close()
