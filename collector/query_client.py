"""A small client of the query service for the command line: one question, one deadline, views back.

Free of numpy, so that it works on a plain install. Errors are named for what the caller should do; the command line
turns each into an exit code.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import TracebackType
from typing import TypeVar

import grpc

from noonmark.collector import view_messages
from noonmark.collector.query_errors import NobodyThere, NoData, Refused
from noonmark.collector.views import FindingView, FleetView, PairView, Span
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto import noonmark_pb2_grpc
from noonmark.proto.channels import Security, credentials, distrusted
from noonmark.proto.tls_files import TlsFileProblem

MAX_REPLY_BYTES = 256 * 1024 * 1024
"""A fleet of 100,000 hosts with its paths fits."""
_Answer = TypeVar("_Answer")


class QueryClient:
    """Asks one collector. Use as a context manager; every call raises NobodyThere, NoData or Refused."""

    def __init__(self, address: str, *, timeout_seconds: float = 10.0, security: Security | None = None) -> None:
        """Raises Refused if the connection cannot be secured as it must be."""
        self.address = address
        self._timeout = timeout_seconds
        self._security = security or Security()
        self._channel, token = self._open()
        self._metadata = (("authorization", f"Bearer {token}"),) if token else ()
        self._query = noonmark_pb2_grpc.QueryStub(self._channel)  # type: ignore[no-untyped-call]

    def _open(self) -> tuple[grpc.Channel, str]:
        security = self._security
        options = [
            ("grpc.max_receive_message_length", MAX_REPLY_BYTES),
            ("grpc.enable_http_proxy", 0),
            ("grpc.enable_retries", 0),
            *security.options(),
        ]
        try:
            token = security.token()
            if security.files is not None:
                return grpc.secure_channel(self.address, credentials(security.files.read()), options=options), token
            security.target(_host_of(self.address))
            if token:
                raise Refused(f"{security.token_file}: a token is sent over TLS only: give --tls-authority")
            return grpc.insecure_channel(self.address, options=options), token
        except TlsFileProblem as problem:
            raise Refused(str(problem)) from None

    def __enter__(self) -> QueryClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._channel.close()

    def fleet(self, at_ns: int | None = None, *, paths: bool = False) -> FleetView:
        """Every host, now (None) or then."""
        request = pb.FleetRequest(at_ns=at_ns, paths=paths)
        reply = self._ask(lambda: self._query.Fleet(request, timeout=self._timeout, metadata=self._metadata))
        return view_messages.fleet_from_message(reply)

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """a's clock minus b's (None: the reference)."""
        request = pb.OffsetRequest(a=a, b=b or "", at_ns=at_ns)
        reply = self._ask(lambda: self._query.Offset(request, timeout=self._timeout, metadata=self._metadata))
        return view_messages.pair_from_message(reply)

    def others(self, a: str, at_ns: int | None = None) -> Iterator[PairView]:
        """a against every other host, as it streams in."""
        replies = iter(
            self._query.Others(pb.OffsetRequest(a=a, at_ns=at_ns), timeout=6 * self._timeout, metadata=self._metadata)
        )
        while (reply := self._ask(lambda: next(replies, None))) is not None:
            yield view_messages.pair_from_message(reply)

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterator[PairView]:
        """The pair over a stretch of time, as it streams in."""
        request = pb.CourseRequest(a=a, b=b or "", since_ns=since_ns, until_ns=until_ns, step_ns=step_ns)
        replies = iter(self._query.Course(request, timeout=6 * self._timeout, metadata=self._metadata))
        while (reply := self._ask(lambda: next(replies, None))) is not None:
            yield view_messages.pair_from_message(reply)

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> list[FindingView]:
        """What was found in a stretch of time."""
        request = pb.FindingsRequest(since_ns=since_ns, until_ns=until_ns, host=host or "")
        reply = self._ask(lambda: self._query.Findings(request, timeout=self._timeout, metadata=self._metadata))
        return [view_messages.finding_from_message(message) for message in reply.findings]

    def span(self) -> Span:
        """What time it is there, and from when to when it has answers."""
        reply = self._ask(lambda: self._query.Span(pb.SpanRequest(), timeout=self._timeout, metadata=self._metadata))
        return Span(
            now_ns=reply.now_ns if reply.HasField("now_ns") else None,
            first_ns=reply.first_ns if reply.HasField("first_ns") else None,
            last_ns=reply.last_ns if reply.HasField("last_ns") else None,
            hosts=tuple(reply.hosts),
        )

    def _ask(self, call: Callable[[], _Answer]) -> _Answer:
        try:
            return call()
        except grpc.RpcError as error:
            raise self._translated(error) from error

    def _translated(self, error: grpc.RpcError) -> Exception:
        status = error.code()
        details = error.details() or status.name
        if status is grpc.StatusCode.UNAVAILABLE:
            return NobodyThere(f"no collector answers at {self.address}{self._why_not(details)}")
        if status is grpc.StatusCode.DEADLINE_EXCEEDED:
            return NobodyThere(f"the collector at {self.address} did not answer within {self._timeout:g} s")
        if status is grpc.StatusCode.UNIMPLEMENTED:
            return NobodyThere(f"what answers at {self.address} is no noonmark collector, or an older one")
        if status in (
            grpc.StatusCode.INVALID_ARGUMENT,
            grpc.StatusCode.PERMISSION_DENIED,
            grpc.StatusCode.UNAUTHENTICATED,
        ):
            return Refused(details)
        return NoData(details)

    def _why_not(self, details: str) -> str:
        """What the connection failed of, where something is there."""
        if "Connection refused" in details or "No route" in details:
            return ""
        if self._security.files is None:
            return " without TLS: if it demands TLS, give --identity, or --tls-authority" if "closed" in details else ""
        if distrusted(details):
            authority = self._security.files.authority
            return f" with a certificate of {authority} for that name (or this host's clock is outside its dates)"
        return " over TLS 1.3 to this certificate or token"


def _host_of(address: str) -> str:
    """The host of HOST:PORT; sockets of this host count as it."""
    if address.startswith("unix:"):
        return "localhost"
    host = address.rpartition(":")[0] if ":" in address else address
    return host.removeprefix("[").removesuffix("]")
