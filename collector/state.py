"""The latest estimate: one writer, many readers, no history.

The writer publishes a frozen `Published`; a reader takes the whole of it at once and never sees a half. The reference
time now is the estimate's own instant plus the monotonic time that has passed since, so that a step of the collector's
own clock moves nothing here. This file does not know who publishes, nor what is done with what it gives.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from noonmark.collector.estimate import FleetEstimate
from noonmark.proto.control import PeerCounters


@dataclass(frozen=True, slots=True)
class HostFacts:
    """What a host says of itself, and when the collector last had word from it."""

    zone: str = ""
    role: str = ""
    heard_monotonic_ns: int | None = None
    """Monotonic time of the host's newest message; None if it never spoke (it is only probed by others)."""
    asked: int | None = None
    """Probes that its agent sent since the agent started; None: it does not say."""
    unanswered: int | None = None
    """How many of them got no answer."""
    peers: Sequence[PeerCounters] = ()
    """What its probes of each peer came to lately; empty: it does not say."""
    reference_state: str = "unknown"
    """Of its own source of time: locked, holdover, free-run (ITU-T G.810), or unknown if it tells none."""
    holdover_seconds: float | None = None
    """How long it has been without its source; None unless it is in holdover or free-run."""
    claimed_error_ns: int | None = None
    """Greatest error of its clock that its kernel vouches for; None: it vouches for nothing."""


@dataclass(frozen=True, slots=True)
class Published:
    """One estimate as it was published. `sequence` rises by one each time, from 1."""

    sequence: int
    estimate: FleetEstimate
    facts: Mapping[str, HostFacts]
    published_monotonic_ns: int
    solve_seconds: float = 0.0
    """How long the calculation took."""
    lateness_seconds: float = 0.0
    """How much later than planned the tick began."""

    def now_ns(self, monotonic_ns: int) -> int:
        """Reference time at a monotonic time."""
        return self.estimate.at_ns + monotonic_ns - self.published_monotonic_ns

    def age_ns(self, monotonic_ns: int) -> int:
        """How long ago it was published."""
        return monotonic_ns - self.published_monotonic_ns

    def told(self) -> dict[str, tuple[str, int | None]]:
        """State of its own source, and greatest error that its kernel vouches for, of each host that tells of any."""
        return {
            host: ("" if facts.reference_state == "unknown" else facts.reference_state, facts.claimed_error_ns)
            for host, facts in self.facts.items()
            if facts.reference_state != "unknown" or facts.claimed_error_ns is not None
        }


@dataclass(slots=True)
class State:
    """Holder of the latest `Published`. Safe to write in one thread and read in others."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    _latest: Published | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _waiting: list[tuple[asyncio.AbstractEventLoop, asyncio.Future[None]]] = field(default_factory=list)

    def publish(
        self,
        estimate: FleetEstimate,
        facts: Mapping[str, HostFacts] | None = None,
        *,
        measured_monotonic_ns: int | None = None,
        solve_seconds: float = 0.0,
        lateness_seconds: float = 0.0,
    ) -> Published:
        """Replace the latest estimate and wake everyone who waits for one.

        `measured_monotonic_ns` is the monotonic time at which reference time was `estimate.at_ns`; without it the
        present is taken, which makes reference time late by as long as the calculation took.
        """
        moment = self.monotonic_ns() if measured_monotonic_ns is None else measured_monotonic_ns
        with self._lock:
            sequence = self._latest.sequence + 1 if self._latest else 1
            latest = Published(sequence, estimate, dict(facts or {}), moment, solve_seconds, lateness_seconds)
            self._latest = latest
            waiting, self._waiting = self._waiting, []
        for loop, future in waiting:
            if not loop.is_closed():
                loop.call_soon_threadsafe(_wake, future)
        return latest

    def latest(self) -> Published | None:
        """What was published last; None before the first."""
        return self._latest

    def now_ns(self) -> int | None:
        """Reference time now; None before the first estimate."""
        latest = self._latest
        return None if latest is None else latest.now_ns(self.monotonic_ns())

    async def newer(self, sequence: int = 0) -> Published:
        """Wait for an estimate with a higher sequence number than the one already seen; returns the newest."""
        while True:
            with self._lock:
                latest = self._latest
                if latest is not None and latest.sequence > sequence:
                    return latest
                loop = asyncio.get_running_loop()
                future = loop.create_future()
                self._waiting.append((loop, future))
            try:
                await future
            finally:
                with self._lock:
                    self._waiting = [pair for pair in self._waiting if pair[1] is not future]


def _wake(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)
