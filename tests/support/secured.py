"""A collector and reporters in this process, with or without TLS, for tests of what goes between them."""

from __future__ import annotations

import asyncio
import functools
import random
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Protocol, TypeVar

import pytest

from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.spool import Spool
from noonmark.collector import config as collector_config
from noonmark.collector import server as server_module
from noonmark.collector import tls_server, watched_file
from noonmark.collector.server import CollectorServer
from noonmark.proto.channels import Security
from noonmark.proto.control import Endpoint, Hello, ProbeCounters
from noonmark.proto.options import HostPort, gather
from noonmark.proto.records import ProbeRecord, StampSource
from noonmark.proto.tls_files import TlsFiles

LIMIT = 20.0
KERNEL = (StampSource.KERNEL,) * 4


def look_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have a collector look at its files at every chance, and end what expired at once."""
    monkeypatch.setattr(tls_server, "LOOK_EVERY", 0.0)
    monkeypatch.setattr(watched_file, "LOOK_EVERY", 0.0)
    monkeypatch.setattr(server_module, "EXPIRE_EVERY", 0.05)


def settings(files: TlsFiles | None, **flags: object) -> collector_config.CollectorConfig:
    given: dict[str, object] = {"listen": "127.0.0.1:0", "http": "off", "data": "off", "tick": "200ms", "window": "10s"}
    if files is not None:
        given |= {"tls_certificate": str(files.certificate), "tls_key": str(files.key)}
        given |= {"tls_authority": str(files.authority)}
    merged = gather(collector_config.OPTIONS, flags=given | flags, environment={}, prefix="X")
    return collector_config.build(merged, {}, Path("/nowhere"))


@asynccontextmanager
async def running(config: collector_config.CollectorConfig) -> AsyncIterator[CollectorServer]:
    server = CollectorServer(config)
    stop = asyncio.Event()
    task = asyncio.create_task(server.run(stop))
    try:
        await until(lambda: (server.port and (config.http is None or server.http_port)) or task.done())
        yield server
    finally:
        stop.set()
        async with asyncio.timeout(LIMIT):
            await task


async def until(condition: Callable[[], Any]) -> None:
    async with asyncio.timeout(LIMIT):
        while not condition():
            await asyncio.sleep(0.005)


def on_loop(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    @functools.wraps(test)
    def run(*arguments: Any, **named: Any) -> None:
        asyncio.run(asyncio.wait_for(test(*arguments, **named), 3 * LIMIT))

    return run


class Agent:
    """A reporter as the agent wires it."""

    def __init__(
        self, host: str, port: int, files: TlsFiles | None, *, name: str = "", address: str = "127.0.0.1"
    ) -> None:
        security = Security(files, name)
        self.host = host
        self.spool = Spool()
        self.reporter = Reporter(
            ReportSettings(
                (HostPort(address, port),), interval=0.02, first_pause=0.01, longest_pause=0.05, security=security
            ),
            self.spool,
            hello=self.hello,
            on_plan=lambda plan: None,
            counters=ProbeCounters,
            rng=random.Random(1),
        )

    async def hello(self, collector: HostPort) -> Hello:
        return Hello(self.host, 7, endpoints=(Endpoint("127.0.0.9", 18620),))

    def measure(self, *times: int) -> None:
        self.reporter.add_records([ProbeRecord("holm", t, t + 1, t + 2, t + 3, KERNEL, 1, 1, True) for t in times])

    @property
    def failure(self) -> str:
        return self.reporter.statistics().last_failure

    @property
    def connected(self) -> bool:
        return self.reporter.statistics().connected


class Reporting(Protocol):
    """Whatever has a reporter."""

    reporter: Reporter


AnAgent = TypeVar("AnAgent", bound=Reporting)


@asynccontextmanager
async def reporting(agent: AnAgent) -> AsyncIterator[AnAgent]:
    task = asyncio.create_task(agent.reporter.run())
    try:
        yield agent
    finally:
        agent.reporter.stop()
        async with asyncio.timeout(LIMIT):
            await task


async def in_thread(work: Callable[[], Any]) -> Any:
    return await asyncio.to_thread(work)
