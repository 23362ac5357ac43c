"""The types that flow through the collector. Imports nothing of the collector; everything else imports this.

Conventions: arrays have one row a host (H), a path (P) or a probe (N). Absolute times are int64 nanoseconds (POSIX);
small differences are float64 seconds; drifts are seconds per second. A positive offset means *ahead of the reference*.
"No data between two hosts" is the absence of a path, never a path with offset zero.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Int64 = NDArray[np.int64]
Int32 = NDArray[np.int32]
Float64 = NDArray[np.float64]
Bool = NDArray[np.bool_]
UInt8 = NDArray[np.uint8]

UNBOUNDED_NS = 1 << 62
"""A limit at plus or minus this value says that no limit can be given."""


class HostState(enum.StrEnum):
    """What can be said of a host's clock."""

    REFERENCE = "reference"
    """It is (one of) the reference."""
    MEASURED = "measured"
    NO_ROUTE = "no-route"
    """It exchanged probes, but no chain of probes leads to the reference."""
    STALE = "stale"
    """It was measured, and is silent now: its numbers age."""
    UNKNOWN = "unknown"


class PathState(enum.StrEnum):
    """Whether a path's own offset agrees with what all other paths imply."""

    CLOSED = "closed"
    """It closes its loops within its uncertainty."""
    ASYMMETRIC = "asymmetric"
    """It does not: one direction takes longer than the other by about twice the residual."""
    CONTRADICTED = "contradicted"
    """No straight line satisfies its probes, or it breaks limits that the other paths prove."""
    UNTESTED = "untested"
    """It is part of no loop: nothing can test it."""


class FindingKind(enum.StrEnum):
    """What the judge may say."""

    STEP = "step"
    SUSPEND = "suspend"
    FREQUENCY_CHANGE = "frequency-change"
    LIAR = "liar"
    ASYMMETRIC_PATH = "asymmetric-path"
    NO_ROUTE = "no-route"
    STALE = "stale"
    REFERENCE_DISAGREES = "reference-disagrees"
    LEAP_OR_SMEAR = "leap-or-smear"
    REFERENCE_STATE = "reference-state"
    """A reference is in holdover or free-run."""
    SOURCE_FAULT = "source-fault"
    """Something is wrong with a source that a host watches: its fix, its time, its antenna, its pulses."""
    CLAIM_CONTRADICTED = "claim-contradicted"
    """What a host's kernel or source says of itself cannot be true, or hardly, by what the mesh measured."""
    LEAP_SECOND = "leap-second"
    """One is announced or disputed, or the list of them has expired."""
    LEFT_OUT = "left-out"
    """Rows of input that could not be used; counted."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should know, with its evidence in numbers."""

    kind: FindingKind
    at_ns: int
    text: str
    host: str | None = None
    path: tuple[str, str] | None = None
    size_ns: int | None = None
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reference:
    """A host whose clock is declared to be true time, within its declared uncertainty."""

    host: str
    uncertainty_ns: float = 0.0
    """Standard uncertainty (k = 1)."""
    limit_ns: float = 0.0
    """Its error is declared never to exceed this; infinite: no limit is declared."""
    drift_uncertainty_ppb: float = 0.0
    """Standard uncertainty of its rate, where it is known to be without its source."""


@dataclass(frozen=True, slots=True)
class ProbeColumns:
    """Probe records of many hosts, columnar; N rows in any order.

    `source` and `destination` index `hosts`. Flags are those of `noonmark.proto.records.pack_flags`.
    """

    hosts: tuple[str, ...]
    source: Int32
    destination: Int32
    t1_ns: Int64
    t2_ns: Int64
    t3_ns: Int64
    t4_ns: Int64
    flags: NDArray[np.uint16]
    source_epoch: Int64
    destination_epoch: Int64

    def __len__(self) -> int:
        return len(self.t1_ns)


@dataclass(frozen=True, slots=True)
class Paths:
    """One row an unordered pair of hosts that exchanged probes, P rows: the graph that everything rests on.

    With a = hosts[first], b = hosts[second], first < second: y(t) = x_b(t) - x_a(t), at the estimate's instant.
    """

    first: Int32
    second: Int32
    probes: Int64
    """Exchanges in the window, both directions of asking together."""
    asked: Bool
    """(P, 2): whether first asked second, whether second asked first."""
    min_round_trip_ns: Int64
    offset_ns: Float64
    """What the path alone says of y, relative to `base_ns`."""
    base_ns: Int64
    variance_ns2: Float64
    """Of `offset_ns`: statistical and systematic (asymmetry) together."""
    lower_ns: Int64
    """Certain limits of y from this path alone (absolute, not relative to base)."""
    upper_ns: Int64
    residual_ns: Float64
    """Path's offset minus the fleet's: how far the path is from closing its loops."""
    state: tuple[PathState, ...]
    effect_ns2: Float64 = field(default_factory=lambda: np.zeros(0))
    """Variance of the asymmetry that all paths between the same two sites share, 0 within a site; empty: none is."""


@dataclass(frozen=True, slots=True)
class FleetEstimate:
    """Every host's clock at one instant of reference time; arrays of H rows in the order of `hosts`."""

    at_ns: int
    window_ns: int
    """Span of the probes used."""
    hosts: tuple[str, ...]
    references: tuple[Reference, ...]
    offset_ns: Int64
    drift: Float64
    uncertainty_ns: Float64
    """Standard uncertainty of the offset (k = 1); infinite where nothing is known."""
    drift_uncertainty: Float64
    lower_ns: Int64
    upper_ns: Int64
    newest_ns: Int64
    """Reference time of the host's newest probe; 0 where there is none."""
    state: tuple[HostState, ...]
    component: Int32
    """Hosts with the same number are joined by probes."""
    paths: Paths
    findings: tuple[Finding, ...]
    centre_ns: int = 0
    """Mean instant of the probes used: how far a drift's uncertainty has to reach; 0 means `at_ns`."""
    own_ns: Float64 | None = None
    """What of the standard uncertainty is each host's own (H,): its stamps, its bends, its drift since its probes; not
    the paths', nor the references'. Two hosts' squares, with what the paths leave between them, are their pair's
    variance; so a reference, too, has one where it is seen through noise. None where that was not kept."""

    def index(self, host: str) -> int:
        """Row of a host. Raises KeyError if the estimate does not know it."""
        try:
            return self.hosts.index(host)
        except ValueError:
            raise KeyError(host) from None


@dataclass(frozen=True, slots=True)
class PairEstimate:
    """Difference of two clocks: a's minus b's; positive = a is ahead. `b` None is the reference."""

    a: str
    b: str | None
    at_ns: int
    known: bool
    reason: str
    """Why it is not known, or a caution where it is; empty if there is nothing to say."""
    offset_ns: int = 0
    uncertainty_ns: int = 0
    """Standard (k = 1), rounded up."""
    lower_ns: int = -UNBOUNDED_NS
    upper_ns: int = UNBOUNDED_NS
    drift: float = 0.0
    measured_ns: int = 0
    """Instant of the estimate behind it; at_ns - measured_ns is its age."""
    findings: tuple[Finding, ...] = ()
