"""Serves the agent's few pages over HTTP: /metrics, /healthz, /livez and /readyz. Rim.

In the event loop, so a page shows no half-changed numbers, and an agent whose loop hangs fails its health check. One
answer a connection (HTTP/1.0, RFC 1945), a request is at most 8 KiB, and a silent client is dropped: that is all a
scraper or a probe of an orchestrator needs.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from noonmark.agent.exposition import CONTENT_TYPE, expose
from noonmark.agent.metrics import Snapshot, families
from noonmark.proto.options import HostPort

REQUEST_WITHIN = 5.0
LONGEST_REQUEST = 8192
REASONS = {200: "OK", 400: "Bad Request", 404: "Not Found", 405: "Method Not Allowed", 503: "Service Unavailable"}


@dataclass(frozen=True, slots=True)
class Page:
    """An answer."""

    status: int
    body: str
    content_type: str = "text/plain; charset=utf-8"


def page(path: str, snapshot: Callable[[], Snapshot]) -> Page:
    """The page at a path. /livez and /healthz: the program runs; /readyz: it also has a collector."""
    if path == "/metrics":
        return Page(200, expose(families(snapshot())), CONTENT_TYPE)
    if path in ("/healthz", "/livez"):
        return Page(200, "ok\n")
    if path == "/readyz":
        report = snapshot().report
        if report.connected:
            return Page(200, "ok\n")
        return Page(503, f"no collector connected: {report.last_failure or 'not yet'}\n")
    return Page(404, "try /metrics, /healthz, /livez or /readyz\n")


def answer(request: bytes, snapshot: Callable[[], Snapshot]) -> bytes:
    """The whole answer to a request's head."""
    words = request.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
    if len(words) != 3 or not words[2].startswith("HTTP/"):
        found = Page(400, "this is an HTTP port\n")
    elif words[0] not in ("GET", "HEAD"):
        found = Page(405, "only GET and HEAD\n")
    else:
        found = page(words[1].partition("?")[0], snapshot)
    body = found.body.encode()
    head = (
        f"HTTP/1.0 {found.status} {REASONS[found.status]}\r\nContent-Type: {found.content_type}\r\n"
        f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    )
    return head.encode() + (b"" if words[0] == "HEAD" else body)


class PageServer:
    """Listens on one address."""

    def __init__(self, snapshot: Callable[[], Snapshot]) -> None:
        self._snapshot = snapshot
        self._server: asyncio.Server | None = None

    async def start(self, where: HostPort) -> None:
        """Raises OSError if the address cannot be bound."""
        self._server = await asyncio.start_server(self._serve, where.host, where.port, limit=LONGEST_REQUEST)

    @property
    def port(self) -> int:
        """As really bound."""
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            async with asyncio.timeout(REQUEST_WITHIN):
                request = await reader.readuntil(b"\r\n\r\n")
                writer.write(answer(request, self._snapshot))
                await writer.drain()
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    def close(self) -> None:
        """Free the port."""
        if self._server is not None:
            self._server.close()
