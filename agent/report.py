"""The agent's end of the report stream: what the spool holds goes out, plan and estimate come back.

Rules: every wait is on monotonic time. So gRPC's own time-outs are not used, because they are reckoned from the wall
clock, which this program expects to be hours wrong and to be set while it runs. A connection that breaks is tried
again, at the next collector of the list, and after a whole round at growing, jittered intervals. This file knows
nothing of probing: records are given to it, and plans are given away.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import grpc
import grpc.aio

from noonmark.agent.spool import Entry, Spool
from noonmark.proto import control, convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.channels import Renewal, Security, credentials, distrusted
from noonmark.proto.control import Hello, OwnEstimate, Plan, ProbeCounters, ProbeKey
from noonmark.proto.convert import BadMessage
from noonmark.proto.options import HostPort
from noonmark.proto.records import ClockEvent, ProbeRecord, RecordBatch
from noonmark.proto.tls_files import TlsFileProblem

log = logging.getLogger("noonmark.agent.report")

COUNTERS_EVERY = 3
"""Reports from one telling of the counters to the next: each costs both ends as much as a report, and says little."""
CHANNEL_OPTIONS = (
    # Both ends state their keepalive, so that neither finds the other's pings too many.
    ("grpc.keepalive_time_ms", 30_000),
    ("grpc.keepalive_timeout_ms", 10_000),
    ("grpc.http2.max_pings_without_data", 0),
    ("grpc.max_receive_message_length", 4 << 20),
    ("grpc.enable_retries", 0),
    ("grpc.enable_http_proxy", 0),
    # Streams are thin: probing for their bandwidth would only wake both ends.
    ("grpc.http2.bdp_probe", 0),
    # A new channel must not inherit the waiting time of the one that failed.
    ("grpc.use_local_subchannel_pool", 1),
)
METHOD = "/noonmark.v1.Reports/Report"
"""By name, since the generated stubs cost 0.7 MB; a test holds it to them."""
UNWELCOME = (
    grpc.StatusCode.ALREADY_EXISTS,
    grpc.StatusCode.INVALID_ARGUMENT,
    grpc.StatusCode.PERMISSION_DENIED,
    grpc.StatusCode.UNAUTHENTICATED,
    grpc.StatusCode.UNIMPLEMENTED,
)
"""Answers that trying again soon will not change."""

MOST_SLOWDOWN = 64
RENEWAL_LOOK = 1.0
"""Seconds between looks whether certificates were replaced, while there is no connection."""
LONGEST_SLOWED = 60.0
"""Seconds between reports that a collector may ask for; the spool holds much more."""
MOST_IN_FLIGHT = 2
"""Batches and events sent and not acknowledged: what a collector that is behind has not taken waits here."""

Call = grpc.aio.StreamStreamCall[pb.AgentMessage, pb.CollectorMessage]


@dataclass(frozen=True, slots=True)
class ReportSettings:
    """To whom, and how often. Spans in seconds."""

    collectors: Sequence[HostPort]
    interval: float = 5.0
    jitter: float = 0.2
    """Each interval is lengthened or shortened by up to this part, so that a fleet does not report in step."""
    first_pause: float = 0.5
    longest_pause: float = 30.0
    connect_within: float = 10.0
    acknowledge_within: float = 30.0
    """A collector that is silent for longer about what it was sent is taken for lost."""
    look_back: float = 30.0
    """While connected to a stand-in: how often to see whether one earlier in the list is back, so that a fleet which
    was scattered over several collectors comes together again."""
    farewell: float = 1.0
    """How long leaving may take."""
    security: Security = field(default_factory=Security)


@dataclass(frozen=True, slots=True)
class ReportStatistics:
    """State and counts since the start."""

    connected: bool
    collector: str
    """Whom it is connected to, or was last."""
    connections: int
    failures: int
    last_failure: str
    plan_version: int
    peers: int
    messages_refused: int
    """From the collector, for making no sense."""
    estimates: int


class Renewed(Exception):  # noqa: N818 - no error: what happened
    """The certificate was renewed: the next connection is to show the new one."""


def open_stream(channel: grpc.aio.Channel) -> Call:
    """Begin to report."""
    method = channel.stream_stream(
        METHOD,
        request_serializer=pb.AgentMessage.SerializeToString,
        response_deserializer=pb.CollectorMessage.FromString,
    )
    return cast("Call", method())


class EarlierAnswers(Exception):  # noqa: N818 - named for what was found
    """A collector that comes earlier in the list can be reached again; `place` is its."""

    def __init__(self, place: int) -> None:
        super().__init__(place)
        self.place = place


class Broken(Exception):  # noqa: N818 - named for what happened to the stream
    """The stream cannot go on; the text says why."""


class Reporter:
    """Keeps one stream to one of the collectors. Not safe for use by several threads."""

    def __init__(
        self,
        settings: ReportSettings,
        spool: Spool,
        *,
        hello: Callable[[HostPort], Awaitable[Hello]],
        on_plan: Callable[[Plan], None],
        counters: Callable[[], ProbeCounters],
        rng: random.Random,
        standing: Callable[[bool], Sequence[pb.AgentMessage]] = lambda first: (),  # noqa: ARG005
        on_estimate: Callable[[OwnEstimate], None] = lambda estimate: None,  # noqa: ARG005
        on_keys: Callable[[Sequence[ProbeKey]], None] = lambda keys: None,  # noqa: ARG005
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.settings = settings
        self.spool = spool
        self._hello = hello
        self._on_plan = on_plan
        self._counters = counters
        self._standing = standing
        """What else is to be told of the present, each time; True: on a new connection."""
        self._on_estimate = on_estimate
        self._on_keys = on_keys
        self._rng = rng
        self._monotonic = monotonic
        files = settings.security.files
        self._renewal = Renewal(files) if files is not None else None
        self._news = asyncio.Event()
        self._telling = False
        """Whether counters and what else stands are due."""
        self._stopping = asyncio.Event()
        self._ticked = 0
        self._acknowledged = 0.0
        self._slowdown = 1
        self._worked = False
        self._connected = False
        self._collector = ""
        self._connections = self._failures = self._refused = self._estimates = self._peers = self._plan_version = 0
        self._last_failure = ""
        self.own_estimate: OwnEstimate | None = None
        self.own_estimate_at = 0.0
        """When it came (monotonic seconds)."""

    def add_records(self, records: Sequence[ProbeRecord]) -> None:
        """Take records to report; a full batch leaves at once."""
        self.spool.add_records(records, now=self._monotonic())
        if self.spool.unsent:
            self._news.set()

    def add_clock_event(self, event: ClockEvent) -> None:
        """Take a clock event; it leaves at once."""
        self.spool.add_clock_event(event, now=self._monotonic())
        self.tell_now()

    def tell_now(self) -> None:
        """Send what there is without waiting for the next interval."""
        self._telling = True
        self._news.set()

    async def run(self) -> None:
        """Report until `stop`, then deliver what is left, within the farewell's time."""
        ticker = asyncio.create_task(self._tick())
        conversation = asyncio.create_task(self._keep_connected())
        stopping = asyncio.create_task(self._stopping.wait())
        try:
            await asyncio.wait({conversation, stopping, ticker}, return_when=asyncio.FIRST_COMPLETED)
            if ticker.done():
                ticker.result()  # by a fault of its own only; without it nothing would be reported, and nobody told
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self.settings.farewell):
                    await conversation
        finally:
            for task in (ticker, stopping, conversation):
                task.cancel()

    def stop(self) -> None:
        """Make `run` end."""
        self.spool.close_batch(now=self._monotonic())
        self._stopping.set()
        self.tell_now()

    @property
    def interval(self) -> float:
        """Mean time between two reports, s: as set, and as much longer as the collector asks."""
        return max(self.settings.interval, min(LONGEST_SLOWED, self.settings.interval * self._slowdown))

    @property
    def patience(self) -> float:
        """How long an acknowledgement may take, s: longer where the collector says that it is pressed, for who leaves
        it and comes back with all that it has not heard of presses it more."""
        return self.settings.acknowledge_within * min(self._slowdown, 4)

    async def _tick(self) -> None:
        while True:
            interval = self.interval
            spread = self.settings.jitter * interval
            await asyncio.sleep(interval + self._rng.uniform(-spread, spread))
            now = self._monotonic()
            self.spool.close_batch(now=now)
            self.spool.expire(now=now)
            self._ticked += 1
            self.tell_now()

    async def _keep_connected(self) -> None:
        tries = 0
        while not self._stopping.is_set():
            collector = self.settings.collectors[tries % len(self.settings.collectors)]
            self._worked = False
            pause = None
            try:
                await self._converse(collector, tries % len(self.settings.collectors))
                continue
            except EarlierAnswers as found:
                log.info("going back", extra={"fields": {"collector": str(self.settings.collectors[found.place])}})
                tries = found.place
                continue
            except Renewed:
                log.info("certificate renewed, connecting anew", extra={"fields": {"collector": str(collector)}})
                continue
            except (Broken, TlsFileProblem, TimeoutError, OSError, grpc.aio.UsageError) as error:
                self._note_failure(collector, str(error) or "it does not answer")
            except grpc.aio.AioRpcError as error:
                self._note_failure(collector, error.details() or error.code().name)
                pause = self.settings.longest_pause if error.code() in UNWELCOME else None
            rounds = 0 if self._worked else tries // len(self.settings.collectors)
            tries = tries + 1 if not self._worked else (tries + 1) % len(self.settings.collectors)
            if tries % len(self.settings.collectors) == 0 or pause:
                await self._rest(pause or self._pause(rounds))

    def _pause(self, rounds: int) -> float:
        """Doubling, half of it at random."""
        longest = min(self.settings.longest_pause, self.settings.first_pause * 2.0 ** min(rounds, 30))
        return self._rng.uniform(longest / 2, longest)

    async def _rest(self, pause: float) -> None:
        """Until the pause is over; not longer than until new certificates are there, which may end what was wrong."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(pause):
                while self._renewal is not None and not self._stopping.is_set():
                    await asyncio.sleep(RENEWAL_LOOK)
                    if self._renewal.is_due():
                        return
                await self._stopping.wait()

    def _note_failure(self, collector: HostPort, reason: str) -> None:
        self._failures += 1
        self._last_failure = reason
        fields = {"collector": str(collector), "reason": reason, "waiting_records": self.spool.statistics().rows}
        log.warning("no connection to the collector", extra={"fields": fields})

    async def _look_back(self, place: int) -> None:
        """Raises EarlierAnswers once one that comes earlier in the list can be reached; returns never."""
        spread = self.settings.jitter * self.settings.look_back
        while place:
            await asyncio.sleep(self.settings.look_back + self._rng.uniform(-spread, spread))
            for earlier in range(place):
                # Whatever is wrong there is no matter of this connection's.
                with contextlib.suppress(Broken, TlsFileProblem, TimeoutError, OSError, grpc.aio.UsageError):
                    async with self._channel(self.settings.collectors[earlier]) as channel:
                        await self._until_ready(channel)
                        raise EarlierAnswers(earlier)
        await asyncio.Event().wait()

    async def _converse(self, collector: HostPort, place: int) -> None:
        """One connection, from hello to its end. Returns only when stopping; else raises. `place`: in the list."""
        async with self._channel(collector) as channel:
            await self._until_ready(channel)
            call = open_stream(channel)
            hello = pb.AgentMessage(hello=control.hello_to_message(await self._hello(collector)))
            self.spool.rewind()
            self._acknowledged = self._monotonic()
            self._collector = str(collector)
            tasks = [
                asyncio.create_task(self._look_back(place)),
                asyncio.create_task(self._send(call, hello)),
                asyncio.create_task(self._receive(call)),
            ]
            try:
                done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                # The receiver knows the collector's reason; a failed write only knows that there is one.
                for task in sorted(done, key=tasks.index, reverse=True):
                    task.result()
                if tasks[2] not in done:
                    await self._take_leave(tasks[2])
            except (grpc.aio.UsageError, asyncio.InvalidStateError):
                raise Broken(await self._reason(call)) from None
            finally:
                self._connected = False
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                call.cancel()

    def _channel(self, collector: HostPort) -> grpc.aio.Channel:
        """Raises TlsFileProblem if the connection cannot be secured as it must be."""
        security = self.settings.security
        security.target(collector.host)
        options = (*CHANNEL_OPTIONS, *security.options())
        if self._renewal is None:
            return grpc.aio.insecure_channel(str(collector), options=options)
        return grpc.aio.secure_channel(str(collector), credentials(self._renewal.read()), options=options)

    @staticmethod
    async def _reason(call: Call) -> str:
        return (await call.details() if call.done() else "") or "the stream broke"

    async def _until_ready(self, channel: grpc.aio.Channel) -> None:
        """Wait for the connection. Raises Broken as soon as it fails, TimeoutError if nothing happens."""
        async with asyncio.timeout(self.settings.connect_within):
            state = channel.get_state(try_to_connect=True)
            while state is not grpc.ChannelConnectivity.READY:
                if state is grpc.ChannelConnectivity.TRANSIENT_FAILURE:
                    raise Broken(await self._why(channel))
                await channel.wait_for_state_change(state)
                state = channel.get_state(try_to_connect=True)

    async def _why(self, channel: grpc.aio.Channel) -> str:
        """What a connection that fails fails of: with TLS there is more than one way."""
        if self._renewal is not None:
            try:
                health: Any = channel.unary_unary("/grpc.health.v1.Health/Check")
                await health(b"")
            except grpc.aio.AioRpcError as error:
                details = error.details() or ""
                if distrusted(details):
                    authority = self._renewal.files.authority
                    return (
                        f"its certificate is not of the authority in {authority}, or not for this name, or this host's "
                        f"clock is outside its dates: {details}"
                    )
                if "Connection refused" not in details:
                    return f"no connection by TLS 1.3: {details}"
        return "nobody listens there"

    async def _send(self, call: Call, hello: pb.AgentMessage) -> None:
        """Write hello, then whatever the spool has, as fast as it is acknowledged, until stopping."""
        await self._write(call, hello)
        self._connected = True
        self._connections += 1
        log.info("connected", extra={"fields": {"collector": self._collector}})
        first = True
        while True:
            self._news.clear()
            while self.spool.in_flight < MOST_IN_FLIGHT and (entry := self.spool.next_entry()) is not None:
                await self._write(call, self._message(entry))
            if first or self._telling:
                self._telling = False
                if first or self._ticked % COUNTERS_EVERY == 0 or self._stopping.is_set():
                    await self._write(call, pb.AgentMessage(counters=control.counters_to_message(self._counters())))
                for message in self._standing(first):
                    await self._write(call, message)
            first = False
            if self._stopping.is_set() and not self.spool.unsent:
                await call.done_writing()
                return
            await self._news.wait()
            if self._renewal is not None and self._renewal.is_due():
                raise Renewed
            if not self.spool.unacknowledged:
                self._acknowledged = self._monotonic()
            elif self._monotonic() - self._acknowledged > self.patience:
                raise Broken("it acknowledges nothing")

    async def _write(self, call: Call, message: pb.AgentMessage) -> None:
        async with asyncio.timeout(self.patience):
            await call.write(message)

    def _message(self, entry: Entry) -> pb.AgentMessage:
        if isinstance(entry.body, RecordBatch):
            batch = convert.batch_to_message(entry.body)
            batch.waited_ns = max(0, round((self._monotonic() - entry.closed) * 1e9))
            return pb.AgentMessage(batch=batch)
        return pb.AgentMessage(clock_event=convert.clock_event_to_message(entry.sequence, entry.body))

    async def _receive(self, call: Call) -> None:
        """Take what the collector says until it ends the stream; raises then, unless stopping."""
        async for message in call:
            try:
                self._take(message)
            except BadMessage as error:
                self._refused += 1
                log.warning("message refused", extra={"fields": {"collector": self._collector, "reason": str(error)}})
        if not self._stopping.is_set():
            raise Broken("the collector ended the stream")

    def _take(self, message: pb.CollectorMessage) -> None:
        kind = message.WhichOneof("body")
        self._worked = True
        if kind == "acknowledgement":
            try:
                told = message.acknowledgement
                self.spool.acknowledge(told.sequence, told.kept if told.HasField("kept") else None)
            except ValueError as error:
                raise BadMessage(str(error)) from None
            self._acknowledged = self._monotonic()
            self._slowdown = min(MOST_SLOWDOWN, max(1, message.acknowledgement.report_slowdown))
            if self.spool.unsent:
                self._news.set()
        elif kind == "plan":
            plan = control.plan_from_message(message.plan)
            self._plan_version, self._peers = plan.version, len(plan.peers)
            log.info("plan received", extra={"fields": {"version": plan.version, "peers": len(plan.peers)}})
            self._on_plan(plan)
        elif kind == "probe_keys":
            self._on_keys(control.keys_from_message(message.probe_keys))
        elif kind == "estimate":
            self.own_estimate = control.own_estimate_from_message(message.estimate)
            self.own_estimate_at = self._monotonic()
            self._estimates += 1
            self._on_estimate(self.own_estimate)

    async def _take_leave(self, receiver: asyncio.Task[None]) -> None:
        """Everything is written: wait for the last acknowledgement, but not for long."""
        await asyncio.wait({receiver}, timeout=self.settings.farewell)

    def statistics(self) -> ReportStatistics:
        """State and counts."""
        return ReportStatistics(
            connected=self._connected,
            collector=self._collector,
            connections=self._connections,
            failures=self._failures,
            last_failure=self._last_failure,
            plan_version=self._plan_version,
            peers=self._peers,
            messages_refused=self._refused,
            estimates=self._estimates,
        )
