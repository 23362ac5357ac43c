"""What the probes of each peer came to lately, from counts that only grow. Pure.

Told is what happened since a mark that is one to two spans old: long enough to see a loss of one in a hundred, short
enough to see that it is over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from noonmark.agent.statistics import PeerStatistics
from noonmark.proto.control import PeerCounters

SPAN_NS = 60_000_000_000
TELL_EVERY_NS = 10_000_000_000
"""Between two tellings: a report goes out every few seconds, and losses need not be in each."""
Counts = Mapping[str, tuple[int, int]]


@dataclass(slots=True)
class RecentLosses:
    """The marks, and when it was told last. `now` is monotonic nanoseconds."""

    older: Counts = field(default_factory=dict)
    newer: Counts = field(default_factory=dict)
    newer_at: int | None = None
    told_at: int | None = None

    def tell(self, peers: Mapping[str, PeerStatistics], *, now: int) -> tuple[PeerCounters, ...]:
        """Packets sent and lost, by peer; nothing if it was told just before."""
        if self.told_at is not None and now - self.told_at < TELL_EVERY_NS:
            return ()
        self.told_at = now
        counts = {host: (peer.sent, peer.lost) for host, peer in peers.items()}
        if self.newer_at is None or now - self.newer_at >= SPAN_NS:
            self.older, self.newer, self.newer_at = self.newer, counts, now
        told = []
        for host, (sent, lost) in counts.items():
            before = self.older.get(host, (0, 0))
            # Who left the plan and came back is counted from zero again.
            sent_before, lost_before = before if before[0] <= sent and before[1] <= lost else (0, 0)
            told.append(PeerCounters(host, sent - sent_before, min(lost - lost_before, sent - sent_before)))
        return tuple(told)
