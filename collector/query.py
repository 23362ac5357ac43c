"""The read-only gRPC service: the fleet, a pair, a course and the findings, now or at a past moment.

Now comes from `State`, the past from the history; both are values that this file only carries. History reads block,
so they run in threads. An unknown host or an unknown offset is an answer with its reason; only a question that makes
no sense (INVALID_ARGUMENT) and an empty house (NOT_FOUND) are errors.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Protocol, TypeVar

import grpc

from noonmark.collector import view_messages
from noonmark.collector.budgets import Budgets, named_budgets
from noonmark.collector.estimate import Finding, FleetEstimate, PairEstimate
from noonmark.collector.freshness import aged, freshness
from noonmark.collector.instants import format_instant
from noonmark.collector.pairs import compare
from noonmark.collector.present import format_age
from noonmark.collector.state import Published, State
from noonmark.collector.view_estimate import finding_view, fleet_view, pair_view
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto import noonmark_pb2_grpc
from noonmark.proto.spelling import no_such_host

NEAR_NS = 600 * 10**9
"""Findings within this time of the moment asked for are told with an offset."""
"""An estimate older than this comes with a note of its age."""
_PAGE = 500
_FEW = 20
"""Pairs reckoned between two looks at whether the asker is still there."""
_Answer = TypeVar("_Answer")
Context = grpc.aio.ServicerContext[Any, Any]
log = logging.getLogger(__name__)


class PairsThen(Protocol):
    """Pairs at one past moment."""

    def pair(self, a: str, b: str) -> PairEstimate:
        """a's clock minus b's."""


class Past(Protocol):
    """What the service asks of a history."""

    def estimate_at(self, at_ns: int) -> FleetEstimate | None:
        """The fleet then."""

    def pair_at(self, a: str, b: str | None, at_ns: int) -> PairEstimate:
        """A pair then."""

    def pairs_at(self, a: str, at_ns: int) -> Iterator[PairEstimate]:
        """A host against every other then."""

    def then(self, at_ns: int) -> PairsThen:
        """A moment of which several pairs are asked for."""

    def course(
        self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0
    ) -> Iterator[PairEstimate]:
        """A pair's course."""

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterator[Finding]:
        """What was found in a stretch of time."""

    def hosts(self) -> Sequence[str]:
        """Every host ever stored."""

    def span(self) -> tuple[int, int] | None:
        """The first and last moment stored."""


