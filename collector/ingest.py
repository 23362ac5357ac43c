"""The collector's end of the report stream: records in; acknowledgement, plan and the host's own estimate out.

Rules: nothing is acknowledged before it is in the window, nor as kept before it is in the history (keeping.py), where
there is one; a repeat is acknowledged again and otherwise ignored; nonsense ends the stream with INVALID_ARGUMENT and a
sentence that says what was wrong, and harms no other stream. Agents have few batches under way at a time, so what a
pressed collector does not take waits with them; with each acknowledgement they are told how much less often to report.
What goes to all agents goes to some at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import grpc
import grpc.aio
from google.protobuf.message import DecodeError

from noonmark.collector.access import Identity
from noonmark.collector.batch_columns import batch_from_message
from noonmark.collector.directory import Directory, Full, NameTaken, WrongHost
from noonmark.collector.keeping import Marks
from noonmark.collector.outbox import Context, Stream
from noonmark.collector.reported import HeardKernel, HeardStatus
from noonmark.collector.window import Window
from noonmark.proto import control, convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import BadMessage
from noonmark.proto.noonmark_pb2_grpc import ReportsServicer
from noonmark.proto.reference_messages import kernel_clock_from_message, status_from_message

log = logging.getLogger("noonmark.collector.ingest")

FAREWELL_WITHIN = 5.0
"""Seconds that an agent which has ended its side has to take what is still for it."""
HELLO_WITHIN = 30.0
"""Seconds that a new stream has to introduce itself; a collector under a whole fleet may take most of it to listen."""
MAX_DESTINATIONS = 4096
"""Names in one batch."""

AT_ONCE = 500
"""Streams that are given an estimate or a plan in one turn of the loop, or,"""
TURNS = 12
"""of large fleets, so many parts of all;"""
PLANS_AT_ONCE = 1000
"""of plans no more than these: with their keys, 0.1 ms each."""


def _count(text: str) -> Any:
    """A counter's field; the exporter shows `text` as its HELP."""
    return field(metadata={"help": text})


@dataclass(frozen=True, slots=True)
class IngestStatistics:
    """Counts since the collector started."""

    streams: int = _count("Report streams that agents opened.")
    batches: int = _count("Record batches taken.")
    repeats: int = _count("Batches and events sent again by an agent, and known already.")
    records: int = _count("Probe records taken into the window.")
    records_late: int = _count("Probe records that waited in their agent until they were too old to be used.")
    records_over_quota: int = _count("Probe records not taken because their host sends too many.")
    records_crowded_out: int = _count("Probe records given up early because the window was full.")
    clock_events: int = _count("Notices of agents that their clock was set, or their host slept.")
    clock_events_over_quota: int = _count("Such notices not taken because their host tells too many.")
    refused: int = _count("Streams ended because a message made no sense.")
    names_disputed: int = _count("Times that a second agent claimed the name of a connected host.")
    names_refused: int = _count(
        "Streams refused because the certificate is not of the host that the agent claims to be."
    )
    plans_sent: int = _count("Probe plans sent to agents.")
    estimates_sent: int = _count("Estimates sent to the hosts that they speak of.")


@dataclass(frozen=True, slots=True)
class IngestFill:
    """What is there now."""

    streams: int
    """Agents connected."""
    hosts: int
    """Hosts known, connected or not."""
    window_rows: int


