"""Keeps estimates behind the tick, in order, and says which reports are safe with each. Rim.

What an agent reported is acknowledged as kept once an estimate whose window held it is in the history; until then the
agent keeps it too. So a store that fails or is slow costs neither the live numbers nor the past: estimates wait here,
bounded by their size, and are tried again. One that cannot be stored while later ones can is given up, and counted.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Protocol

import numpy as np

from noonmark.collector.daemon_thread import in_daemon_thread
from noonmark.collector.estimate import FleetEstimate

log = logging.getLogger("noonmark.collector.keeping")

Marks = Mapping[str, tuple[int, int]]
"""By host: the agent process (instance), and the highest sequence number that was in an estimate's window."""
Places = Mapping[str, tuple[str, str]]
"""By host: zone and role."""
MAX_BYTES = 256 << 20
"""Of estimates that wait; the newest waits whatever its size."""
TRIES = 3
"""After so many failures an estimate is suspected, if a later one can be stored."""


class Store(Protocol):
    """What is asked of a history."""

    def append(self, estimate: FleetEstimate, places: Places) -> object:
        """Keep an estimate, and what hosts tell of their zones and roles."""


@dataclass(frozen=True, slots=True)
class KeepingStatistics:
    """What waits, and counts since the start."""

    waiting: int
    kept: int
    failures: int
    """Attempts that failed; an estimate may fail many times before it is kept."""
    given_up: int
    """Estimates that are not in the history, and will not be."""
    last_error: str


@dataclass(slots=True, eq=False)
class _Waiting:
    estimate: FleetEstimate
    places: Places
    marks: Marks
    size: int
    failures: int = 0
    stored: bool = False
    """Out of turn: then it only waits for those before it to be told of."""


def size_of(estimate: FleetEstimate) -> int:
    """Octets of an estimate's arrays."""
    return sum(
        value.nbytes
        for part in (estimate, estimate.paths)
        for value in (getattr(part, item.name) for item in fields(part))
        if isinstance(value, np.ndarray)
    )


class Keeper:
    """Owner of the queue between tick and history. `on_kept` is told how far each host's reports are safe now."""

    def __init__(
        self,
        store: Store,
        *,
        on_kept: Callable[[Marks], None] = lambda marks: None,  # noqa: ARG005
        retry_after: float = 2.0,
        max_bytes: int = MAX_BYTES,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store = store
        self._on_kept = on_kept
        self._retry_after = retry_after
        self._max_bytes = max_bytes
        self._monotonic = monotonic
        self._queue: deque[_Waiting] = deque()
        self._bytes = 0
        self._in_hand: _Waiting | None = None
        self._news = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._kept = self._failures = self._given_up = 0
        self._last_error = ""

    def offer(self, estimate: FleetEstimate, places: Places, marks: Marks) -> None:
        """Have an estimate kept; at once, or behind those that wait."""
        waiting = _Waiting(estimate, places, marks, size_of(estimate))
        self._queue.append(waiting)
        self._bytes += waiting.size
        # The head goes first, and what is in the store's hands at this moment may yet be kept.
        for each in list(self._queue)[1:-1] if self._bytes > self._max_bytes else ():
            if each is not self._in_hand and self._bytes > self._max_bytes:
                self._drop(each)
        self._idle.clear()
        self._news.set()

    async def run(self) -> None:
        """Keep what is offered, until cancelled."""
        while True:
            await self._news.wait()
            self._news.clear()
            await self._pass()
            if self._queue:
                # Tried again after a while, or with the next estimate if that comes first.
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self._retry_after):
                        await self._news.wait()
                self._news.set()

    async def drain(self, within: float) -> None:
        """Wait until nothing waits any more, but not for longer than `within` seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within):
                await self._idle.wait()

    async def _pass(self) -> None:
        """Store from the head on, as far as it goes."""
        while self._queue:
            head = self._queue[0]
            if head.stored or await self._attempt(head):
                self._take_off(head)
                self._on_kept(head.marks)
                continue
            last = self._queue[-1]
            if head.failures < TRIES or last is head:
                return
            # Is it this estimate, or the store?
            if not (last.stored or await self._attempt(last)):
                return
            log.error("an estimate cannot be kept", extra={"fields": {"at_ns": head.estimate.at_ns}})
            self._drop(head)
        self._idle.set()

    async def _attempt(self, waiting: _Waiting) -> bool:
        self._in_hand = waiting
        try:
            await in_daemon_thread(lambda: self._store.append(waiting.estimate, waiting.places), "keeping")
        except Exception as error:  # a full disk must not stop anything else
            waiting.failures += 1
            self._failures += 1
            self._last_error = str(error)
            fields_ = {"reason": error, "waiting": len(self._queue), "tries": waiting.failures}
            log.error("the estimate was not stored", extra={"fields": fields_})
            return False
        finally:
            self._in_hand = None
        self._kept += 1
        self._last_error = ""
        waiting.stored = True
        return True

    def _take_off(self, waiting: _Waiting) -> None:
        # While the store had it, what came meanwhile may have pushed it out.
        if waiting in self._queue:
            self._queue.remove(waiting)
            self._bytes -= waiting.size

    def _drop(self, waiting: _Waiting) -> None:
        self._take_off(waiting)
        self._given_up += not waiting.stored

    def statistics(self) -> KeepingStatistics:
        """What waits, and counts so far."""
        return KeepingStatistics(len(self._queue), self._kept, self._failures, self._given_up, self._last_error)
