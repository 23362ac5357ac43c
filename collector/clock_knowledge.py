"""What ordering must know of the clocks, whoever knows it: a small protocol over arrays. Pure.

Signs: x is a host's time error, its clock minus the reference. An event that a host's clock stamped s happened at
reference time T = s - x(T). All instants are int64 nanoseconds within plus or minus 2^62 (the years 1823 to 2116).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from noonmark.collector.estimate import Bool, Float64, Int32, Int64

LATEST_NS = 1 << 62
"""Stamps must lie within plus or minus this."""


@dataclass(frozen=True, slots=True)
class HostTimes:
    """Readings of one host's clock, set on the reference's time scale; N rows."""

    reference_ns: Int64
    """Best estimate of T; the reading itself where nothing is known."""
    uncertainty_ns: Float64
    """Standard (k = 1); infinite where nothing is known."""
    earliest_ns: Int64
    """T is certainly not before this; -UNBOUNDED_NS where no limit can be given."""
    latest_ns: Int64
    known: Bool


@dataclass(slots=True)
class ClockMemory:
    """Where one log has got to, so that a clock that was set back is followed through the log's own order.

    Settings back are known by their instant of reference time.
    """

    highest_ns: dict[int, int] = field(default_factory=dict)
    """Highest reading met among those that occur both before and after that setting."""
    passed: set[int] = field(default_factory=set)
    """Settings that the log has shown to lie behind it."""


class ClockKnowledge(Protocol):
    """Every implementation answers for arrays; none of them raises for hosts or times it does not know."""

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names; the arguments below are positions in it."""

    def host_times(
        self, host: int, clock_ns: Int64, memory: ClockMemory | None = None, *, uncertainty: bool = True
    ) -> HostTimes:
        """Set readings of one host's clock, in the order of its log, on reference time.

        Without `uncertainty`, that may be left out (infinite), which costs less.

        Where the clock was set back, readings occur twice. Those that the log's own order does not settle get limits
        that cover both times.
        """

    def difference_limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """Certain (lower, upper) limits of x_a - x_b that hold both at `since_ns` and at `until_ns` (reference time).

        -UNBOUNDED_NS and UNBOUNDED_NS where none can be given. A host against itself is exactly 0.
        """

    def difference_uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """Standard uncertainty of x_a - x_b in ns; infinite where nothing is known, 0 for a host against itself."""


def host_index(knowledge: ClockKnowledge, host: str) -> int:
    """Position of a host, or -1 where nothing is known of it."""
    try:
        return knowledge.hosts.index(host)
    except ValueError:
        return -1
