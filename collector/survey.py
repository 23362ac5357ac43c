"""One window of probes, cut up and fitted: the value that judgement and assembly read. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from noonmark.collector.changes import Middles, middles_of
from noonmark.collector.corridors import Corridor, Walls
from noonmark.collector.edges import Limits, Points, Seen, points, raise_walls
from noonmark.collector.estimate import Bool, FleetEstimate, Float64, Int64, ProbeColumns
from noonmark.collector.frames import FASTEST, NS, Frames, rough_offsets
from noonmark.collector.linefit import Anchoring, LineFit, corridor_of, fit_lines
from noonmark.collector.pairing import NEVER, OuterStamps, Pairing, outer_stamps, pair_up, rough_paths
from noonmark.collector.rows import choose
from noonmark.collector.rowwise import later
from noonmark.collector.stampquality import stamp_uncertainty

MOST_PASSES = 4
MOST_GUESSED = 0.125
"""A start that is warm for fewer hosts than the rest is none."""
STRAYED_NS = 1e6
"""No clock leaves its frame by so much between two estimates, unless it was set."""
SETTLED_NS = 50.0
"""Another pass is needed while the frames' drifts still move points by more than this within a slot."""


@dataclass(frozen=True, slots=True)
class Beside:
    """Some of a survey's probes (n,): which, themselves, and their limits."""

    rows: Int64
    probes: ProbeColumns
    points: Points


@dataclass(frozen=True, slots=True)
class Survey:
    """The window, cut up and fitted."""

    probes: ProbeColumns
    """In order of their paths."""
    pairing: Pairing
    """(P,) arrays below have one row for each of its paths."""
    stamps: OuterStamps
    frames: Frames
    seen: Seen
    walls: Walls
    anchors: Anchoring
    fit: LineFit
    tick_ns: Int64
    """(H,) each clock's granularity."""
    stamp_uncertainty_ns: Float64
    """(H,) what the way of stamping adds to a host's standard uncertainty."""
    middles: Middles
    """What each path shows by itself, as the search for changes and for contradictions reads it."""

    @property
    def first(self) -> Int64:
        """(P,) node of each path's first host."""
        return self.anchors.node[self.pairing.first]

    @property
    def second(self) -> Int64:
        """(P,) node of each path's second host."""
        return self.anchors.node[self.pairing.second]

    @property
    def path_tick_ns(self) -> Float64:
        """(P,) what both clocks' ticks add up to."""
        return path_ticks(self.tick_ns, self.pairing)

    def beside(self, nodes: Bool) -> Beside:
        """The probes of some nodes (V,); none, where these have none."""
        hosts = nodes[self.anchors.node]
        chosen = hosts[self.probes.source] | hosts[self.probes.destination]
        own, pairing = pair_up(choose(self.probes, chosen))
        return Beside(np.flatnonzero(chosen), own, points(own, pairing, self.frames, self.tick_ns))

    def points(self) -> Points:
        """Every probe's limits and their times, in the order of `probes`; worked out anew each time."""
        return points(self.probes, self.pairing, self.frames, self.tick_ns)


