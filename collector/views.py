"""What a reader is told: the answers as small frozen values. Pure, and free of numpy.

A view is the last form of an estimate before a person, a JSON document or a message: plain integers in nanoseconds,
None where a number is not known. The command line on a plain install works with these alone, so this file and those
that print it import nothing of the calculation. A positive offset means *ahead of the reference*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

KNOWN_STATES = frozenset({"reference", "measured", "stale"})
"""States of a host whose offset against the reference is known."""


@dataclass(frozen=True, slots=True)
class FindingView:
    """Something a person should know. At most one of `host` and `path` (source, destination) is given."""

    kind: str
    at_ns: int
    text: str
    host: str | None = None
    path: tuple[str, str] | None = None
    size_ns: int | None = None
    evidence: Mapping[str, float] = field(default_factory=dict)

    def concerns(self, *hosts: str | None) -> bool:
        """Whether it speaks of one of these hosts or of a path that ends there."""
        spoken_of = self.path if self.path is not None else () if self.host is None else (self.host,)
        return not set(spoken_of).isdisjoint(hosts)


@dataclass(frozen=True, slots=True)
class HostView:
    """One host's clock against the reference."""

    host: str
    state: str
    offset_ns: int | None
    uncertainty_ns: int | None
    """Standard uncertainty (k = 1), rounded up."""
    lower_ns: int | None
    upper_ns: int | None
    drift: float | None
    """Seconds per second."""
    drift_uncertainty: float | None
    heard_ns: int | None
    """Age of the host's newest probe at the view's instant."""
    zone: str = ""
    role: str = ""
    reference_state: str = ""
    """Of its own source of time: locked, holdover, free-run; empty where it has none, or it is not known."""
    claimed_error_ns: int | None = None
    """Greatest error that its kernel vouches for now; None: it vouches for nothing."""
    budget: str = ""
    """Name of its budget, as the collector has it; empty: none."""
    budget_ns: int = 0

    @property
    def known(self) -> bool:
        """Whether there is an offset at all."""
        return self.offset_ns is not None


@dataclass(frozen=True, slots=True)
class PathView:
    """One direction of asking between two hosts; the residual is that of (destination's clock - source's clock)."""

    source: str
    destination: str
    probes: int
    min_round_trip_ns: int
    residual_ns: int | None
    state: str


@dataclass(frozen=True, slots=True)
class FleetView:
    """Every host at one instant of reference time."""

    at_ns: int
    references: tuple[str, ...]
    hosts: tuple[HostView, ...]
    paths: tuple[PathView, ...] = ()
    findings: tuple[FindingView, ...] = ()
    notes: tuple[str, ...] = ()
    """Cautions about the whole answer, such as its age."""


@dataclass(frozen=True, slots=True)
class PairView:
    """a's clock minus b's; positive = a is ahead. `b` None is the reference."""

    a: str
    b: str | None
    at_ns: int
    known: bool
    reason: str
    offset_ns: int = 0
    uncertainty_ns: int = 0
    lower_ns: int | None = None
    upper_ns: int | None = None
    drift: float = 0.0
    measured_ns: int = 0
    findings: tuple[FindingView, ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """What time it is (reference time), from when to when there is an answer, and which hosts there are."""

    now_ns: int | None
    first_ns: int | None
    last_ns: int | None
    hosts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LargestDifference:
    """Of all pairs of hosts with a known offset, the one whose clocks are furthest apart: `ahead` minus `behind`.

    `lower_ns` and `upper_ns` are certain limits of the largest difference of any pair, whichever pair that is: no two
    of these hosts are further apart than `upper_ns` (None: a host without limits is among them), and some two are at
    least `lower_ns` apart.
    """

    ahead: str
    behind: str
    difference_ns: int
    lower_ns: int
    upper_ns: int | None


def largest_difference(view: FleetView) -> LargestDifference | None:
    """Find it; None with fewer than two known hosts.

    Over all pairs the largest x_a - x_b is max x - min x. With each host's own limits, x_a <= upper_a and
    x_b >= lower_b give max upper - min lower as a limit from above, and max lower - min upper as one from below.
    """
    known = [(host.offset_ns, host) for host in view.hosts if host.offset_ns is not None]
    if len(known) < 2:
        return None
    highest, ahead = max(known, key=lambda row: row[0])
    lowest, behind = min(known, key=lambda row: row[0])
    if ahead is behind:
        ahead, behind = known[1][1], known[0][1]
    uppers = [host.upper_ns for _, host in known]
    lowers = [host.lower_ns for _, host in known]
    least_upper = min((value for value in uppers if value is not None), default=None)
    most_lower = max((value for value in lowers if value is not None), default=None)
    from_below = 0 if least_upper is None or most_lower is None else max(0, most_lower - least_upper)
    all_uppers = [value for value in uppers if value is not None]
    all_lowers = [value for value in lowers if value is not None]
    bounded = len(all_uppers) == len(all_lowers) == len(known)
    from_above = max(all_uppers) - min(all_lowers) if bounded else None
    return LargestDifference(ahead.host, behind.host, highest - lowest, from_below, from_above)
