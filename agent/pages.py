"""Serves the agent's few pages over HTTP: /time, /metrics, /healthz, /livez and /readyz. Rim.

In the event loop, so a page shows no half-changed numbers, and an agent whose loop hangs fails its health check. One
answer a connection (HTTP/1.0, RFC 1945), a request is at most 8 KiB, and a silent client is dropped: that is all a
scraper, a probe of an orchestrator, or a program that asks the time needs. The same pages can be had on a Unix socket.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from noonmark.agent.exposition import CONTENT_TYPE, expose
from noonmark.agent.metrics import Snapshot, families
from noonmark.proto.options import HostPort
from noonmark.proto.time_record import NOTHING, TimeReading, read_at
from noonmark.proto.tls_files import TlsFileProblem, TlsFiles

if TYPE_CHECKING:
    import ssl

REQUEST_WITHIN = 5.0
LONGEST_REQUEST = 8192
RENEW_EVERY = 5.0
REASONS = {200: "OK", 400: "Bad Request", 404: "Not Found", 405: "Method Not Allowed", 503: "Service Unavailable"}


@dataclass(frozen=True, slots=True)
class Page:
    """An answer."""

    status: int
    body: str
    content_type: str = "text/plain; charset=utf-8"


def time_document(reading: TimeReading) -> str:
    """The reading as JSON: keys as its fields, times in ns; those that are not known are null."""
    document = reading._asdict()
    if not reading.known:
        document |= dict.fromkeys(("reference_ns", "uncertainty_ns", "offset_ns"))
    return json.dumps({"schema": "noonmark.time/1", **document}, ensure_ascii=False) + "\n"


def no_time() -> TimeReading:
    """Nothing is known."""
    return read_at(NOTHING, 0, 0, 0, bytes(16))


def page(path: str, snapshot: Callable[[], Snapshot], time_now: Callable[[], TimeReading]) -> Page:
    """The page at a path.

    /time: as of the moment of the answer, 503 while nothing is known. /livez and /healthz: the program runs; /readyz:
    it also has a collector.
    """
    if path == "/metrics":
        return Page(200, expose(families(snapshot())), CONTENT_TYPE)
    if path in ("/healthz", "/livez"):
        return Page(200, "ok\n")
    if path == "/readyz":
        report = snapshot().report
        if report.connected:
            return Page(200, "ok\n")
        return Page(503, f"no collector connected: {report.last_failure or 'not yet'}\n")
    if path == "/time":
        reading = time_now()
        return Page(200 if reading.known else 503, time_document(reading), "application/json")
    return Page(404, "try /time, /metrics, /healthz, /livez or /readyz\n")


def answer(request: bytes, snapshot: Callable[[], Snapshot], time_now: Callable[[], TimeReading] = no_time) -> bytes:
    """The whole answer to a request's head."""
    words = request.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
    if len(words) != 3 or not words[2].startswith("HTTP/"):
        found = Page(400, "this is an HTTP port\n")
    elif words[0] not in ("GET", "HEAD"):
        found = Page(405, "only GET and HEAD\n")
    else:
        found = page(words[1].partition("?")[0], snapshot, time_now)
    body = found.body.encode()
    head = (
        f"HTTP/1.0 {found.status} {REASONS[found.status]}\r\nContent-Type: {found.content_type}\r\n"
        f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    )
    return head.encode() + (b"" if words[0] == "HEAD" else body)


class PageServer:
    """Listens on one address, or on a Unix socket, or on both."""

    def __init__(self, snapshot: Callable[[], Snapshot], time_now: Callable[[], TimeReading] = no_time) -> None:
        self._snapshot = snapshot
        self._time_now = time_now
        self._servers: list[asyncio.Server] = []
        self._socket: Path | None = None
        self._renewing: asyncio.Task[None] | None = None

    async def start(self, where: HostPort, certificate: Path | None = None, key: Path | None = None) -> None:
        """Over TLS 1.3 with a certificate. Raises OSError if the address cannot be bound, TlsFileProblem."""
        tls = None
        if certificate is not None and key is not None:
            tls = tls_context(certificate, key)
            self._renewing = asyncio.create_task(keep_renewed(tls, certificate, key))
        server = await asyncio.start_server(self._serve, where.host, where.port, limit=LONGEST_REQUEST, ssl=tls)
        self._servers.insert(0, server)

    async def start_unix(self, where: Path) -> None:
        """Raises OSError naming the place if the socket cannot be made, or if somebody answers there already."""
        if await asyncio.to_thread(somebody_answers, where):
            raise OSError(errno.EADDRINUSE, "somebody answers there already", str(where))
        try:
            self._servers.append(await asyncio.start_unix_server(self._serve, where, limit=LONGEST_REQUEST))
        except OSError as error:
            raise OSError(error.errno, os.strerror(error.errno or errno.EIO), str(where)) from error
        self._socket = where
        where.chmod(0o666)  # whoever may read the clock may ask how good it is

    @property
    def port(self) -> int:
        """As really bound."""
        return int(self._servers[0].sockets[0].getsockname()[1])

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            async with asyncio.timeout(REQUEST_WITHIN):
                request = await reader.readuntil(b"\r\n\r\n")
                writer.write(answer(request, self._snapshot, self._time_now))
                await writer.drain()
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    def close(self) -> None:
        """Free port and socket."""
        if self._renewing is not None:
            self._renewing.cancel()
        for server in self._servers:
            server.close()
        if self._socket is not None:
            self._socket.unlink(missing_ok=True)


def somebody_answers(where: Path) -> bool:
    """Whether a Unix socket is served; one that an ended program left is not."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(1.0)
        try:
            asking.connect(str(where))
        except OSError:
            return False
        return True


def tls_context(certificate: Path, key: Path) -> ssl.SSLContext:
    """A server's context, TLS 1.3. Raises TlsFileProblem."""
    import ssl  # only here: it costs 4 MB, and few agents show their metrics beyond their host

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    load(context, certificate, key)
    return context


def load(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    """Show this certificate from now on. Raises TlsFileProblem."""
    try:
        context.load_cert_chain(certificate, key)
    except OSError as error:  # ssl.SSLError is one too
        raise TlsFileProblem(f"{certificate} with {key}: cannot be used: {error.strerror or error}") from None


async def keep_renewed(context: ssl.SSLContext, certificate: Path, key: Path, *, every: float = RENEW_EVERY) -> None:
    """Look for new files, for ever; such as do not belong together are left for the next look."""
    files = TlsFiles(certificate, certificate, key)
    used = files.signature()
    while True:
        await asyncio.sleep(every)
        signature = files.signature()
        if signature != used:
            with contextlib.suppress(TlsFileProblem):
                load(context, certificate, key)
                used = signature
