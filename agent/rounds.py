"""When to look at the sockets: as soon as something comes, or in rounds, all at once. Pure; `now` is monotonic ns.

Waking an idle host costs far more than handling a packet, and the kernel stamps every packet when it comes and when it
leaves: one that waits a while to be read loses nothing. (Turnaround is no part of any path: t2 and t3 are each used at
their own instant.) So, as network drivers do under the name of interrupt moderation: what comes first after silence is
handled at once; from then on sockets are looked at in rounds, until some rounds bring nothing. A round that brings much
makes the next ones shorter, long before a receive buffer overflows; where even the shortest bring much, arrivals wake
again, which is then cheap, for each wake brings many.
"""

from __future__ import annotations

import random

LONGEST_NS = 500_000_000
"""Of a round."""
SHORTEST_NS = 1_000_000
PART = 0.5
"""A round takes at most this part of the shortest interval at which the host itself probes."""
JITTER = 0.25
MUCH = 64
"""Datagrams at one look. A receive buffer of the usual 208 KiB holds some 170 to 270 of them."""
LITTLE = 32
SOON_NS = 4_000_000_000
"""At intervals up to this the first probes are not waited for in rounds: they are due within a second."""
EMPTY_AT_MOST = 2
"""Rounds in a row that bring nothing, before waiting for arrivals again."""


class Rounds:
    """The state: waiting for arrivals (`next_ns` is None), or in rounds (`next_ns` is when the next is due)."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._longest_ns = self._length_ns = LONGEST_NS
        self._shortest_interval_ns: int | None = None
        self._first = False
        self._empty = 0
        self.next_ns: int | None = None

    def probe_every(self, shortest_interval_ns: int | None) -> None:
        """The shortest interval of those at which peers are probed; None: nobody is."""
        wanted = LONGEST_NS if shortest_interval_ns is None else round(shortest_interval_ns * PART)
        longest_ns = min(LONGEST_NS, max(SHORTEST_NS, wanted))
        if shortest_interval_ns != self._shortest_interval_ns:
            self.next_ns = None
            self._first = shortest_interval_ns is not None and shortest_interval_ns <= SOON_NS
        self._shortest_interval_ns = shortest_interval_ns
        self._longest_ns, self._length_ns = longest_ns, min(self._length_ns, longest_ns)

    def looked(self, *, found: int, sent: int, now: int) -> None:
        """Sockets were looked at: so many datagrams had come, and so many probes were sent, whose answers will come."""
        if found >= MUCH:
            self._length_ns //= 4
        elif found <= LITTLE:
            self._length_ns = min(self._longest_ns, max(SHORTEST_NS, 2 * self._length_ns))
        if sent:
            self._first = False
        elif self._first:  # the first probes leave when they are due; until then arrivals wake
            self.next_ns = None
            return
        self._empty = 0 if found or sent else self._empty + 1
        silent = self._empty >= EMPTY_AT_MOST or (self._empty > 0 and self.next_ns is None)
        if self._length_ns < SHORTEST_NS or silent:
            self._empty = 0
            self.next_ns = None
        else:
            self.next_ns = now + round(self._length_ns * self._rng.uniform(1 - JITTER, 1 + JITTER))