def survey_window(
    probes: ProbeColumns,
    anchors: Anchoring,
    tick_ns: Int64,
    *,
    at_ns: int | None,
    previous: FleetEstimate | None,
    slots: int,
    bent: float = 0.0,
) -> Survey:
    """Rough frames, then passes of walls and lines until the frames have settled. Needs at least one probe.

    `bent` is how these clocks are known to bend usually, ns/s^2, beyond what the window itself shows.
    """
    probes, pairing = pair_up(probes)
    stamps = outer_stamps(probes, pairing)
    warm = warm_frames(probes, pairing, stamps, previous, at_ns)
    frames = warm.frames if warm else _rough_frames(probes, pairing, stamps, anchors, at_ns)
    ends = pairing.first, pairing.second
    tick = path_ticks(tick_ns, pairing)
    for pass_ in range(MOST_PASSES):
        walls, when, corridor = raised(probes, pairing, stamps, frames, tick_ns, slots)
        # A start that was warm is likely to need no other pass.
        middles = later(partial(middles_of, walls, corridor.slope)) if warm else None
        fit = fit_lines(walls, *ends, anchors, frames, tick, corridor=corridor, bent=bent)
        if warm and pass_ == 0 and float(np.abs(fit.offset_ns[~warm.guessed]).max(initial=0.0)) > STRAYED_NS:
            # A clock was set: what its old frame says of the time of its probes, and of the asked instant, is wrong.
            frames = _rough_frames(probes, pairing, stamps, anchors, at_ns)
            continue
        drift = _certain_drift(fit, anchors, frames)
        # One host in a thousand may be too ill seen for its frame ever to settle.
        moved = (
            float(np.sort(np.abs(drift))[-1 - len(drift) // 1000]) * NS * fit.window.span_s / walls.upper_ns.shape[1]
        )
        if moved < SETTLED_NS or pass_ == MOST_PASSES - 1:
            break
        frames = frames.moved(fit.offset_ns, drift)
    stamped = stamp_uncertainty(probes)
    found = middles() if middles else middles_of(walls, corridor.slope)
    return Survey(probes, pairing, stamps, frames, when, walls, anchors, fit, tick_ns, stamped, found)


def path_ticks(tick_ns: Int64, pairing: Pairing) -> Float64:
    """What both clocks' ticks (H,) add up to on each path (P,), ns; 0 where both are as fine as stamps are."""
    return (tick_ns[pairing.first] + tick_ns[pairing.second] - 2).astype(np.float64)


def raised(
    probes: ProbeColumns, pairing: Pairing, stamps: OuterStamps, frames: Frames, tick_ns: Int64, slots: int
) -> tuple[Walls, Seen, Corridor]:
    """What paths keep of their probes in each of at most `slots` parts of the window, when, and the lines between."""
    enough = _enough_slots(len(probes) / len(pairing), slots)
    walls, when = raise_walls(Limits(probes, pairing, frames, tick_ns), *_extent(pairing, stamps, frames), enough)
    return walls, when, corridor_of(walls)


def _enough_slots(probes_a_path: float, most: int) -> int:
    """No more slots than paths have probes, in steps that divide well; a few at least, for changes to show in."""
    for slots in (12, 18):
        if slots < most and probes_a_path <= 2 * slots + 2:
            return slots
    return most


def _certain_drift(fit: LineFit, anchors: Anchoring, frames: Frames) -> Float64:
    """Residual drifts (H,) worth moving frames by: clear of their own uncertainty, and not beyond an honest clock's.

    A frame off by more than the slopes that corridors are searched for would make their limits wrong.
    """
    network = fit.drifts.network
    against = network.anchor[network.component][anchors.node]
    uncertainty = np.sqrt(fit.drifts.solution.variance(anchors.node, against))
    drift = np.where(np.abs(fit.drift_ppb) > 2.0 * uncertainty, fit.drift_ppb, 0.0) / NS
    return np.asarray(np.clip(drift, -FASTEST - frames.drift, FASTEST - frames.drift))


def _rough_frames(
    probes: ProbeColumns, pairing: Pairing, stamps: OuterStamps, anchors: Anchoring, at_ns: int | None
) -> Frames:
    rough = rough_paths(probes, pairing)
    hosts = len(probes.hosts)
    roots = np.concatenate([np.flatnonzero(anchors.node == anchors.reference), anchors.declared]).astype(np.int64)
    offset, _ = rough_offsets(hosts, pairing.first, pairing.second, rough.difference_ns, rough.round_trip_ns, roots)
    if at_ns is None:
        newest = newest_stamps(pairing, stamps, hosts)
        at_ns = int((newest - offset)[newest > NEVER].max())
    return Frames(at_ns, offset, np.zeros(hosts))


def _extent(pairing: Pairing, stamps: OuterStamps, frames: Frames) -> tuple[float, float]:
    """Between the first request and the last reply, by the frames; s since their epoch."""
    asked = ((pairing.first, stamps.first_asked), (pairing.second, stamps.second_asked))
    received = ((pairing.first, stamps.first_received), (pairing.second, stamps.second_received))
    start, end = (
        np.concatenate([frames.relative(hosts[stamp > NEVER], stamp[stamp > NEVER]) for hosts, stamp in side]) / NS
        for side in (asked, received)
    )
    return float(start.min()), float(end.max())


def newest_stamps(pairing: Pairing, stamps: OuterStamps, hosts: int) -> Int64:
    """Each host's newest stamp of a reply sent or received (H,), by its own clock; NEVER where there is none."""
    newest = np.full(hosts, NEVER, dtype=np.int64)
    np.maximum.at(newest, pairing.first, np.maximum(stamps.first_received, stamps.first_replied))
    np.maximum.at(newest, pairing.second, np.maximum(stamps.second_received, stamps.second_replied))
    return newest


@dataclass(frozen=True, slots=True)
class Warm:
    """Frames at the asked instant from an estimate before."""

    frames: Frames
    guessed: Bool
    """(H,) hosts that it did not know: their frames are of one probe each, and no drift."""


def warm_frames(
    probes: ProbeColumns, pairing: Pairing, stamps: OuterStamps, previous: FleetEstimate | None, at_ns: int | None
) -> Warm | None:
    """Of hosts that the estimate before knew, and of few others that have probes with these; None if there are more."""
    if previous is None:
        return None
    offset, drift, known = _known_before(previous, probes.hosts)
    guessed = np.zeros(len(known), dtype=bool)
    for ends in (pairing.first, pairing.second):
        guessed[ends] = ~known[ends]
    if guessed.any():
        if guessed.sum() > MOST_GUESSED * len(known):
            return None
        offset = offset.copy()
        left = _guess(probes, guessed, offset)
        if left.any():
            return None
    frames = Frames(previous.at_ns, offset, drift)
    if at_ns is None:
        received = ((pairing.first, stamps.first_received), (pairing.second, stamps.second_received))
        newest = [frames.relative(host[stamp > NEVER], stamp[stamp > NEVER]) for host, stamp in received]
        at_ns = previous.at_ns + int(np.concatenate(newest).max())
    return Warm(Frames(at_ns, frames.at(at_ns), drift), guessed)


def _known_before(previous: FleetEstimate, hosts: tuple[str, ...]) -> tuple[Int64, Float64, Bool]:
    """Offset, drift, and whether they were known, of each host (H,); 0 if not."""
    told = np.isfinite(previous.uncertainty_ns)
    if previous.hosts == hosts:
        return np.where(told, previous.offset_ns, 0), np.where(told, previous.drift, 0.0), told
    place = {host: number for number, host in enumerate(previous.hosts)}
    row = np.array([place.get(host, -1) for host in hosts], dtype=np.int64)
    known = (row >= 0) & told[row]
    return np.where(known, previous.offset_ns[row], 0), np.where(known, previous.drift[row], 0.0), known


def _guess(probes: ProbeColumns, guessed: Bool, offset: Int64) -> Bool:
    """Fill in the offsets of guessed hosts (H,) from their quickest probes with others; hosts that have none such."""
    own, pairing = pair_up(choose(probes, guessed[probes.source] | guessed[probes.destination]))
    rough = rough_paths(own, pairing)
    left = guessed.copy()
    slowest_first = np.argsort(-rough.round_trip_ns, kind="stable")
    for unknown, other, sign in ((pairing.second, pairing.first, 1), (pairing.first, pairing.second, -1)):
        rows = slowest_first[(guessed[unknown] & ~guessed[other])[slowest_first]]
        offset[unknown[rows]] = offset[other[rows]] + sign * rough.difference_ns[rows]
        left[unknown[rows]] = False
    return left
