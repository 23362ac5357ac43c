"""One interface for everything that can tell a host what time it is. Pure: types only.

A *source* is a receiver, a pulse, a clock in a network card or an NTP server. A *reader* watches one and yields
observations for ever; each stands alone, and a newer one replaces an older one of the same source. A reader raises
nothing for what its source does: a device that is not there, a stream that breaks and octets that make no sense are
observations that cannot be used, with a notice that says why.

Sign: a positive offset means that the host's clock is ahead of (reads later than) the source.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from noonmark.proto.reference import Leap, SourceNotice


@dataclass(frozen=True, slots=True)
class Observation:
    """What a source said, once. Times in integer nanoseconds; uncertainties standard (k = 1)."""

    source: str
    """The source's name, as people see it: kind, colon, place."""
    kind: str
    """nmea, pps, phc or ntp."""
    at_ns: int
    """The host's clock at the observation."""
    monotonic_ns: int
    usable: bool
    """Whether the source itself vouches for the time it gives."""
    offset_ns: int | None = None
    """Host's clock minus the source; None where there is nothing to compare. Modulo a second if `modulo_second`."""
    uncertainty_ns: int | None = None
    """Of the offset as a measure of the host's clock against true time."""
    limit_ns: int | None = None
    """That error never exceeds this, as the source declares it."""
    declared_uncertainty_ns: int | None = None
    """Of the source's own time."""
    declared_limit_ns: int | None = None
    leap: Leap = Leap.UNKNOWN
    good_for_ns: int = 5_000_000_000
    """An observation older than this no longer speaks for the source."""
    modulo_second: bool = False
    """The source marks seconds and does not number them (a pulse): the offset is from -0.5 s to 0.5 s."""
    notices: tuple[SourceNotice, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)


class Reader(Protocol):
    """Watches one source."""

    @property
    def name(self) -> str:
        """Name of its source."""

    def observations(self) -> AsyncIterator[Observation]:
        """Yield for ever; ends only by being cancelled or closed."""


def unusable(
    source: str, kind: str, at_ns: int, monotonic_ns: int, notice: SourceNotice, **figures: float
) -> Observation:
    """An observation that there is nothing to observe."""
    return Observation(source, kind, at_ns, monotonic_ns, usable=False, notices=(notice,), figures=figures)
