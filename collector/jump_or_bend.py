"""A host of whose paths all together say that its clock changed: whether it jumped, or changed its rate. Pure.

Each looks a little like the other. The better story is the one that, taken out, leaves less for the other; of two that
are as good it was a jump, the simpler one. Close to an end of the window no rate shows, and nobody can tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from noonmark.collector.change import Change
from noonmark.collector.estimate import Float64
from noonmark.collector.jump_evidence import KEPT, Sides, Told, jump_beside_rates
from noonmark.collector.rate_evidence import FEWEST_SLOTS, RateChanges, rate_changes

JUMPED = 3.7
"""So many standard deviations must be left of a jump if the host's rate may have changed at the same time."""
MOST_LINES = 0.5
"""A host is not judged if at any time the lines of more of its paths changed: the rest then shows nothing."""
LEAST_LEFT = 2.5
"""So many slots on a side of a change tell a rate: two whole ones, and half of the one in which it lies."""
CLEARLY = 3.0
"""By so many standard deviations a change of rate must explain more than a jump does, to be believed instead."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """One host, its Q paths, and the jump that they are thought to show."""

    node: int
    sides: Sides
    slope: Float64
    """(Q,) ppb"""
    outward: Float64
    """(Q,) +1 where the host is the path's second end, else -1."""
    start_s: float
    slot_s: float
    slot: int
    """In which it would have jumped."""
    size_ns: float
    deviations: float
    stray_ns: float
    """What clocks usually stray from their lines."""

    @property
    def slots(self) -> int:
        """Of the window."""
        return int(self.sides[0].height.shape[1])

    @property
    def when_s(self) -> float:
        """Middle of that slot."""
        return self.start_s + (self.slot + 0.5) * self.slot_s

    def tells_rates(self, when_s: float) -> bool:
        """Whether enough of the window lies on either side."""
        return LEAST_LEFT <= (when_s - self.start_s) / self.slot_s <= self.slots - LEAST_LEFT


Search = Callable[[Sides], list[Told]]
"""Looks for jumps of that host in every slot of such walls."""


def likelier(suspect: Suspect, search: Search) -> Change | None:
    """What the host did, if anything is clear."""
    rest = _without_jump(suspect)
    bend = _clearest_bend(suspect)
    if bend is not None:
        told = [float(one.deviations[0]) for one in search(_without_bend(suspect, bend))]
        left = max((one for one in told if np.isfinite(one)), default=0.0)
        if _most_bent(replace(suspect, sides=rest))[0] ** 2 - left**2 > CLEARLY**2:
            return bend
    beside = jump_beside_rates(
        suspect.sides, suspect.slope, suspect.outward, suspect.slot, suspect.when_s, suspect.stray_ns
    )
    if beside.bend_s is not None and suspect.tells_rates(beside.bend_s):
        return _bend(suspect, beside.bend_s)
    if beside.bend_s is None and beside.deviations <= JUMPED:
        return None
    # With its jump taken out, little may be left that only lines explain: else these explain the jump as well.
    if reduce(Told.surer, search(rest)).line[0] > MOST_LINES:
        return None
    return Change(suspect.node, True, suspect.when_s, suspect.size_ns, suspect.deviations, suspect.slot_s)


def _clearest_bend(suspect: Suspect) -> Change | None:
    """The clearest change of rate, where lines before and after it meet."""
    _, slot = _most_bent(suspect)
    when_s = replace(suspect, slot=slot).when_s
    beside = jump_beside_rates(suspect.sides, suspect.slope, suspect.outward, slot, when_s, suspect.stray_ns)
    return None if beside.bend_s is None else _bend(suspect, beside.bend_s)


def _most_bent(suspect: Suspect) -> tuple[float, int]:
    """In how many standard deviations the rate changed at most, and from which slot on."""
    slots = range(FEWEST_SLOTS, suspect.slots - FEWEST_SLOTS + 1)
    found = (
        (float(_rates(suspect, slot, suspect.start_s + slot * suspect.slot_s).deviations[0]), slot) for slot in slots
    )
    return max(found, default=(0.0, FEWEST_SLOTS))


def _bend(suspect: Suspect, when_s: float) -> Change | None:
    """A change of rate, if both directions say so: that something changed is not chance is known already."""
    if not suspect.tells_rates(when_s):
        return None
    rates = _rates(suspect, round((when_s - suspect.start_s) / suspect.slot_s), when_s)
    size_ppb, deviations = float(rates.size_ppb[0]), float(rates.deviations[0])
    return Change(suspect.node, False, when_s, size_ppb, deviations, suspect.slot_s) if deviations > KEPT else None


def _rates(suspect: Suspect, slot: int, when_s: float) -> RateChanges:
    alone = np.zeros(len(suspect.slope), dtype=np.int64)
    return rate_changes(suspect.sides, suspect.slope, alone, suspect.outward, 1, slot, when_s)


def _without_bend(suspect: Suspect, bend: Change) -> Sides:
    """The walls with a change of rate taken out."""
    forward, backward = (
        replace(side, height=side.height - side.sign * bend.size * suspect.outward[:, None] * since)
        for side in suspect.sides
        for since in (np.maximum(side.seconds - bend.boundary_s, 0.0),)
    )
    return forward, backward


def _without_jump(suspect: Suspect) -> Sides:
    """The walls with the jump taken out, and the slot in which it was."""
    place = np.arange(suspect.slots)
    jump = np.where(place > suspect.slot, suspect.size_ns, 0.0) * suspect.outward[:, None]
    forward, backward = (
        replace(side, height=np.where(place == suspect.slot, np.inf, side.height - side.sign * jump))
        for side in suspect.sides
    )
    return forward, backward