class QueryService(noonmark_pb2_grpc.QueryServicer):
    """Answers from the latest estimate and from a history (None: only the present is answered)."""

    def __init__(self, state: State, history: Past | None = None, *, budgets: Budgets | None = None) -> None:
        self._budgets = budgets or Budgets()
        self._state = state
        self._history = history

    async def Fleet(self, request: pb.FleetRequest, context: Context) -> pb.FleetReply:  # noqa: N802 - gRPC's name
        """Every host, now or then."""
        latest = self._state.latest()
        labels = _labels(latest)
        at_ns = await self._moment(request, context)
        if at_ns is None:
            assert latest is not None
            view = fleet_view(latest.estimate, labels=labels, told=latest.told(), paths=request.paths)
            view = aged(view, freshness(latest.age_ns(self._state.monotonic_ns())))
            return view_messages.fleet_to_message(named_budgets(view, self._budgets))
        history = await self._past(context)
        estimate = await self._in_thread(context, lambda: history.estimate_at(at_ns))
        if estimate is None:
            await context.abort(grpc.StatusCode.NOT_FOUND, await self._nothing_then(context, at_ns))
        found = await self._in_thread(context, lambda: list(history.findings(at_ns - NEAR_NS, at_ns + NEAR_NS)))
        view = fleet_view(estimate, labels=labels, paths=request.paths, findings=found, notes=())
        return view_messages.fleet_to_message(named_budgets(view, self._budgets))

    async def Offset(self, request: pb.OffsetRequest, context: Context) -> pb.OffsetReply:  # noqa: N802
        """a's clock minus b's, now or then."""
        a, b = request.a, request.b or None
        if not a:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, "a: the name of a host is needed")
        at_ns = await self._moment(request, context)
        if at_ns is None:
            pair = await self._in_thread(context, lambda: self._pair_now(a, b))
        else:
            history = await self._past(context)
            pair = await self._in_thread(context, lambda: history.pair_at(a, b, at_ns))
        if self._history is not None:
            known = self._history
            near = await self._in_thread(context, lambda: _near(known, a, b, pair.at_ns))
            pair = replace(pair, findings=_merged(pair.findings, near))
        return view_messages.pair_to_message(pair_view(pair))

    async def Others(self, request: pb.OffsetRequest, context: Context) -> AsyncIterator[pb.OffsetReply]:  # noqa: N802
        """a against every other host, in turn."""
        a = request.a
        if not a:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, "a: the name of a host is needed")
        at_ns = await self._moment(request, context)
        if at_ns is None:
            latest = self._state.latest()
            assert latest is not None
            hosts = latest.estimate.hosts if a in latest.estimate.hosts else (None,)
            pairs: Iterator[PairEstimate] = (self._pair_now(a, b) for b in hosts if b != a)
        else:
            history = await self._past(context)
            pairs = history.pairs_at(a, at_ns)
        while page := await self._in_thread(context, lambda: list(itertools.islice(pairs, _FEW))):
            for pair in page:
                yield view_messages.pair_to_message(pair_view(pair))

    async def Course(self, request: pb.CourseRequest, context: Context) -> AsyncIterator[pb.OffsetReply]:  # noqa: N802
        """One host or pair over a stretch of time, a page at a time."""
        if not request.a or request.since_ns >= request.until_ns:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, "a course needs a host, and since before until")
        history = await self._past(context)
        points = history.course(
            request.a, request.b or None, request.since_ns, request.until_ns, step_ns=request.step_ns
        )
        while page := await self._in_thread(context, lambda: list(itertools.islice(points, _PAGE))):
            for point in page:
                yield view_messages.pair_to_message(pair_view(point))

    async def Findings(self, request: pb.FindingsRequest, context: Context) -> pb.FindingsReply:  # noqa: N802
        """What was found in a stretch of time."""
        history = await self._past(context)
        found = await self._in_thread(
            context, lambda: list(history.findings(request.since_ns, request.until_ns, request.host or None))
        )
        return pb.FindingsReply(findings=[view_messages.finding_to_message(finding_view(finding)) for finding in found])

    async def Span(self, request: pb.SpanRequest, context: Context) -> pb.SpanReply:  # noqa: N802
        """What time it is, and from when to when there is an answer."""
        del request
        latest = self._state.latest()
        hosts = set(latest.estimate.hosts) if latest else set()
        span = None
        if self._history is not None:
            history = self._history
            span = await self._in_thread(context, history.span)
            hosts.update(await self._in_thread(context, history.hosts))
        first_ns, last_ns = span or (None, None)
        return pb.SpanReply(now_ns=self._state.now_ns(), first_ns=first_ns, last_ns=last_ns, hosts=sorted(hosts))

    async def _moment(self, request: pb.FleetRequest | pb.OffsetRequest, context: Context) -> int | None:
        """The past moment asked for, or None for the present. Aborts for the future and before the first estimate."""
        latest, now_ns = self._state.latest(), self._state.now_ns()
        if not request.HasField("at_ns"):
            if latest is None:
                await context.abort(
                    grpc.StatusCode.NOT_FOUND,
                    "no estimate yet: the collector is waiting for the probes of two hosts or more",
                )
            return None
        if now_ns is not None and request.at_ns > now_ns:
            ahead = format_age(request.at_ns - now_ns)
            await context.abort(
                grpc.StatusCode.INVALID_ARGUMENT,
                f"at: {format_instant(request.at_ns)} lies {ahead} in the future (reference time)",
            )
        if latest is not None and request.at_ns >= latest.estimate.at_ns and not self._history:
            return None
        return request.at_ns

    async def _past(self, context: Context) -> Past:
        if self._history is None:
            await context.abort(grpc.StatusCode.NOT_FOUND, "this collector keeps no history")
        assert self._history is not None
        return self._history

    async def _nothing_then(self, context: Context, at_ns: int) -> str:
        history = await self._past(context)
        span = await self._in_thread(context, history.span)
        if span is None:
            return "the history is empty"
        return f"no estimate at {format_instant(at_ns)}: the history begins at {format_instant(span[0])}"

    async def _in_thread(self, context: Context, work: Callable[[], _Answer]) -> _Answer:
        """Run a blocking read elsewhere; a damaged store becomes a status with its one line."""
        try:
            return await asyncio.to_thread(work)
        except OSError as error:
            log.error("history cannot be read: %s", error)
            await context.abort(grpc.StatusCode.DATA_LOSS, f"the history cannot be read: {error}")
            raise AssertionError from error  # abort never returns

    def _pair_now(self, a: str, b: str | None) -> PairEstimate:
        latest = self._state.latest()
        assert latest is not None
        now_ns = latest.now_ns(self._state.monotonic_ns())
        for host in (a, b):
            if host is not None and host not in latest.estimate.hosts:
                return PairEstimate(a, b, now_ns, False, no_such_host(host, latest.estimate.hosts))
        return compare(latest.estimate, a, b, at_ns=now_ns)


def _labels(latest: Published | None) -> dict[str, tuple[str, str]]:
    return {host: (facts.zone, facts.role) for host, facts in latest.facts.items()} if latest else {}


def _near(history: Past, a: str, b: str | None, at_ns: int) -> list[Finding]:
    found: list[Finding] = []
    for host in (a, b):
        if host is not None:
            found.extend(history.findings(at_ns - NEAR_NS, at_ns + NEAR_NS, host))
    return found


def _merged(first: Sequence[Finding], second: Sequence[Finding]) -> tuple[Finding, ...]:
    """Both lists in order of time; the same finding from the estimate and from the history is told once."""
    seen: dict[tuple[object, ...], Finding] = {}
    for finding in (*second, *first):
        seen.setdefault((finding.kind, finding.host, finding.path, finding.at_ns), finding)
    return tuple(sorted(seen.values(), key=lambda finding: finding.at_ns))
