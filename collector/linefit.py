"""One pass from walls to every host's residual line: drifts first, then offsets with the drifts taken out. Pure.

The two blocks of the joint least-squares problem are solved in turn. A path's slope, seen alone, is poor where probes
are few; the fleet's drifts are not. So the middles of the paths are taken at the fleet's slopes, where the least
forward and least backward delay of the whole window may be taken apart, each at its own instant. The blocks hardly
interact: drifts need no offsets, and offsets feel a drift's error only over the distance from the probes to the asked
instant, which the variances carry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from noonmark.collector.bend import HostBends, Window, believed_bends, path_bends, straightened, window_of
from noonmark.collector.blunt import bluntness
from noonmark.collector.common_error import LEAST_DRIFT_PPB
from noonmark.collector.corridors import Corridor, Walls, widest
from noonmark.collector.edges import Envelope, envelope
from noonmark.collector.estimate import Bool, Float64, Int32, Int64, Reference
from noonmark.collector.fleet import FINAL_TOLERANCE, ROUND_TOLERANCE, Fit, fit_drift, fit_offset
from noonmark.collector.frames import NS, Frames
from noonmark.collector.network import Network, solve
from noonmark.collector.rowwise import by_rows
from noonmark.collector.sites import find_sites, site_pairs
from noonmark.collector.slopes import leaning
from noonmark.collector.slots import steady_slope

SHORTEST_SPAN_S = 0.2
"""Probes closer together than this tell nothing of a drift."""
SLOPE_FACTOR = 5.0
"""Standard uncertainty of the widest corridor's slope, in units of end point's spread over time span; found by
simulation of exponential and normal delays, and rescaled by the drift fit's own residuals."""
LEAST_SPREAD_NS = 1.0
LIKELIHOOD_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class Anchoring:
    """How H hosts hang on the reference: one more node, number H, stands for reference time itself.

    An only, exact reference is that node; references with a declared uncertainty hang on it by edges of their own.
    """

    hosts: int
    node: Int64
    """(H,) the node of each host."""
    declared: Int64
    """(R,) hosts that hang by an edge, and below, how firmly."""
    uncertainty_ns: Float64
    limit_ns: Float64
    drift_ppb: Float64
    """Standard uncertainty of their rates."""

    @property
    def reference(self) -> int:
        """Number of the node that is reference time."""
        return self.hosts

    @property
    def anchored(self) -> bool:
        """Whether any host is a reference."""
        return len(self.declared) > 0 or bool((self.node == self.hosts).any())


def anchoring(hosts: tuple[str, ...], references: tuple[Reference, ...]) -> Anchoring:
    """Raises ValueError for a reference that is not among the hosts."""
    index = {host: number for number, host in enumerate(hosts)}
    node = np.arange(len(hosts))
    declared = []
    for reference in references:
        if reference.host not in index:
            raise ValueError(f"reference {reference.host!r} takes part in no probe")
        if len(references) == 1 and reference.uncertainty_ns == 0:
            node[index[reference.host]] = len(hosts)
        else:
            declared.append(reference)
    return Anchoring(
        len(hosts),
        node,
        np.array([index[reference.host] for reference in declared], dtype=np.int64),
        np.array([max(reference.uncertainty_ns, LEAST_SPREAD_NS) for reference in declared], dtype=np.float64),
        np.array([reference.limit_ns for reference in declared], dtype=np.float64),
        np.array([max(one.drift_uncertainty_ppb, LEAST_DRIFT_PPB) for one in declared], dtype=np.float64),
    )


@dataclass(frozen=True, slots=True)
class LineFit:
    """Residual lines of H hosts relative to their frames, at time 0 of the walls, and what made them."""

    offset_ns: Float64
    drift_ppb: Float64
    window: Window
    straight: Walls
    """The walls with all bends taken out."""
    bends: HostBends
    """Of nodes, not hosts."""
    corridor: Corridor
    ends: Envelope
    slope: Float64
    """(P,) the fleet's slope of each path, ppb."""
    middle_ns: Float64
    variance_ns2: Float64
    residual_ns: Float64
    """(P,) of paths only, without the references' own edges."""
    deviation: Float64
    """(P,) residuals in units of their standard uncertainty."""
    used: Int64
    """Which paths (rows of the pairing) had probes; the (P,) arrays above have one row each of these."""
    drifts: Fit
    offsets: Fit


