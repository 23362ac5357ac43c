"""The page that the collector serves: plain HTML, CSS and JavaScript modules beside this file, no build step. Rim.

Everything is read once at the start, compressed once, and served from memory with an entity tag; the page asks nobody
but its own origin. `uplot.js` and `uplot.css` are uPlot's own files, version 1.6.32 from npm, under the MIT licence in
`uplot.license.txt`; all else is noonmark's.
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Mapping

from aiohttp import web

from noonmark.collector.http_answers import Body, body_of, fence, respond

TYPES: Mapping[str, str] = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
}


def assets() -> dict[str, Body]:
    """Every file of the page by name, ready to be sent."""
    found: dict[str, Body] = {}
    for item in importlib.resources.files(__package__).iterdir():
        kind = item.name.rpartition(".")[2]
        if kind in TYPES:
            found[item.name] = body_of(item.read_bytes(), TYPES[kind], level=9)
    return found


def add_page(app: web.Application) -> None:
    """Serve the page at / and its files beside it."""
    files = assets()

    async def index(request: web.Request) -> web.StreamResponse:
        return respond(request, files["index.html"])

    async def one(request: web.Request) -> web.StreamResponse:
        body = files.get(request.match_info["name"])
        if body is None:
            raise web.HTTPNotFound(text="there is nothing here\n")
        return respond(request, body)

    app.router.add_get("/", index)
    app.router.add_get("/{name}", one)
    if fence not in app.on_response_prepare:
        app.on_response_prepare.append(fence)
