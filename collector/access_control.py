"""Holds every gRPC call against the table of access.py before its handler sees it. Rim.

Who asks is told by the connection's certificate, which gRPC has checked against the authority, else by a bearer token
(RFC 6750) among the call's metadata. On a plain connection nobody is told apart: the settings keep those on loopback,
or on a network that somebody declared fit for it. Refusals are counted by reason.
"""

from __future__ import annotations

import functools
import inspect
import logging
import math
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import grpc
import grpc.aio
from cryptography import x509

from noonmark.collector import access
from noonmark.collector.access import Denial, Identity
from noonmark.collector.reader_tokens import ReaderTokens
from noonmark.collector.sparing import Sparing
from noonmark.collector.watched_file import WatchedFile
from noonmark.proto.tls_version import VERSION

log = logging.getLogger("noonmark.collector.access")
Context = grpc.aio.ServicerContext[Any, Any]
if TYPE_CHECKING:
    Handler = grpc.RpcMethodHandler[Any, Any]
BEARER = "bearer "


class RefusedHolders:
    """A file of those whose certificates are not honoured any more (`access.refusals`). It need not be there."""

    def __init__(self, path: Path) -> None:
        self._file: WatchedFile[frozenset[str]] = WatchedFile(path, access.refusals, missing=frozenset())

    def holds(self, who: Identity) -> bool:
        """Whether this one is refused."""
        entries = self._file.value()
        return bool(entries) and (f"sha256:{who.fingerprint}" in entries or not entries.isdisjoint(who.names))


class AccessControl(grpc.aio.ServerInterceptor):
    """The guard at the door of one server."""

    def __init__(
        self,
        *,
        readers: Collection[str] = (),
        operators: Collection[str] = (),
        tokens: ReaderTokens | None = None,
        refused: RefusedHolders | None = None,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        """`readers` and `operators`: names of certificates that carry no URI of ours."""
        self._readers = frozenset(readers)
        self._operators = frozenset(operators)
        self.tokens = tokens
        self.refused = refused
        self._wall_s = wall_s
        self._counts: Counter[str] = Counter()
        self._sparing = Sparing()

    def counts(self) -> Mapping[str, int]:
        """Refusals since the start, by reason."""
        return dict(self._counts)

    def count(self, reason: str) -> None:
        """One more refusal."""
        self._counts[reason] += 1

    def tell(self, message: str, fields: Mapping[str, object]) -> None:
        """A line of the log about somebody who was turned away; sparingly, for anybody can be."""
        left_out = self._sparing.left_out(time.monotonic())
        if left_out is not None:
            log.warning(message, extra={"fields": {**fields, **({"left_out": left_out} if left_out else {})}})

    def by_names(self, uris: Sequence[str], dns: Sequence[str], common: Sequence[str], pem: bytes = b"") -> Identity:
        """The identity of a certificate that was checked."""
        ends = expires_s(pem) if pem else math.inf
        return access.identity(
            uris, dns, common, readers=self._readers, operators=self._operators, pem=pem, expires_s=ends
        )

    def certificate_of(self, context: Context) -> Identity | None:
        """Whose certificate the connection has; None for a plain connection and for one without."""
        told = context.auth_context()
        pem = next(iter(told.get("x509_pem_cert", ())), b"")
        if not pem:
            return None
        uris, dns, common = (_texts(told.get(kind, ())) for kind in ("peer_uri", "peer_dns", "x509_common_name"))
        return self.by_names(uris, dns, common, pem)

    def denial(self, method: str, request: object, context: Context) -> Denial | None:
        """None to let a call through, else why not; counted."""
        told = context.auth_context()
        if b"ssl" not in told.get("transport_security_type", ()):
            if access.CALLS.get(method) in (access.Need.CERTIFICATE,) or method.startswith("/noonmark.v1.Enrolment/"):
                return self._counted(Denial("plain", "this needs TLS", False))
            return None
        version = next(iter(_texts(told.get("ssl_tls_version", ()))), VERSION)
        if version != VERSION:
            return self._counted(Denial("old-tls", f"use TLS 1.3, not {version}", False))
        who = self.certificate_of(context)
        if who is None and self.tokens is not None:
            token = bearer(dict(context.invocation_metadata() or ()).get("authorization", ""))
            if token:
                who = self.tokens.identity(token)
                if who is None:
                    return self._counted(Denial("wrong-token", "this token is not known here", False))
        if who is not None and (reason := self.unwelcome(who)):
            return self._counted(Denial("refused", reason, True))
        return self._counted(access.denial(method, who, own=_own_hosts(request)))

    def unwelcome(self, who: Identity) -> str:
        """Why a connection that is open must end: its holder is refused meanwhile, or its certificate has expired.

        Asked of every stream every few seconds: it reads no certificate anew.
        """
        if self.refused is not None and self.refused.holds(who):
            return f"{who} is not admitted any more"
        if who.expires_s < self._wall_s():
            return f"the certificate of {who} has expired"
        return ""

    def _counted(self, denied: Denial | None) -> Denial | None:
        if denied is not None:
            self.count(denied.reason)
        return denied

    async def _admit(self, method: str, request: object, context: Context) -> None:
        denied = self.denial(method, request, context)
        if denied is None:
            return
        self.tell("call refused", {"call": method, "peer": context.peer(), "reason": denied.text})
        code = grpc.StatusCode.PERMISSION_DENIED if denied.known else grpc.StatusCode.UNAUTHENTICATED
        await context.abort(code, denied.text)

    async def intercept_service(
        self,
        continuation: Callable[[grpc.HandlerCallDetails], Awaitable[Handler | None]],
        handler_call_details: grpc.HandlerCallDetails,
    ) -> Handler | None:
        """See grpc.aio.ServerInterceptor."""
        handler: Any = await continuation(handler_call_details)
        if handler is None:
            return None
        kind = next(name for name in _KINDS if getattr(handler, name))
        make: Any = getattr(grpc, f"{kind}_rpc_method_handler")
        guarded = self._guarded(str(handler_call_details.method), getattr(handler, kind))
        return make(guarded, handler.request_deserializer, handler.response_serializer)  # type: ignore[no-any-return]

    def _guarded(self, method: str, behaviour: Callable[..., Any]) -> Callable[..., Any]:
        if inspect.isasyncgenfunction(behaviour):

            @functools.wraps(behaviour)
            async def streaming(request: Any, context: Context) -> AsyncIterator[Any]:
                await self._admit(method, request, context)
                async for answer in behaviour(request, context):
                    yield answer

            return streaming

        @functools.wraps(behaviour)
        async def answering(request: Any, context: Context) -> Any:
            await self._admit(method, request, context)
            return await behaviour(request, context)

        return answering


@functools.lru_cache(maxsize=4096)
def expires_s(pem: bytes) -> float:
    """When a certificate expires, in POSIX seconds."""
    return x509.load_pem_x509_certificate(pem).not_valid_after_utc.timestamp()


_KINDS = ("unary_unary", "unary_stream", "stream_unary", "stream_stream")


def bearer(header: object) -> str:
    """The token of an Authorization header; empty if it has none."""
    text = header.decode("latin-1") if isinstance(header, bytes) else str(header)
    return text[len(BEARER) :].strip() if text[: len(BEARER)].lower() == BEARER else ""


def _own_hosts(request: object) -> tuple[str, ...]:
    """The hosts that a question about one clock concerns: none if it also concerns another."""
    a, b = getattr(request, "a", ""), getattr(request, "b", "")
    return (a,) if a and not b else ()


def _texts(values: Iterable[bytes]) -> list[str]:
    return [value.decode("utf-8", "replace") for value in values]