def fit_lines(
    walls: Walls,
    first: Int32,
    second: Int32,
    anchors: Anchoring,
    frames: Frames,
    tick_ns: Float64,
    *,
    corridor: Corridor | None = None,
    start_offset: Float64 | None = None,
    start_drift: Float64 | None = None,
    bent: float = 0.0,
) -> LineFit:
    """Fit all hosts' residual lines, relative to `frames`, from the walls of P paths (all with at least one probe).

    `tick_ns` (P,) is what both clocks' ticks add up to: below that no middle is known, however many agree. `corridor`
    is the walls' own, if it is at hand.
    """
    corridor = corridor or corridor_of(walls)
    a, b = anchors.node[first], anchors.node[second]
    mesh = _mesh(a, b, anchors)
    drift_fit = _drift_fit(walls, corridor, tick_ns, a, b, anchors, mesh, frames, start_drift)
    drift = drift_fit.potential
    slope = drift[b] - drift[a]
    ends = envelope(walls, slope)
    bends = _bend_fit(walls, ends, slope, tick_ns, anchors, mesh, bent)
    window = window_of(walls)
    straight = straightened(walls, bends.bend[b] - bends.bend[a], window)
    ends = ends if straight is walls else envelope(straight, slope)
    offset_fit = _offset_fit(ends, tick_ns, a, b, anchors, mesh, frames, start_offset)
    paths = len(a)
    return LineFit(
        offset_ns=(offset_fit.potential + bends.bend * window.parabola_at_zero)[anchors.node],
        drift_ppb=(drift - bends.bend * window.centre_s)[anchors.node],
        window=window,
        straight=straight,
        bends=bends,
        corridor=corridor,
        ends=ends,
        slope=slope,
        middle_ns=_middle(ends),
        variance_ns2=offset_fit.variance[:paths],
        residual_ns=_whole_residual(offset_fit, _middle(ends), a, b),
        deviation=offset_fit.deviation[:paths],
        used=np.arange(paths),
        drifts=drift_fit,
        offsets=offset_fit,
    )


def corridor_of(walls: Walls) -> Corridor:
    """The widest corridors; where no line fits, their slope is the one that most of the path's slots share."""
    corridor = widest(walls)
    torn = np.flatnonzero(corridor.width_ns < 0)
    if len(torn):
        corridor.slope[torn] = steady_slope(walls.rows(torn), corridor.slope[torn])
    return corridor


def _middle(ends: Envelope) -> Float64:
    """Middle between the end points, each moved by the distance that its spread tells; ns."""
    upper = ends.upper_ns - np.where(np.isfinite(ends.upper_spread_ns), ends.upper_spread_ns, 0.0)
    lower = ends.lower_ns + np.where(np.isfinite(ends.lower_spread_ns), ends.lower_spread_ns, 0.0)
    return np.asarray((upper + lower) / 2)


def _whole_residual(fit: Fit, middle: Float64, a: Int64, b: Int64) -> Float64:
    return np.asarray(middle - (fit.potential[b] - fit.potential[a]))


def spans(walls: Walls) -> tuple[Float64, Float64, Float64]:
    """Mean instant, span (of a level distribution with the same variance), and number of slots used, each (P,)."""

    def work(rows: slice) -> tuple[Float64, ...]:
        some = walls.rows(rows)
        used = np.isfinite(some.upper_ns)
        count = used.sum(axis=1)
        mean = np.where(used, some.upper_s, 0.0).sum(axis=1) / np.maximum(count, 1)
        square = np.where(used, (some.upper_s - mean[:, None]) ** 2, 0.0).sum(axis=1) / np.maximum(count, 1)
        return mean, np.sqrt(12.0 * square), count.astype(np.float64)

    mean, span, used = by_rows(work, len(walls.upper_ns))
    return mean, span, used


