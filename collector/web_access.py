"""Who may read what the HTTP server tells: the same identities as for gRPC. Rim.

A reader shows a certificate, or a token: as a bearer token (RFC 6750), or as the password of HTTP Basic (RFC 7617, any
user name), which a browser asks its user for. Open to all are the health checks, for whoever restarts programs by them,
and the page's own files, which hold nothing of the fleet.
"""

from __future__ import annotations

import base64
import binascii
from typing import Any

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from noonmark.collector.access import Denial, Identity, denial
from noonmark.collector.access_control import AccessControl, bearer
from noonmark.collector.http_answers import Problem, problem_response

GUARDED = ("/api/", "/metrics")
READING = "/noonmark.v1.Query/Fleet"
"""Whoever may make this call may read everything here."""


def guard(access: AccessControl) -> Middleware:
    """A middleware that lets readers pass."""

    @web.middleware
    async def guarded(request: web.Request, handler: Handler) -> web.StreamResponse:
        if not request.path.startswith(GUARDED):
            return await handler(request)
        denied = _denial(access, request)
        if denied is None:
            return await handler(request)
        access.count(denied.reason)
        access.tell("page refused", {"path": request.path, "peer": request.remote, "reason": denied.text})
        answer = problem_response(Problem(403 if denied.known else 401, denied.text))
        if not denied.known:
            answer.headers["WWW-Authenticate"] = 'Basic realm="noonmark: the password is a reader\'s token"'
        return answer

    return guarded


def _denial(access: AccessControl, request: web.Request) -> Denial | None:
    who = _certificate(access, request)
    if who is None and access.tokens is not None:
        token = _token(request.headers.get("Authorization", ""))
        if token:
            who = access.tokens.identity(token)
            if who is None:
                return Denial("wrong-token", "this token is not known here", False)
    # A browser's connection stays open long after the handshake that looked at its certificate's dates.
    if who is not None and (reason := access.unwelcome(who)):
        return Denial("refused", reason, True)
    return denial(READING, who)


def _certificate(access: AccessControl, request: web.Request) -> Identity | None:
    tls: Any = request.transport.get_extra_info("ssl_object") if request.transport is not None else None
    if tls is None:
        return None
    told = tls.getpeercert()
    if not told:
        return None
    names = told.get("subjectAltName", ())
    common = [value for part in told.get("subject", ()) for key, value in part if key == "commonName"]
    der = base64.b64encode(tls.getpeercert(binary_form=True))
    pem = b"-----BEGIN CERTIFICATE-----\n" + der + b"\n-----END CERTIFICATE-----\n"
    of = {kind: [value for key, value in names if key == kind] for kind in ("URI", "DNS")}
    return access.by_names(of["URI"], of["DNS"], common, pem)


def _token(header: str) -> str:
    if header[:6].lower() == "basic ":
        try:
            return base64.b64decode(header[6:], validate=True).decode("utf-8", "replace").partition(":")[2]
        except (binascii.Error, ValueError):
            return ""
    return bearer(header)
