"""Clocks that the estimate before saw change, looked at again by their own paths before the fleet is fitted. Pure.

A change stays in the window as long as the window is. To fit the whole fleet in order to find it once more, and then to
fit it again without what lies beyond, would double the cost of every such tick; what a host's own paths show of a
change needs no fleet. Nothing is believed because it was said before: only where to look is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.change import Change, Ends
from noonmark.collector.changes import find_changes, middles_of
from noonmark.collector.edges import points
from noonmark.collector.estimate import FindingKind, FleetEstimate, Int64, ProbeColumns
from noonmark.collector.linefit import Anchoring
from noonmark.collector.pairing import outer_stamps, pair_up
from noonmark.collector.rows import choose
from noonmark.collector.survey import Beside, path_ticks, raised, warm_frames

MOST = 0.5
"""With more of the probes than this to look at again, it is quicker to fit all as they are."""
KINDS = {True: FindingKind.STEP, False: FindingKind.FREQUENCY_CHANGE}
"""As what a change is told, by whether the clock jumped."""


@dataclass(frozen=True, slots=True)
class Recalled:
    """Changes seen again."""

    changes: tuple[Change, ...]
    """Boundaries in s from `epoch_ns`."""
    epoch_ns: int
    beside: Beside
    """The probes that were looked at."""
    node: Int64
    """(H,) of each host."""


def recall(
    probes: ProbeColumns,
    anchors: Anchoring,
    tick_ns: Int64,
    *,
    at_ns: int | None,
    previous: FleetEstimate | None,
    slots: int,
) -> Recalled | None:
    """Those of the changes told by `previous` that the hosts' own paths show now; probes lie path by path.

    None where there is nothing to look at, or where what the estimate before knew is of no use.
    """
    if previous is None or previous.hosts != probes.hosts:
        return None
    told = {finding.host: finding.kind for finding in previous.findings if finding.kind in KINDS.values()}
    if not told:
        return None
    changed = np.array([host in told for host in probes.hosts])
    beside = changed[probes.source] | changed[probes.destination]
    if not 0 < beside.sum() <= MOST * len(probes):
        return None
    own, pairing = pair_up(choose(probes, beside))
    stamps = outer_stamps(own, pairing)
    warm = warm_frames(own, pairing, stamps, previous, at_ns)
    if warm is None:
        return None
    frames = warm.frames
    walls, _, corridor = raised(own, pairing, stamps, frames, tick_ns, slots)
    ends = Ends(anchors.node[pairing.first], anchors.node[pairing.second], anchors.hosts + 1)
    middles, ticks = middles_of(walls, corridor.slope), path_ticks(tick_ns, pairing)
    host = {int(anchors.node[number]): probes.hosts[number] for number in np.flatnonzero(changed)}
    changes = tuple(
        change
        for change in find_changes(walls, corridor.slope, ends, anchors.reference, middles, tick_ns=ticks)
        if told.get(host.get(change.node)) is KINDS[change.step]
    )
    seen = points(own, pairing, frames, tick_ns)
    return Recalled(changes, frames.epoch_ns, Beside(np.flatnonzero(beside), own, seen), anchors.node)
