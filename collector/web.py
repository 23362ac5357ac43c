"""The collector's HTTP pages: /metrics and the health checks. Rim.

A page is rendered in a thread: a large fleet's metrics take a good part of a second, and reports must not wait for it.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable

from aiohttp import web
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest

from noonmark.proto.options import HostPort


def application(registry: CollectorRegistry, not_ready: Callable[[], str]) -> web.Application:
    """The pages. `not_ready` gives the reason why there is nothing to serve yet, or an empty text."""

    async def metrics(_: web.Request) -> web.Response:
        body = await asyncio.to_thread(generate_latest, registry)
        response = web.Response(body=body, headers={"Content-Type": CONTENT_TYPE_PLAIN_0_0_4})
        response.enable_compression()
        return response

    async def alive(_: web.Request) -> web.Response:
        return web.Response(text="ok\n")

    async def ready(_: web.Request) -> web.Response:
        reason = not_ready()
        return web.Response(text=f"{reason}\n", status=503) if reason else web.Response(text="ok\n")

    app = web.Application()
    app.router.add_get("/metrics", metrics)
    app.router.add_get("/healthz", alive)
    app.router.add_get("/livez", alive)
    app.router.add_get("/readyz", ready)
    return app


async def serve(app: web.Application, where: HostPort, tls: ssl.SSLContext | None = None) -> web.AppRunner:
    """Listen (`tls`: over that); end with the runner's `cleanup`. Raises OSError if the address cannot be bound."""
    runner = web.AppRunner(app, handle_signals=False, access_log=None, shutdown_timeout=0.5)
    await runner.setup()
    try:
        await web.TCPSite(runner, where.host, where.port, ssl_context=tls).start()
    except OSError:
        await runner.cleanup()
        raise
    return runner