def _drift_fit(
    walls: Walls,
    corridor: Corridor,
    tick_ns: Float64,
    a: Int64,
    b: Int64,
    anchors: Anchoring,
    mesh: Network,
    frames: Frames,
    start: Float64 | None,
) -> Fit:
    _, span, count = spans(walls)
    own = envelope(walls, corridor.slope)
    spread = np.maximum(own.upper_spread_ns + own.lower_spread_ns, LEAST_SPREAD_NS) / 2
    bad_fit = np.maximum(-corridor.width_ns, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (SLOPE_FACTOR * (spread + bad_fit + tick_ns) / span) ** 2
    usable = (count >= 2) & (span > SHORTEST_SPAN_S) & np.isfinite(variance)
    pulls = anchors.declared
    network = _reduced(mesh, anchors, usable)
    pulled = -frames.drift[pulls] * NS
    first_fit = fit_drift(
        network,
        np.concatenate([corridor.slope[usable], pulled]),
        np.concatenate([variance[usable], anchors.drift_ppb**2]),
        start,
        declared=len(pulls),
        uncertain=False,
    )
    return _likeliest(first_fit, walls, tick_ns, a, b, np.flatnonzero(usable))


def _likeliest(fit: Fit, walls: Walls, tick_ns: Float64, a: Int64, b: Int64, usable: Int64) -> Fit:
    """Drifts refined by what all walls together say; each path is believed as far as before. The references' own edges
    stay."""
    network, paths = fit.network, len(usable)
    some = walls.rows(usable) if paths < len(a) else walls
    slope = fit.potential[b[usable]] - fit.potential[a[usable]]
    ends = envelope(some, slope)
    spreads = [
        np.maximum(spread, LEAST_SPREAD_NS) + tick_ns[usable] for spread in (ends.upper_spread_ns, ends.lower_spread_ns)
    ]
    blunt = bluntness(some, slope) ** 2
    z, variance, solution = fit.residual + network.fitted(fit.solution.unknowns), fit.variance.copy(), fit.solution
    for round_ in range(LIKELIHOOD_ROUNDS):
        told, variance[:paths] = leaning(some, slope, *spreads)
        z[:paths] = told
        variance[:paths] *= blunt
        last = round_ == LIKELIHOOD_ROUNDS - 1
        solution = solve(
            network,
            z,
            fit.factor / variance,
            np.empty(0),
            start=solution.unknowns,
            uncertain=last,
            tolerance=FINAL_TOLERANCE if last else ROUND_TOLERANCE,
        )
        slope = network.fitted(solution.unknowns)[:paths]
    return replace(fit, solution=solution, residual=z - network.fitted(solution.unknowns), variance=variance)


def _bend_fit(
    walls: Walls, ends: Envelope, slope: Float64, tick_ns: Float64, anchors: Anchoring, mesh: Network, bent: float
) -> HostBends:
    spread = np.hypot(ends.upper_spread_ns, ends.lower_spread_ns) / 2 + LEAST_SPREAD_NS
    told = path_bends(walls, slope, spread + tick_ns)
    known = told.known
    pulls = np.zeros(len(anchors.declared))
    network = _reduced(mesh, anchors, known)
    # A reference is true time by declaration, and so straight.
    fit = fit_drift(
        network, np.concatenate([told.bend[known], pulls]), np.concatenate([told.variance[known], pulls + 1e-6])
    )
    against = network.anchor[network.component]
    agreed = solve(
        network,
        np.concatenate([told.agreed[known], pulls]),
        fit.factor / fit.variance,
        np.empty(0),
        start=fit.solution.unknowns,
        uncertain=False,
        tolerance=ROUND_TOLERANCE,
    )
    return believed_bends(
        fit.potential,
        fit.solution.variance(np.arange(network.nodes), against),
        agreed.unknowns[: network.nodes],
        bent,
    )


def _offset_fit(
    ends: Envelope,
    tick_ns: Float64,
    a: Int64,
    b: Int64,
    anchors: Anchoring,
    mesh: Network,
    frames: Frames,
    start: Float64 | None,
) -> Fit:
    pulls = len(anchors.declared)
    # Where the walls cross, no line fits; by how much they do is then how far off the middle may be.
    half_trip = np.maximum(np.abs(ends.upper_ns - ends.lower_ns), 2 * LEAST_SPREAD_NS) / 2
    # Of a single probe nothing is known but that the truth lies between its limits.
    upper, lower = (np.minimum(spread, half_trip) for spread in (ends.upper_spread_ns, ends.lower_spread_ns))
    crossed = np.maximum(ends.lower_ns - ends.upper_ns, 0.0)
    statistical = (upper**2 + lower**2) / 4 + crossed**2 + tick_ns**2 / 12 + LEAST_SPREAD_NS**2
    site = find_sites(anchors.hosts + 1, a, b, 2 * half_trip)
    groups, group, sign = site_pairs(site, a, b)
    network = mesh
    if groups:
        group, sign = np.concatenate([group, np.full(pulls, -1)]), np.concatenate([sign, np.zeros(pulls)])
        network = replace(mesh, groups=groups, group=group, sign=sign)
    return fit_offset(
        network,
        np.concatenate([_middle(ends), -frames.offset_ns[anchors.declared].astype(np.float64)]),
        np.concatenate([statistical, anchors.uncertainty_ns**2]),
        np.concatenate([half_trip, np.zeros(pulls)]),
        site=site,
        start=start,
    )


def _mesh(a: Int64, b: Int64, anchors: Anchoring) -> Network:
    """All paths, and the references' own edges after them."""
    first = np.concatenate([a, np.full(len(anchors.declared), anchors.reference)])
    return _network(anchors, first, np.concatenate([b, anchors.node[anchors.declared]]))


def _reduced(mesh: Network, anchors: Anchoring, paths: Bool) -> Network:
    """Of the mesh, only some of the paths, and the references' own edges; the same object where they are all."""
    if paths.all():
        return mesh
    kept = np.concatenate([paths, np.ones(len(anchors.declared), dtype=bool)])
    return _network(anchors, mesh.first[kept], mesh.second[kept])


def _network(anchors: Anchoring, first: Int64, second: Int64) -> Network:
    nodes = anchors.hosts + 1
    count, label = connected_components(
        coo_array((np.ones(len(first)), (first, second)), shape=(nodes, nodes)), directed=False
    )
    anchor = np.unique(label, return_index=True)[1].astype(np.int64)
    anchor[label[anchors.reference]] = anchors.reference
    assert len(anchor) == count
    ungrouped = np.full(len(first), -1), np.zeros(len(first))
    return Network(nodes, first, second, 0, *ungrouped, label.astype(np.int64), anchor)
