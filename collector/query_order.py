"""The gRPC service that puts events in order, for programs: `Order` over columns of events, `Wait` for certainty.

What was comes from the history if there is one, else from the latest estimate, aged. Calculation runs in a thread.
Requests that make no sense are INVALID_ARGUMENT; a host that is not known is an answer (known is false), not an error.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, cast

import grpc
import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge, host_index
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.estimate_pairs import pairs_of
from noonmark.collector.known_clocks import KnownClocks
from noonmark.collector.order import Events, Ordering, order, wait_ns
from noonmark.collector.query import Past
from noonmark.collector.state import State
from noonmark.collector.verdicts import LIKELY
from noonmark.collector.view_estimate import finding_view, pair_view
from noonmark.collector.views import FindingView, PairView
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto import noonmark_pb2_grpc

MOST_EVENTS = 2_000_000
Context = grpc.aio.ServicerContext[Any, Any]


class OrderingService(noonmark_pb2_grpc.OrderingServicer):
    """Answers from the latest estimate and from a history (None: only the latest estimate, aged)."""

    def __init__(self, state: State, history: Past | None = None) -> None:
        self._state = state
        self._history = history

    async def Order(self, request: pb.OrderRequest, context: Context) -> pb.OrderReply:  # noqa: N802 - gRPC's name
        """Put events in order."""
        try:
            events = events_of(request)
        except ValueError as error:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, str(error))
            raise AssertionError from error  # abort never returns
        return await asyncio.to_thread(self._order, request, events)

    async def Wait(self, request: pb.WaitRequest, context: Context) -> pb.WaitReply:  # noqa: N802
        """How long to wait until "now" there is certainly later than an event anywhere."""
        if not request.host or abs(request.now_ns) >= 1 << 62:
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, "wait needs a host and its clock's reading, now_ns")
        return await asyncio.to_thread(self._wait, request)

    def _order(self, request: pb.OrderRequest, events: Events) -> pb.OrderReply:
        hosts = list(request.hosts)
        knowledge = self._past(hosts)
        places = np.array([*(host_index(knowledge, host) for host in hosts), -1], np.int32)
        placed = Events(places[events.host], events.stamp_ns, events.resolution_ns)
        return reply_of(order(placed, knowledge, likely=request.likely or LIKELY))

    def _past(self, hosts: Sequence[str]) -> ClockKnowledge:
        if self._history is not None:
            return KnownClocks(PastSource(self._history), hosts)
        return self._latest(hosts)

    def _latest(self, hosts: Sequence[str] | None) -> ClockKnowledge:
        latest = self._state.latest()
        if latest is None:
            return NoKnowledge()
        return table_of(latest.estimate, hosts)

    def _wait(self, request: pb.WaitRequest) -> pb.WaitReply:
        among = list(request.among)
        knowledge = self._latest(None)
        missing = [host for host in (request.host, *among) if host_index(knowledge, host) < 0]
        if missing:
            return pb.WaitReply(known=False, reason=f"nothing is known of {missing[0]}")
        found = wait_ns(
            host_index(knowledge, request.host),
            request.now_ns,
            knowledge,
            stamp_ns=request.stamp_ns if request.HasField("stamp_ns") else None,
            resolution_ns=request.resolution_ns or 1,
            among=[host_index(knowledge, host) for host in among] or None,
        )
        if found is None:
            return pb.WaitReply(known=False, reason="of some host no limit can be given: name fewer in among")
        return pb.WaitReply(known=True, wait_ns=found)


def table_of(estimate: FleetEstimate, hosts: Sequence[str] | None = None) -> ClockTable:
    """One estimate as a table of clocks, with its pairs' own limits."""
    names = list(estimate.hosts) if hosts is None else list(hosts)
    return ClockTable.from_estimates([estimate], names, pairs=pairs_of([estimate], names))


def events_of(request: pb.OrderRequest) -> Events:
    """The request's columns, checked; hosts point into the request's names. Raises ValueError."""
    host, stamp = np.array(request.host, np.int64), np.array(request.stamp_ns, np.int64)
    if len(host) > MOST_EVENTS:
        raise ValueError(f"at most {MOST_EVENTS:,} events a call")
    if len(host) and host.max() >= len(request.hosts):
        raise ValueError(f"host: {host.max()} points past the {len(request.hosts)} names")
    if not 0.0 <= request.likely < 1.0 or 0.0 < request.likely <= 0.5:
        raise ValueError("likely: a probability over 0.5 and below 1, or 0 for the usual one")
    if any(value >= 1 << 62 for value in request.resolution_ns):
        raise ValueError("resolution_ns: below 2^62")
    resolution = np.array(request.resolution_ns, np.int64)
    if len(resolution) not in (0, 1, len(host)):
        raise ValueError("resolution_ns: one for each event, one for all, or none")
    width: Any = (
        resolution if len(resolution) == len(host) and len(host) != 1 else int(resolution[0]) if len(resolution) else 1
    )
    return Events(host.astype(np.int32), stamp, width)


def reply_of(found: Ordering) -> pb.OrderReply:
    """An ordering as its message."""
    return pb.OrderReply(
        permutation=found.permutation.tolist(),
        corrected_ns=found.corrected_ns.tolist(),
        uncertainty_ns=found.uncertainty_ns.tolist(),
        earliest_ns=found.earliest_ns.tolist(),
        latest_ns=found.latest_ns.tolist(),
        known=found.known.tolist(),
        certainty=cast("Iterable[Any]", found.certainty.tolist()),
        probability=found.probability.tolist(),
        group=found.group.tolist(),
    )


class PastSource:
    """A history as a source of past clocks."""

    def __init__(self, history: Past) -> None:
        self._history = history

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """See `ClockSource`."""
        return pair_view(self._history.pair_at(a, b, at_ns or 0))

    def then(self, at_ns: int) -> Callable[[str, str], PairView]:
        """See `ClockSource`."""
        then = self._history.then(at_ns)
        return lambda a, b: pair_view(then.pair(a, b))

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterator[PairView]:
        """See `ClockSource`."""
        return (pair_view(pair) for pair in self._history.course(a, b, since_ns, until_ns, step_ns=step_ns))

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterator[FindingView]:
        """See `ClockSource`."""
        return (finding_view(finding) for finding in self._history.findings(since_ns, until_ns, host))