class Ingest(ReportsServicer):
    """The gRPC service `Reports`. `on_arrival` is called with each host that connects, to be given a plan.

    `certificate_of` gives the identity behind a connection; None where connections are plain, and each agent's word is
    taken. `keeps`: there is a history, and `kept` tells when it has something; else what is received is as safe as it
    gets.
    """

    def __init__(
        self,
        window: Window,
        directory: Directory,
        *,
        on_arrival: Callable[[str], None] | None = None,
        certificate_of: Callable[[Context], Identity | None] = lambda context: None,  # noqa: ARG005
        keyed: Callable[[str, control.Plan], control.Plan] = lambda host, plan: plan,  # noqa: ARG005
        keeps: bool = False,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.window = window
        self.directory = directory
        self.on_arrival = on_arrival
        self._certificate_of = certificate_of
        self._keyed = keyed
        self._keeps = keeps
        self._monotonic = monotonic
        self._streams: dict[str, Stream] = {}
        self._counts: Counter[str] = Counter()
        self._closing = False
        self._untold: dict[str, pb.HostEstimate] = {}
        self._unplanned: dict[str, control.Plan] = {}
        self._part = AT_ONCE
        self._round = 0
        self.slowdown = 1
        """How many times less often than they are set agents are asked to report."""

    async def Report(self, request_iterator: AsyncIterator[pb.AgentMessage], context: Context) -> None:  # noqa: N802
        """Serve one agent until either side ends the stream."""
        stream: Stream | None = None
        try:
            stream = await self._open(request_iterator, self._certificate_of(context))
            await self._serve(stream, request_iterator, context)
        except (BadMessage, DecodeError) as error:
            self._counts["refused"] += 1
            reason = str(error) if isinstance(error, BadMessage) else "a message that cannot be read"
            await self._refuse(stream, context, grpc.StatusCode.INVALID_ARGUMENT, reason)
        except NameTaken as error:
            self._counts["names_disputed"] += 1
            await self._refuse(stream, context, grpc.StatusCode.ALREADY_EXISTS, str(error))
        except WrongHost as error:
            self._counts["names_refused"] += 1
            await self._refuse(stream, context, grpc.StatusCode.PERMISSION_DENIED, str(error))
        except Full as error:
            await self._refuse(stream, context, grpc.StatusCode.RESOURCE_EXHAUSTED, str(error))
        except asyncio.CancelledError:
            if stream is None or stream.farewell is None:
                raise
            task = asyncio.current_task()
            if task is not None:
                task.uncancel()
            await self._abort(context, *stream.farewell)
        finally:
            if stream is not None:
                self._close(stream)

    async def _refuse(self, stream: Stream | None, context: Context, code: grpc.StatusCode, reason: str) -> None:
        host = stream.entry.hello.host if stream else None
        log.warning("stream refused", extra={"fields": {"host": host, "peer": context.peer(), "reason": reason}})
        await self._abort(context, code, reason)

    async def _abort(self, context: Context, code: grpc.StatusCode, reason: str) -> None:
        try:
            await context.abort(code, reason)
        except grpc.aio.InternalError:
            # The stream ended under our hands: the agent has gone, or the server's grace is over with thousands still
            # to be told. There is nobody to tell; gRPC takes a cancelled call without a word.
            raise asyncio.CancelledError from None

    async def _open(self, requests: AsyncIterator[pb.AgentMessage], identity: Identity | None) -> Stream:
        try:
            async with asyncio.timeout(HELLO_WITHIN):
                first = await anext(requests)
        except (TimeoutError, StopAsyncIteration):
            raise BadMessage("no hello came") from None
        if first.WhichOneof("body") != "hello":
            raise BadMessage(f"the first message must be hello, not {first.WhichOneof('body') or 'empty'}")
        hello = control.hello_from_message(first.hello)
        if identity is not None and not identity.may_report_as(hello.host):
            raise WrongHost(
                f"the certificate is of {identity}, not of host {hello.host!r}: name the host as the certificate does "
                "(--host), or enrol this host"
            )
        known = self.directory.get(hello.host)
        contested = known is not None and known.connected and known.hello.instance != hello.instance
        entry = self.directory.greet(hello, now=self._monotonic())
        previous = self._streams.get(hello.host)
        if previous is not None:
            previous.end(grpc.StatusCode.ALREADY_EXISTS, f"a newer connection reports as host {hello.host!r}")
        if contested:
            self._counts["names_disputed"] += 1
            log.warning("two agents claim one name", extra={"fields": {"host": hello.host}})
        task = asyncio.current_task()
        assert task is not None
        stream = self._streams[hello.host] = Stream(entry, task, identity)
        self._counts["streams"] += 1
        log.info("host connected", extra={"fields": {"host": hello.host, "version": hello.version}})
        return stream

    async def _serve(self, stream: Stream, requests: AsyncIterator[pb.AgentMessage], context: Context) -> None:
        if self._closing:
            stream.end(grpc.StatusCode.UNAVAILABLE, "the collector is stopping")
        # A repeat that the agent need not send again, if its last connection broke before it heard so.
        if stream.entry.sequence:
            self._acknowledge(stream)
        if self.on_arrival is not None:
            self.on_arrival(stream.entry.hello.host)
        sender = asyncio.create_task(stream.send_all(context))
        try:
            async for message in requests:
                self._take(stream, message)
        finally:
            # Not cancelled in the midst of a message, which would leave the stream open for ever.
            stream.finish()
            await asyncio.wait({sender}, timeout=FAREWELL_WITHIN)
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sender

    def _close(self, stream: Stream) -> None:
        host = stream.entry.hello.host
        if self._streams.get(host) is stream:
            del self._streams[host]
            self.directory.gone(host, stream.instance, now=self._monotonic())
            log.info("host disconnected", extra={"fields": {"host": host}})

    def _take(self, stream: Stream, message: pb.AgentMessage) -> None:
        now = self._monotonic()
        stream.entry.heard = now
        kind = message.WhichOneof("body")
        if kind == "batch":
            self._take_batch(stream, message.batch, now)
        elif kind == "clock_event":
            self._take_event(stream, message.clock_event, now)
        elif kind == "counters":
            counters = control.counters_from_message(message.counters)
            # The peers are told of now and then only; until then what was told holds.
            stream.entry.counters = counters if counters.peers else replace(counters, peers=stream.entry.counters.peers)
        elif kind == "reference":
            self._take_reference(stream, message.reference, now)
        elif kind == "kernel_clock":
            clock = kernel_clock_from_message(message.kernel_clock)
            stream.entry.reported = replace(stream.entry.reported, kernel=HeardKernel(clock, now))
        elif kind == "hello":
            raise BadMessage("hello came twice on one stream")
        # A message of a kind unknown here comes from a newer agent, and is not for us.

    def _acknowledge(self, stream: Stream) -> None:
        entry = stream.entry
        stream.acknowledge(entry.sequence, entry.kept_sequence if self._keeps else entry.sequence, self.slowdown)

    def marks(self) -> Marks:
        """How far each host's reports are in the window now, of those whose newest are not kept yet."""
        return {
            entry.hello.host: (entry.hello.instance, entry.sequence)
            for entry in self.directory
            if entry.sequence > entry.kept_sequence
        }

    def kept(self, marks: Marks) -> None:
        """Reports up to these marks are in the history: agents may forget them."""
        for host, (instance, sequence) in marks.items():
            entry = self.directory.get(host)
            if entry is None:
                continue
            entry.keep(instance, sequence)
            stream = self._streams.get(host)
            if stream is not None and stream.instance == instance:
                self._acknowledge(stream)

    def _take_reference(self, stream: Stream, message: pb.ReferenceStatus, now: float) -> None:
        status = status_from_message(message)
        before = stream.entry.reported.reference
        if before is None or before.status.state is not status.state:
            fields = {"host": stream.entry.hello.host, "state": status.state.label, "source": status.source}
            log.info("a reference's state", extra={"fields": fields})
        stream.entry.reported = replace(stream.entry.reported, reference=HeardStatus(status, now))

    def _take_batch(self, stream: Stream, message: pb.RecordBatch, now: float) -> None:
        host = stream.entry.hello.host
        if len(message.destinations) > MAX_DESTINATIONS:
            raise BadMessage(f"batch: {len(message.destinations)} destinations; at most {MAX_DESTINATIONS}")
        batch = batch_from_message(message)
        if host in batch.destinations:
            raise BadMessage(f"batch: host {host!r} reports probes of itself")
        if not batch.sequence:
            raise BadMessage("batch: the sequence number is missing")
        if stream.entry.is_new(batch.sequence):
            self.window.add(host, batch, now, waited=message.waited_ns / 1e9)
            self._counts["batches"] += 1
        else:
            self._counts["repeats"] += 1
        self._acknowledge(stream)

    def _take_event(self, stream: Stream, message: pb.ClockEvent, now: float) -> None:
        event = convert.clock_event_from_message(message)
        if not message.sequence:
            raise BadMessage("clock event: the sequence number is missing")
        if stream.entry.is_new(message.sequence):
            host = stream.entry.hello.host
            if self.window.add_event(host, event, now):
                self._counts["clock_events"] += 1
                fields = {"host": host, "kind": event.kind.name.lower(), "at_ns": event.at_ns, "size_ns": event.size_ns}
                log.warning("a host's clock was set, or the host slept", extra={"fields": fields})
        else:
            self._counts["repeats"] += 1
        self._acknowledge(stream)

    def send_keys(self, keys: Mapping[str, Sequence[control.ProbeKey]]) -> None:
        """Give connected hosts the keys by which they know authenticated probes."""
        for host, known in keys.items():
            stream = self._streams.get(host)
            if stream is not None:
                stream.offer_keys(control.keys_to_message(known))

    def send_plan(self, host: str, plan: control.Plan) -> bool:
        """Give a connected host its plan; False if it is not connected."""
        stream = self._streams.get(host)
        if stream is None:
            return False
        stream.offer_plan(control.plan_to_message(self._keyed(host, plan)))
        self._counts["plans_sent"] += 1
        return True

    def send_plans(self, plans: Mapping[str, control.Plan]) -> None:
        """Give connected hosts their plans, some now and the others at `tell_some`."""
        self._unplanned.update(plans)
        self._begin()

    def send_estimates(self, estimates: Mapping[str, pb.HostEstimate], every: int = 1) -> None:
        """Give connected hosts their own estimates, some now and the others at `tell_some`; those not told yet of
        an older one are told of this one. `every`: each host at one of so many calls.
        """
        self._round += 1
        for place, host in enumerate(self._streams):
            estimate = estimates.get(host)
            if estimate is not None and ((place + self._round) % every == 0 or host in self._untold):
                self._untold[host] = estimate
        self._begin()

    def _begin(self) -> None:
        self._part = max(AT_ONCE, -(-(len(self._untold) + len(self._unplanned)) // TURNS))
        self.tell_some()

    def tell_some(self) -> None:
        """Send a part of what waits to be sent to many; to be called every so often."""
        left = self._part
        least = left - min(left, PLANS_AT_ONCE)
        while left > least and self._unplanned:
            left -= 1
            host = next(iter(self._unplanned))
            self.send_plan(host, self._unplanned.pop(host))
        while left and self._untold:
            left -= 1
            host = next(iter(self._untold))
            estimate = self._untold.pop(host)
            stream = self._streams.get(host)
            if stream is not None:
                stream.offer_estimate(estimate)
                self._counts["estimates_sent"] += 1

    def end_where(self, unwelcome: Callable[[Identity], str]) -> None:
        """End the streams whose certificate is not welcome any more; `unwelcome` says why, or nothing."""
        for stream in self._streams.values():
            reason = unwelcome(stream.identity) if stream.identity is not None else ""
            if reason:
                stream.end(grpc.StatusCode.UNAUTHENTICATED, reason)

    def connected(self) -> Iterable[str]:
        """Hosts connected now."""
        return tuple(self._streams)

    def close(self) -> None:
        """Send every agent away, kindly; new ones too."""
        self._closing = True
        for stream in self._streams.values():
            stream.end(grpc.StatusCode.UNAVAILABLE, "the collector is stopping")

    def statistics(self) -> IngestStatistics:
        """Counts since the start."""
        window = self.window.statistics()
        counts = self._counts
        return IngestStatistics(
            streams=counts["streams"],
            batches=counts["batches"],
            repeats=counts["repeats"],
            records=window.rows_added,
            records_late=window.rows_late,
            records_over_quota=window.rows_over_quota,
            records_crowded_out=window.rows_crowded_out,
            clock_events=counts["clock_events"],
            clock_events_over_quota=window.events_over_quota,
            refused=counts["refused"],
            names_disputed=counts["names_disputed"],
            names_refused=counts["names_refused"],
            plans_sent=counts["plans_sent"],
            estimates_sent=counts["estimates_sent"],
        )

    def fill(self) -> IngestFill:
        """What is there now."""
        return IngestFill(len(self._streams), len(self.directory), self.window.statistics().rows)
