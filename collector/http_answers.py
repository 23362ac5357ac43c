"""How an answer leaves: entity tags, compression, headers that fence the page in, errors as one clear line. Rim.

Errors have the form of RFC 9457 (problem details). Entity tags are weak, since the same document may be compressed or
not (RFC 9110, 8.8.3); a client that has it already gets 304 and no body.
"""

from __future__ import annotations

import gzip
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from aiohttp import ETag, web

JSON_TYPE = "application/json"
PROBLEM_TYPE = "application/problem+json"
LEAST_COMPRESSED = 800
"""Smaller bodies would hardly shrink: they fit one packet."""
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
FENCES: Mapping[str, str] = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class Problem(Exception):  # noqa: N818 - the word of RFC 9457
    """An answer that is an error; `detail` is the one line that says what is wrong, and what would do."""

    def __init__(self, status: int, detail: str, *, retry_after: int | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.retry_after = retry_after


@dataclass(frozen=True, slots=True)
class Body:
    """A document ready to be sent, both ways."""

    plain: bytes
    packed: bytes | None
    """Compressed by gzip; None where that does not pay."""
    tag: str
    content_type: str


def body_of(plain: bytes, content_type: str, *, level: int = 5) -> Body:
    """Compress it and tag it by its content."""
    packed = gzip.compress(plain, level, mtime=0) if len(plain) >= LEAST_COMPRESSED else None
    if packed is not None and len(packed) >= len(plain):
        packed = None
    return Body(plain, packed, hashlib.blake2b(plain, digest_size=12).hexdigest(), content_type)


def document_body(document: Mapping[str, Any]) -> Body:
    """A JSON document as a body."""
    plain = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    return body_of(plain, JSON_TYPE)


def respond(request: web.Request, body: Body, *, cache: str = "no-cache") -> web.Response:
    """Send a body, or 304 where the asker's copy is the same."""
    headers = {"Cache-Control": cache, "Vary": "Accept-Encoding"}
    known = request.if_none_match
    if known and any(tag.value in (body.tag, "*") for tag in known):
        response = web.Response(status=304, headers=headers)
    elif body.packed is not None and accepts_gzip(request.headers.get("Accept-Encoding", "")):
        response = web.Response(body=body.packed, headers={**headers, "Content-Encoding": "gzip"})
        response.headers["Content-Type"] = body.content_type
    else:
        response = web.Response(body=body.plain, headers=headers)
        response.headers["Content-Type"] = body.content_type
    response.etag = ETag(body.tag, is_weak=True)
    return response


def accepts_gzip(accept: str) -> bool:
    """Whether an Accept-Encoding header allows gzip (RFC 9110, 12.5.3): named, or by `*`, with a weight above 0."""
    weights: dict[str, float] = {}
    for part in accept.split(","):
        name, _, parameter = part.strip().partition(";")
        key, _, value = parameter.strip().partition("=")
        try:
            weights[name.strip().lower()] = float(value) if key.strip().lower() == "q" else 1.0
        except ValueError:
            weights[name.strip().lower()] = 0.0
    return weights.get("gzip", weights.get("*", 0.0)) > 0


def problem_response(problem: Problem) -> web.Response:
    """An error as a document."""
    phrase = web.Response(status=problem.status).reason
    document = {"type": "about:blank", "title": phrase, "status": problem.status, "detail": problem.detail}
    response = web.Response(
        status=problem.status,
        body=json.dumps(document, ensure_ascii=False).encode(),
        headers={"Cache-Control": "no-store", "Content-Type": PROBLEM_TYPE},
    )
    if problem.retry_after is not None:
        response.headers["Retry-After"] = str(problem.retry_after)
    return response


async def fence(_: web.Request, response: web.StreamResponse) -> None:
    """Signal handler: every answer carries the headers that fence the page in."""
    for name, value in FENCES.items():
        response.headers.setdefault(name, value)
