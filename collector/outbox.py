"""What waits to be sent to one agent: at most one of each kind, the newest, so a slow reader costs no memory. Rim.

Nothing here decides what is sent, or to whom.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable

import grpc
import grpc.aio

from noonmark.collector.access import Identity
from noonmark.collector.directory import HostEntry
from noonmark.proto import noonmark_pb2 as pb

Context = grpc.aio.ServicerContext[pb.AgentMessage, pb.CollectorMessage]
GONE = (grpc.RpcError, grpc.aio.UsageError, grpc.aio.InternalError)
"""What writing to a stream raises that has ended."""


class Stream:
    """One agent's connection, as seen from the rest of the collector: a box with one place for each kind of message."""

    def __init__(self, entry: HostEntry, task: asyncio.Task[object], identity: Identity | None) -> None:
        self.entry = entry
        self.identity = identity
        self.instance = entry.hello.instance
        self._task = task
        self._ready = asyncio.Event()
        self._finished = False
        self._acknowledgement: pb.Acknowledgement | None = None
        self._keys: pb.ProbeKeys | None = None
        self._plan: pb.Plan | None = None
        self._estimate: pb.HostEstimate | None = None
        self.farewell: tuple[grpc.StatusCode, str] | None = None

    def acknowledge(self, sequence: int, kept: int, slowdown: int = 1) -> None:
        """Tell the agent that everything up to `sequence` is here, and up to `kept` in the history.

        And to report so many times less often than set.
        """
        self._acknowledgement = pb.Acknowledgement(sequence=sequence, kept=kept, report_slowdown=slowdown)
        self._ready.set()

    def offer_keys(self, keys: pb.ProbeKeys) -> None:
        """Send a reflector's keys, instead of any that still wait."""
        self._keys = keys
        self._ready.set()

    def offer_plan(self, plan: pb.Plan) -> None:
        """Send a plan, instead of any that still waits."""
        self._plan = plan
        self._ready.set()

    def offer_estimate(self, estimate: pb.HostEstimate) -> None:
        """Send the host's own estimate, instead of any that still waits."""
        self._estimate = estimate
        self._ready.set()

    def end(self, code: grpc.StatusCode, reason: str) -> None:
        """End the connection from this side."""
        if self.farewell is None:
            self.farewell = (code, reason)
            self._task.cancel()

    def take(self) -> Iterable[pb.CollectorMessage]:
        """What waits, oldest kind of promise first."""
        if self._acknowledgement is not None:
            acknowledgement, self._acknowledgement = self._acknowledgement, None
            yield pb.CollectorMessage(acknowledgement=acknowledgement)
        if self._keys is not None:
            keys, self._keys = self._keys, None
            yield pb.CollectorMessage(probe_keys=keys)
        if self._plan is not None:
            plan, self._plan = self._plan, None
            yield pb.CollectorMessage(plan=plan)
        if self._estimate is not None:
            estimate, self._estimate = self._estimate, None
            yield pb.CollectorMessage(estimate=estimate)

    def finish(self) -> None:
        """Nothing more comes: `send_all` sends what is left, and returns."""
        self._finished = True
        self._ready.set()

    async def send_all(self, context: Context) -> None:
        """Send what comes, until `finish` or until the agent has gone."""
        with contextlib.suppress(*GONE):
            while True:
                await self._ready.wait()
                self._ready.clear()
                finished = self._finished
                for message in self.take():
                    await context.write(message)
                if finished:
                    return
