"""What time it is by the reference, from the ticks' own instants and the collector's monotonic clock. Pure.

Each tick says: at this monotonic time reference time was (at least) so much. Reports need time to come in, so a tick
can only be late, never early; of the last ticks the one whose reports came soonest counts, as the least delay does in
the clock filter of RFC 5905 (10). For delays whose small values are about equally likely, the least of several is still
late by about what parts it from the next ones: that is the doubt told, with the monotonic clock's own drift since.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

TICKS = 12
PHI = 15e-6
"""How fast the monotonic clock may run away (RFC 5905's frequency tolerance), s/s."""
MOST_APART_NS = 10 * 10**9
"""A tick further from the others than this begins anew: the reference itself was changed."""


@dataclass(slots=True)
class ReferenceTime:
    """The latest ticks; `base` is reference time minus monotonic time."""

    _ticks: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=TICKS))

    def add(self, at_ns: int, monotonic_ns: int) -> None:
        """A tick: reference time was `at_ns` at `monotonic_ns`."""
        base = at_ns - monotonic_ns
        if self._ticks and abs(base - max(self._ticks)[0]) > MOST_APART_NS:
            self._ticks.clear()
        self._ticks.append((base, monotonic_ns))

    def at(self, monotonic_ns: int) -> int | None:
        """Reference time at a monotonic time; None before the first tick."""
        return max(self._ticks)[0] + monotonic_ns if self._ticks else None

    def doubt_ns(self, monotonic_ns: int) -> int | None:
        """How late `at` may be; None as long as there are fewer than three ticks."""
        if len(self._ticks) < 3:
            return None
        ordered = sorted(self._ticks, reverse=True)
        (best, since), third = ordered[0], ordered[2][0]
        return best - third + round(PHI * abs(monotonic_ns - since))
