"""Whom to probe next, and when. Pure: times are monotonic nanoseconds passed in, chance is a generator passed in.

A new peer's first exchange falls at a random moment of the first part of its interval, and every spacing is drawn anew
around the interval: so a fleet that starts at once soon does not probe in step, and probes do not run in step with
anything periodic on the host. What was missed (a stopped, sleeping or overloaded host) is not made up for: it is
counted. So a host that lacks processor time probes less, and what it does measure is as true as ever.

Waking an idle host costs far more than sending a packet (0.2 ms of a core against 0.03 where it was measured). So who
is due a little later is served in the same wake; at eight peers that saves two of three wakes.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Sequence
from dataclasses import dataclass, field

JITTER = 0.25
"""A spacing is the interval times a number drawn evenly from 1 - JITTER to 1 + JITTER."""
EARLY = 0.25
"""So much of its interval before its moment a peer may be served; the next is counted from the moment all the same."""
FIRST = 0.25
"""Within so much of its interval a new peer is first probed."""
LONGEST_SPACING = 1 + JITTER + EARLY
"""Between two exchanges with a peer, in intervals."""


@dataclass(frozen=True, slots=True)
class PeerTarget:
    """A host to probe. Raises ValueError for a port or an interval that cannot be."""

    host: str
    """Name under which its records are reported."""
    address: str
    """Numeric IPv4 or IPv6 address."""
    port: int
    interval_ns: int
    """Mean time between two exchanges."""
    secret: bytes = field(default=b"", compare=False, repr=False)
    """Key of authenticated probes; empty: plain ones. A new key changes nothing of when the peer is due."""
    session_id: int = field(default=0, compare=False)
    """Goes with the key."""

    def __post_init__(self) -> None:
        if not 0 < self.port < 65536:
            raise ValueError(f"peer {self.host}: port {self.port} is not from 1 to 65535")
        if self.interval_ns <= 0:
            raise ValueError(f"peer {self.host}: the interval must be above zero")


class Schedule:
    """A queue of peers ordered by when each is due."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._due: dict[PeerTarget, int] = {}
        self._queue: list[tuple[int, int, PeerTarget]] = []
        self._entries = 0
        self._passed_over = 0.0

    def replace(self, peers: Sequence[PeerTarget], *, now: int) -> None:
        """Probe these peers from now on. One that stays as it was keeps its moment."""
        kept = self._due
        self._due = {}
        self._queue = []
        for peer in dict.fromkeys(peers):
            due = kept.get(peer)
            self._push(peer, now + round(self._rng.uniform(0, FIRST) * peer.interval_ns) if due is None else due)

    @property
    def skipped(self) -> int:
        """How many exchanges were due, in the mean, while nobody came to send them."""
        return int(self._passed_over)

    def next_ns(self) -> int | None:
        """When the next peer is due; None if there is none."""
        return self._queue[0][0] if self._queue else None

    def take_due(self, *, now: int) -> list[PeerTarget]:
        """The peers due by now, and with them those due soon; each is put back for its next time."""
        if not self._queue or self._queue[0][0] > now:
            return []
        taken: list[tuple[int, PeerTarget]] = []
        left: list[tuple[int, int, PeerTarget]] = []
        for entry in self._queue:
            due, _, peer = entry
            if due - now <= peer.interval_ns * EARLY:
                taken.append((due, peer))
            else:
                left.append(entry)
        heapq.heapify(left)
        self._queue = left
        for due, peer in taken:
            spacing = round(peer.interval_ns * self._rng.uniform(1 - JITTER, 1 + JITTER))
            missed = due + spacing <= now
            if missed:
                self._passed_over += (now - due) / peer.interval_ns
            self._push(peer, (now if missed else due) + max(1, spacing))
        return [peer for _, peer in taken]

    def _push(self, peer: PeerTarget, due: int) -> None:
        self._due[peer] = due
        self._entries += 1  # breaks ties, so that peers need no order
        heapq.heappush(self._queue, (due, self._entries, peer))
