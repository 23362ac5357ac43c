"""Locked, holdover or free-run: the state of a host's clock as a reference, and what is left of its certainty. Pure.

States are ITU-T G.810's. What leads from one to another is the table `TRANSITIONS`; every pair that is not in it
changes nothing. Hysteresis: a source must be good without a break for `lock_after` before it is followed, and bad
without a break for `lose_after` before it is lost. Without its source a clock's uncertainty grows from what it was at
the last good observation as its oscillator's class says (proto/oscillators.py).

`now` is monotonic nanoseconds; `host_ns` is the host's clock, kept only to say when a state began.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from noonmark.agent.reference import Observation
from noonmark.proto.oscillators import CLASSES, Oscillator, OscillatorClass, holdover_uncertainty
from noonmark.proto.reference import (
    LIMIT_IN_UNCERTAINTIES,
    ReferenceState,
    ReferenceStatus,
    SourceNotice,
    SourceReport,
)

SECOND_NS = 1_000_000_000
FREE_RUN, HOLDOVER, LOCKED = ReferenceState.FREE_RUN, ReferenceState.HOLDOVER, ReferenceState.LOCKED


class Event(enum.Enum):
    """What can happen to a reference."""

    ACQUIRED = "a source has been good for long enough"
    LOST = "the source has been bad for too long"
    EXHAUSTED = "holdover has lasted as long as it may"
    CLOCK_SET = "somebody set the clock: what it kept is gone"


TRANSITIONS: Mapping[tuple[ReferenceState, Event], ReferenceState] = {
    (FREE_RUN, Event.ACQUIRED): LOCKED,
    (LOCKED, Event.LOST): HOLDOVER,
    (HOLDOVER, Event.ACQUIRED): LOCKED,
    (HOLDOVER, Event.EXHAUSTED): FREE_RUN,
    (HOLDOVER, Event.CLOCK_SET): FREE_RUN,
}


@dataclass(frozen=True, slots=True)
class StateSettings:
    """When to change the state, and what keeps the clock meanwhile."""

    lock_after_ns: int = 10 * SECOND_NS
    lose_after_ns: int = 5 * SECOND_NS
    longest_holdover_ns: int = 86_400 * SECOND_NS
    oscillator: Oscillator = field(default_factory=lambda: CLASSES[OscillatorClass.QUARTZ])


@dataclass(frozen=True, slots=True)
class Standing:
    """The state, and what the clock was worth when its source was last good."""

    state: ReferenceState
    since_ns: int
    """Monotonic."""
    since_host_ns: int
    turning_since_ns: int | None = None
    """Since when, without a break, the source speaks for leaving the state."""
    followed_ns: int = 0
    """When the source was last good (monotonic); the rest is of then."""
    source: str = ""
    offset_ns: int | None = None
    uncertainty_ns: int | None = None
    """Of the host's clock: a known offset that nobody takes out counts as an error (JCGM 100, F.2.4.5)."""
    limit_ns: int | None = None


def start(*, now: int, host_ns: int) -> Standing:
    """Nothing was ever followed."""
    return Standing(FREE_RUN, now, host_ns)


def advance(
    standing: Standing,
    selected: Observation | None,
    *,
    now: int,
    host_ns: int,
    settings: StateSettings,
    moved_ns: int = 0,
) -> Standing:
    """The state after another look at the sources: `selected` is the one to follow, or None.

    `moved_ns` is by how much the host's clock was set since the last look.
    """
    if moved_ns:
        standing = _clock_set(standing, moved_ns, now, host_ns)
    good = selected is not None
    for_leaving = good != (standing.state is LOCKED)
    turning = (standing.turning_since_ns if standing.turning_since_ns is not None else now) if for_leaving else None
    standing = replace(standing, turning_since_ns=turning)
    wait = settings.lose_after_ns if standing.state is LOCKED else settings.lock_after_ns
    if turning is not None and now - turning >= wait:
        event = Event.ACQUIRED if good else Event.LOST
        standing = _after(standing, event, now, host_ns)
    elif standing.state is HOLDOVER and now - standing.followed_ns >= settings.longest_holdover_ns:
        standing = _after(standing, Event.EXHAUSTED, now, host_ns)
    if selected is not None and standing.state is LOCKED:
        standing = _follow(standing, selected)
    return standing


def _after(standing: Standing, event: Event, now: int, host_ns: int) -> Standing:
    state = TRANSITIONS.get((standing.state, event), standing.state)
    if state is standing.state:
        return standing
    # How long a free-running clock's source has been good already counts on.
    turning = standing.turning_since_ns if state is FREE_RUN else None
    changed = replace(standing, state=state, since_ns=now, since_host_ns=host_ns, turning_since_ns=turning)
    return replace(changed, uncertainty_ns=None, limit_ns=None) if state is FREE_RUN else changed


def _clock_set(standing: Standing, moved_ns: int, now: int, host_ns: int) -> Standing:
    """A clock set while locked is off by as much until it is observed again."""
    standing = _after(standing, Event.CLOCK_SET, now, host_ns)
    if standing.uncertainty_ns is None or standing.limit_ns is None or standing.offset_ns is None:
        return standing
    return replace(
        standing,
        offset_ns=standing.offset_ns + moved_ns,
        uncertainty_ns=standing.uncertainty_ns + abs(moved_ns),
        limit_ns=standing.limit_ns + abs(moved_ns),
    )


def _follow(standing: Standing, selected: Observation) -> Standing:
    offset, uncertainty, limit = selected.offset_ns or 0, selected.uncertainty_ns or 0, selected.limit_ns or 0
    return replace(
        standing,
        followed_ns=max(standing.followed_ns, selected.monotonic_ns),
        source=selected.source,
        offset_ns=offset,
        uncertainty_ns=math.ceil(math.hypot(offset, uncertainty)),
        limit_ns=abs(offset) + limit,
    )


def certainty(standing: Standing, oscillator: Oscillator, *, now: int) -> tuple[int | None, int | None]:
    """Standard uncertainty and limit of the host's clock now, ns; None: nothing is known."""
    if standing.uncertainty_ns is None or standing.limit_ns is None:
        return None, None
    wandered = holdover_uncertainty(oscillator, (now - standing.followed_ns) / SECOND_NS)
    uncertainty = math.ceil(math.hypot(standing.uncertainty_ns, wandered))
    return uncertainty, standing.limit_ns + math.ceil(LIMIT_IN_UNCERTAINTIES * wandered)


def status(
    standing: Standing,
    settings: StateSettings,
    sources: Sequence[SourceReport] = (),
    notices: Sequence[SourceNotice] = (),
    *,
    now: int,
) -> ReferenceStatus:
    """What the host tells of itself."""
    uncertainty, limit = certainty(standing, settings.oscillator, now=now)
    return ReferenceStatus(
        state=standing.state,
        since_ns=standing.since_host_ns,
        lasted_ns=max(0, now - standing.since_ns),
        source=standing.source,
        offset_ns=standing.offset_ns,
        uncertainty_ns=uncertainty,
        limit_ns=limit,
        oscillator=settings.oscillator.name,
        sources=tuple(sources),
        notices=tuple(notices),
    )
