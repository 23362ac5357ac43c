"""What a host tells of the references it has, and of its kernel's own view of its clock: frozen values. Pure.

Sign: a positive offset means that the host's clock is ahead of (reads later than) the source. Uncertainties are
standard (k = 1), limits are greatest errors as the source itself declares them. Spans are measured by the monotonic
clock, instants by the host's own. Every value here is what *is now*: a newer one replaces an older one whole.
Conversions to messages are in reference_messages.py.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

LIMIT_IN_UNCERTAINTIES = 5.0
"""Where only a standard uncertainty is known, an error is taken never to exceed so many of them."""
NTP_PREFIX = "ntp:"
"""Names of NTP servers among the hosts of the probe graph begin so."""


class ReferenceState(enum.IntEnum):
    """State of a clock that should follow a source (ITU-T G.810: locked, holdover and free running mode)."""

    FREE_RUN = 1
    """It follows none, or none that can be believed, and what it once knew of one is used up."""
    HOLDOVER = 2
    """It followed one and goes on from what it knew."""
    LOCKED = 3

    @property
    def label(self) -> str:
        """As people and metrics see it."""
        return self.name.lower().replace("_", "-")


class Leap(enum.IntEnum):
    """Whether a leap second comes at the end of the day (RFC 5905 figure 9)."""

    NONE = 0
    INSERT = 1
    DELETE = 2
    UNKNOWN = 3
    """The source is not synchronized, or does not say."""


class Verdict(enum.StrEnum):
    """What was made of a source, beside the others."""

    SELECTED = "selected"
    """Agrees with the majority, and is the surest of them."""
    AGREES = "agrees"
    FALSETICKER = "falseticker"
    """The majority's intervals and its own do not meet (RFC 5905 section 11.2.1)."""
    UNDECIDED = "undecided"
    """Sources disagree, and no majority tells which is right."""
    UNUSABLE = "unusable"
    """It says itself that it cannot be used, or is silent."""


@dataclass(frozen=True, slots=True)
class SourceNotice:
    """Something wrong with a source, as long as it is wrong."""

    kind: str
    """Lower-case words joined by hyphens: no-fix, time-jump, time-frozen, antenna-moved, week-rollover, ..."""
    text: str
    size_ns: int | None = None


@dataclass(frozen=True, slots=True)
class SourceReport:
    """One source, as last observed."""

    name: str
    """`nmea:...`, `pps:...`, `phc:...`; NTP servers have the name that they bear in the probe graph."""
    kind: str
    """nmea, pps, phc or ntp."""
    verdict: Verdict
    age_ns: int
    """Since the last observation."""
    offset_ns: int | None = None
    uncertainty_ns: int | None = None
    """Of the offset as a measure of the host's clock against true time: the source's own error included."""
    limit_ns: int | None = None
    declared_uncertainty_ns: int | None = None
    """Of the source's own time, as it says itself; for an NTP server from root delay and root dispersion."""
    declared_limit_ns: int | None = None
    leap: Leap = Leap.UNKNOWN
    notices: tuple[SourceNotice, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)
    """What else the source tells: satellites, hdop, jitter_ns, stratum, ..."""


@dataclass(frozen=True, slots=True)
class ReferenceStatus:
    """A host's clock as a reference: what it follows, since when, and how sure it is of true time."""

    state: ReferenceState
    since_ns: int
    """The host's clock when the state began."""
    lasted_ns: int
    """How long the state has lasted, when this was written."""
    source: str
    """The source it follows, or followed last; empty before the first."""
    offset_ns: int | None
    """Against that source, at the last observation of it."""
    uncertainty_ns: int | None
    """Of the host's clock as it is (its offset counts as an error); None: nothing is known."""
    limit_ns: int | None
    oscillator: str
    """Class of the oscillator that keeps the clock in holdover."""
    sources: tuple[SourceReport, ...] = ()
    notices: tuple[SourceNotice, ...] = ()
    """About the references as a whole: leap second pending, list expired, smears, disagreement."""


@dataclass(frozen=True, slots=True)
class KernelClock:
    """How the kernel says that the host's clock is kept (adjtimex(2))."""

    synchronized: bool
    maximum_error_ns: int
    """It is wrong by no more than this, as whoever keeps the clock told the kernel."""
    estimated_error_ns: int
    """It is likely wrong by this much; 0 is often simply never told."""
    frequency: float
    """Correction of the rate that the kernel applies (s/s); positive: makes the clock run faster."""
    offset_ns: int = 0
    """What is still to be slewed."""
    leap: Leap = Leap.NONE
    tai_minus_utc_s: int = 0
    """0: never told."""
    status: int = 0
    """The bits of the kernel's status word (STA_*)."""
