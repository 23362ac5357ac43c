"""Any two clocks of an estimate against each other. Pure.

A pair is known better than the sum of its two hosts' own numbers: what the reference contributes to both cancels. So
the uncertainty comes from the pair's own effective resistance, and the limits from shortest paths between the two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from noonmark.collector.common_error import shared_drift
from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    FleetEstimate,
    HostState,
    PairEstimate,
    PathState,
    Reference,
)
from noonmark.collector.frames import NS
from noonmark.collector.mesh import Mesh, graph_of, mesh

DRIFT_LIMIT = 15e-6
"""How fast one clock may leave its line once it is no longer measured (RFC 5905's PHI)."""
MOST_COMMON = 1e3
"""Where what all hosts share is so many times what the paths leave, nothing smaller can be told from an uncertainty."""
WANDER = 1e-8
"""Standard uncertainty of a clock's rate for the time after the window; common practice for quartz, no source."""
KNOWN = {HostState.REFERENCE, HostState.MEASURED, HostState.STALE}
DOUBTED_STATES = frozenset({PathState.ASYMMETRIC, PathState.CONTRADICTED})
"""Paths that the fit did not believe."""


def compare(estimate: FleetEstimate, a: str, b: str | None, *, at_ns: int | None = None) -> PairEstimate:
    """Clock of `a` minus clock of `b` (None: the reference), at an instant of reference time (None: the estimate's).

    Away from the estimate's instant the difference follows the drifts, the uncertainty grows with theirs and with
    WANDER, and the limits widen by DRIFT_LIMIT a host. Never raises for an unknown host: that is an answer.
    """
    at_ns = estimate.at_ns if at_ns is None else at_ns
    reason = _why_unknown(estimate, a, b)
    if reason:
        return PairEstimate(a, b, at_ns, False, reason)
    row_a = estimate.index(a)
    row_b = None if b is None else estimate.index(b)
    offset, drift, variance, drift_variance, lower, upper = _at_its_instant(estimate, row_a, row_b)
    away = (at_ns - estimate.at_ns) / NS
    clocks = 1 if row_b is None else 2
    if a == b:
        away = 0.0
    variance += (drift_variance + clocks * WANDER**2) * (away * NS) ** 2
    widened = math.ceil(abs(away) * clocks * DRIFT_LIMIT * NS)
    moved = round(drift * away * NS)
    return PairEstimate(
        a,
        b,
        at_ns,
        True,
        "",
        offset_ns=offset + moved,
        uncertainty_ns=math.ceil(math.sqrt(variance)),
        lower_ns=lower + moved - widened if lower > -UNBOUNDED_NS else lower,
        upper_ns=upper + moved + widened if upper < UNBOUNDED_NS else upper,
        drift=drift,
        measured_ns=estimate.at_ns,
        findings=tuple(f for f in estimate.findings if {f.host, *(f.path or ())} & {a, b} - {None}),
    )


def _why_unknown(estimate: FleetEstimate, a: str, b: str | None) -> str:
    known = set(estimate.hosts)
    for host in (a, b):
        if host is not None and host not in known:
            return f"no probe of {host} was recorded"
    if b is None:
        state = estimate.state[estimate.index(a)]
        return "" if state in KNOWN else f"{a}: {state}: no chain of probes leads to the reference"
    part = estimate.component[[estimate.index(a), estimate.index(b)]]
    return "" if part[0] == part[1] else f"no chain of probes joins {a} and {b}"


def _at_its_instant(estimate: FleetEstimate, a: int, b: int | None) -> tuple[int, float, float, float, int, int]:
    """Offset, drift, their variances (ns^2, ratio^2) and limits of a minus b, at the estimate's own instant."""
    if b is None:
        return (
            int(estimate.offset_ns[a]),
            float(estimate.drift[a]),
            float(estimate.uncertainty_ns[a]) ** 2,
            float(estimate.drift_uncertainty[a]) ** 2,
            int(estimate.lower_ns[a]),
            int(estimate.upper_ns[a]),
        )
    if a == b:
        return 0, 0.0, 0.0, 0.0, 0, 0
    return between_ends(mesh_of(estimate), *ends_of(estimate, a, b))


@dataclass(frozen=True, slots=True)
class End:
    """One host of a pair: what is known of it against the reference."""

    row: int
    offset_ns: int
    drift: float
    uncertainty_ns: float
    drift_uncertainty: float
    known: bool
    """A chain of probes leads to the reference."""
    own_ns: float | None
    """See `FleetEstimate.own_ns`."""


@dataclass(frozen=True, slots=True)
class Paired:
    """What the mesh and its references say of any pair of it."""

    mesh: Mesh
    references: tuple[Reference, ...]
    away_ns: float
    """How far the instant lies after the middle of the probes."""


def mesh_of(estimate: FleetEstimate) -> Paired:
    """The estimate's paths."""
    paths = estimate.paths
    doubted = np.array([state in DOUBTED_STATES for state in paths.state], dtype=np.bool_)
    rows = [estimate.index(reference.host) for reference in estimate.references]
    made = mesh(
        graph_of(len(estimate.hosts), paths.first.astype(np.int64), paths.second.astype(np.int64), rows),
        estimate.offset_ns,
        paths.lower_ns,
        paths.upper_ns,
        paths.variance_ns2,
        doubted,
        paths.effect_ns2,
        paths.min_round_trip_ns,
        np.abs(paths.residual_ns) / np.sqrt(paths.variance_ns2),
        estimate.references,
    )
    away = float(estimate.at_ns - estimate.centre_ns) if estimate.centre_ns else 0.0
    return Paired(made, estimate.references, away)


def ends_of(estimate: FleetEstimate, a: int, b: int) -> tuple[End, End]:
    """Two hosts of it."""
    one, other = (
        End(
            row,
            int(estimate.offset_ns[row]),
            float(estimate.drift[row]),
            float(estimate.uncertainty_ns[row]),
            float(estimate.drift_uncertainty[row]),
            estimate.state[row] in KNOWN,
            None if estimate.own_ns is None else float(estimate.own_ns[row]),
        )
        for row in (a, b)
    )
    return one, other


def between_ends(paired: Paired, a: End, b: End) -> tuple[int, float, float, float, int, int]:
    """Offset, drift, their variances (ns^2, ratio^2) and limits of a minus b through the mesh."""
    drift_variance = _pair_drift_variance(paired, a, b)
    node = paired.mesh.graph.node
    lower, upper = paired.mesh.limits(int(node[a.row]), int(node[b.row]))
    offset = a.offset_ns - b.offset_ns
    variance = _variance_at_once(paired, a, b, drift_variance)
    if -UNBOUNDED_NS < lower <= upper < UNBOUNDED_NS:
        # No more than the limits alone leave, as a rectangular distribution (JCGM 100, 4.3.7).
        variance = min(variance, max(upper - offset, offset - lower) ** 2 / 3.0)
    return offset, a.drift - b.drift, variance, drift_variance, lower, upper


def _pair_drift_variance(paired: Paired, a: End, b: End) -> float:
    """Of the difference of two rates: without what the references add to both.

    The rests of two hosts are at worst opposed where several references pull; behind an only one they are not, nor are
    two hosts' whole errors.
    """
    whole = [a.drift_uncertainty**2, b.drift_uncertainty**2]
    common = shared_drift(paired.references) ** 2 if a.known and b.known else 0.0
    rest = [max(variance - common, 0.0) for variance in whole]
    if len(paired.references) == 1:
        return sum(rest)
    return min(sum(whole), sum(map(math.sqrt, rest)) ** 2)


def _variance_at_once(paired: Paired, a: End, b: End, drift_variance: float) -> float:
    """Variance of x_a - x_b at the estimate's instant, ns^2: what the paths leave, and what is each host's own."""
    graph = paired.mesh.graph
    one, other, last = int(graph.node[a.row]), int(graph.node[b.row]), graph.nodes - 1
    if a.own_ns is not None and b.own_ns is not None:
        return float(paired.mesh.variances(np.array([one]), np.array([other]))[0]) + a.own_ns**2 + b.own_ns**2
    if not paired.references or not (a.known and b.known):
        # Uncertainties against a mean, or against the first host of a part, cannot be taken apart.
        found = paired.mesh.variances(np.array([one]), np.array([other]))
        return float(found[0]) + drift_variance * paired.away_ns**2
    pair, *each = paired.mesh.variances(np.array([one, one, other]), np.array([other, last, last])).tolist()
    common = (shared_drift(paired.references) * paired.away_ns) ** 2
    if len(paired.references) == 1:
        common += paired.references[0].uncertainty_ns ** 2
    if common > MOST_COMMON**2 * pair:
        return float(pair + drift_variance * paired.away_ns**2)
    own = [end.uncertainty_ns**2 - common - through for end, through in zip((a, b), each, strict=True)]
    return float(pair + sum(max(variance, 0.0) for variance in own))


def pair_variance(estimate: FleetEstimate, a: int, b: int) -> float:
    """Variance that the paths leave in x_a - x_b, ns^2: the effective resistance between them, with the effects that
    paths share."""
    paired = mesh_of(estimate)
    node = paired.mesh.graph.node
    return float(paired.mesh.variances(node[[a]], node[[b]])[0])
