"""The arrow in code: probe records in, the fleet's estimate out. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.assemble import assemble
from noonmark.collector.corridors import Walls
from noonmark.collector.edges import Pairing, Points, pair_up, points, raise_walls, rough_paths
from noonmark.collector.estimate import FleetEstimate, Int64, ProbeColumns, Reference
from noonmark.collector.frames import NS, Frames, rough_offsets
from noonmark.collector.linefit import Anchoring, LineFit, anchoring, fit_lines

MOST_PASSES = 4
SETTLED_NS = 50.0
"""Another pass is needed while the frames' drifts still move points by more than this within a slot."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What an estimate may assume."""

    slots: int = 24
    """Equal parts of the window, in each of which a path keeps its best probe each way."""
    wander_ppb: float = 1.0
    """How far from straight a clock may run within the window: limits allow this much for each second away from the
    asked instant, on top of the stamps' granularity."""
    shared_reference_ns: float = 100.0
    """Standard uncertainty of each of several references that declare none."""


@dataclass(frozen=True, slots=True)
class Survey:
    """The window, cut up and fitted: everything that limits, judgement and assembly need."""

    probes: ProbeColumns
    pairing: Pairing
    present: Int64
    """Rows of the pairing that have probes; (P,) arrays below have one row each of these."""
    frames: Frames
    data: Points
    walls: Walls
    anchors: Anchoring
    fit: LineFit


def step(
    probes: ProbeColumns,
    *,
    references: Sequence[Reference],
    at_ns: int | None = None,
    previous: FleetEstimate | None = None,
    settings: Settings | None = None,
) -> FleetEstimate:
    """Estimate every clock of the fleet at one instant.

    `probes` are those of the window, of any hosts, in any order. `at_ns` is reference time; None means the newest
    instant measured. Without references the fleet's weighted mean is the reference. `previous` makes the start warm and
    changes nothing else. Raises ValueError for a reference that no probe mentions, and where there is no probe.
    """
    settings = settings or Settings()
    if len(probes) == 0:
        raise ValueError("no probe to estimate from")
    declared = with_defaults(tuple(references), settings)
    anchors = anchoring(probes.hosts, declared)
    survey = fit_window(probes, anchors, at_ns, previous, settings)
    return assemble(survey, declared, settings)


def with_defaults(references: tuple[Reference, ...], settings: Settings) -> tuple[Reference, ...]:
    """Give each of several references that declare no uncertainty the usual one; a single one stays exact."""
    if len(references) < 2:
        return references
    usual = settings.shared_reference_ns
    return tuple(
        reference if reference.uncertainty_ns > 0 else replace(reference, uncertainty_ns=usual, limit_ns=5 * usual)
        for reference in references
    )


def fit_window(
    probes: ProbeColumns, anchors: Anchoring, at_ns: int | None, previous: FleetEstimate | None, settings: Settings
) -> Survey:
    """Rough frames, then passes of walls and lines until the frames have settled."""
    pairing = pair_up(probes)
    present = np.flatnonzero(np.bincount(pairing.path, minlength=len(pairing)))
    frames = _warm_frames(probes, previous, at_ns) or _rough_frames(probes, pairing, anchors, at_ns)
    for pass_ in range(MOST_PASSES):
        data = points(probes, pairing, frames)
        walls = raise_walls(data, pairing.path, len(pairing), settings.slots).rows(present)
        fit = fit_lines(walls, pairing.first[present], pairing.second[present], anchors, frames)
        span = float(data.upper_s.max() - data.upper_s.min())
        moved = float(np.abs(fit.drift_ppb).max(initial=0.0)) * span / settings.slots
        if moved < SETTLED_NS or pass_ == MOST_PASSES - 1:
            break
        frames = frames.moved(fit.offset_ns, fit.drift_ppb / NS)
    return Survey(probes, pairing, present, frames, data, walls, anchors, fit)


def _rough_frames(probes: ProbeColumns, pairing: Pairing, anchors: Anchoring, at_ns: int | None) -> Frames:
    rough = rough_paths(probes, pairing)
    hosts = len(probes.hosts)
    roots = np.concatenate([np.flatnonzero(anchors.node == anchors.reference), anchors.declared]).astype(np.int64)
    offset, _ = rough_offsets(hosts, pairing.first, pairing.second, rough.difference_ns, rough.round_trip_ns, roots)
    if at_ns is None:
        at_ns = int(
            max((probes.t4_ns - offset[probes.source]).max(), (probes.t3_ns - offset[probes.destination]).max())
        )
    return Frames(at_ns, offset, np.zeros(hosts))


def _warm_frames(probes: ProbeColumns, previous: FleetEstimate | None, at_ns: int | None) -> Frames | None:
    """Frames from the estimate before, if it knew every host; else None."""
    if previous is None or previous.hosts != probes.hosts or not np.isfinite(previous.uncertainty_ns).all():
        return None
    frames = Frames(previous.at_ns, previous.offset_ns, previous.drift)
    if at_ns is None:
        at_ns = previous.at_ns + int(frames.relative(probes.source, probes.t4_ns).max())
    return Frames(at_ns, frames.at(at_ns), previous.drift)
