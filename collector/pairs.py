"""Any two clocks of an estimate against each other. Pure.

A pair is known better than the sum of its two hosts' own numbers: what the reference contributes to both cancels. So
the uncertainty comes from the pair's own effective resistance, and the limits from shortest paths between the two.
"""

from __future__ import annotations

import math

import numpy as np

from noonmark.collector.common_error import common_drift
from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    FleetEstimate,
    Float64,
    HostState,
    Int64,
    PairEstimate,
    Paths,
    PathState,
)
from noonmark.collector.frames import NS
from noonmark.collector.limits import certain_limits
from noonmark.collector.network import Network, conjugate_gradients
from noonmark.collector.sites import find_sites, site_pairs

DRIFT_LIMIT = 15e-6
"""How fast one clock may leave its line once it is no longer measured (RFC 5905's PHI)."""
MOST_COMMON = 1e3
"""Where what all hosts share is so many times what the paths leave, nothing smaller can be told from an uncertainty."""
WANDER = 1e-8
"""Standard uncertainty of a clock's rate for the time after the window; common practice for quartz, no source."""
KNOWN = {HostState.REFERENCE, HostState.MEASURED, HostState.STALE}


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
    drift_variance = _pair_drift_variance(estimate, a, b)
    lower, upper = _pair_limits(estimate, a, b)
    offset = int(estimate.offset_ns[a] - estimate.offset_ns[b])
    variance = _variance_at_once(estimate, a, b, drift_variance)
    if -UNBOUNDED_NS < lower <= upper < UNBOUNDED_NS:
        # No more than the limits alone leave, as a rectangular distribution (JCGM 100, 4.3.7).
        variance = min(variance, max(upper - offset, offset - lower) ** 2 / 3.0)
    return (
        offset,
        float(estimate.drift[a] - estimate.drift[b]),
        variance,
        drift_variance,
        lower,
        upper,
    )


def _pair_drift_variance(estimate: FleetEstimate, a: int, b: int) -> float:
    """Of the difference of two rates: without what the references add to both.

    The rests of two hosts are at worst opposed where several references pull; behind an only one they are not, nor are
    two hosts' whole errors.
    """
    whole = [float(estimate.drift_uncertainty[row]) ** 2 for row in (a, b)]
    tied = estimate.state[a] in KNOWN and estimate.state[b] in KNOWN
    common = common_drift(estimate) ** 2 if tied else 0.0
    rest = [max(variance - common, 0.0) for variance in whole]
    if len(estimate.references) == 1:
        return sum(rest)
    return min(sum(whole), sum(map(math.sqrt, rest)) ** 2)


def _variance_at_once(estimate: FleetEstimate, a: int, b: int, drift_variance: float) -> float:
    """Variance of x_a - x_b at the estimate's instant, ns^2: what the paths leave, and what is each host's own."""
    hosts = np.array([a, b])
    if estimate.own_ns is not None:
        return pair_variance(estimate, a, b) + float((estimate.own_ns[hosts] ** 2).sum())
    away = float(estimate.at_ns - estimate.centre_ns) if estimate.centre_ns else 0.0
    if not estimate.references or any(estimate.state[host] not in KNOWN for host in (a, b)):
        # Uncertainties against a mean, or against the first host of a part, cannot be taken apart.
        return pair_variance(estimate, a, b) + drift_variance * away**2
    last = len(estimate.hosts)
    pair, *each = _path_variances(estimate, np.array([a, a, b]), np.array([b, last, last])).tolist()
    common = (common_drift(estimate) * away) ** 2
    if len(estimate.references) == 1:
        common += estimate.references[0].uncertainty_ns ** 2
    if common > MOST_COMMON**2 * pair:
        return float(pair + drift_variance * away**2)
    own = estimate.uncertainty_ns[hosts].astype(np.float64) ** 2 - common - np.array(each)
    return float(pair + np.maximum(own, 0.0).sum())


def _nodes(estimate: FleetEstimate) -> tuple[int, Int64, Int64, Int64]:
    """Node count, node of each host, and the references' rows: reference time is one node more, as in the fit."""
    hosts = len(estimate.hosts)
    node = np.arange(hosts)
    rows = np.array([estimate.index(reference.host) for reference in estimate.references], dtype=np.int64)
    if len(rows) == 1:
        # What an only reference is off by is common to both hosts.
        node[rows] = hosts
        rows = rows[:0]
    return hosts + 1, node, rows, np.full(len(rows), hosts)


def pair_variance(estimate: FleetEstimate, a: int, b: int) -> float:
    """Variance that the paths leave in x_a - x_b, ns^2: the effective resistance between them, with the effects that
    paths share."""
    return float(_path_variances(estimate, np.array([a]), np.array([b]))[0])


def _path_variances(estimate: FleetEstimate, a: Int64, b: Int64) -> Float64:
    """The same for several pairs (n,) at once; number H is reference time."""
    nodes, node, rows, reference = _nodes(estimate)
    paths = estimate.paths
    first = np.concatenate([node[paths.first], reference])
    second = np.concatenate([node[paths.second], node[rows]])
    variance = np.concatenate(
        [_believed(paths), [max(r.uncertainty_ns, 1.0) ** 2 for r in estimate.references[: len(rows)]]]
    )
    site = find_sites(
        nodes, first[: len(paths.first)], second[: len(paths.first)], paths.min_round_trip_ns.astype(np.float64)
    )
    groups, group, sign = site_pairs(site, first, second) if len(paths.effect_ns2) else _no_groups(len(first))
    group[len(paths.first) :] = -1
    label = np.zeros(nodes, dtype=np.int64)
    network = Network(nodes, first, second, groups, group, np.where(group >= 0, sign, 0.0), label, np.array([0]))
    effect = np.ones(groups)
    inside = group[: len(paths.first)] >= 0
    effect[group[: len(paths.first)][inside]] = np.maximum(paths.effect_ns2[inside], 1.0) if groups else 0.0
    node = np.append(node, nodes - 1)
    pairs = np.arange(len(a))
    right = np.zeros((network.unknowns, len(a)))
    np.add.at(right, (node[a], pairs), 1.0)
    np.add.at(right, (node[b], pairs), -1.0)
    found, _ = conjugate_gradients(network.normal_matrix(1.0 / variance, 1.0 / effect), right, tolerance=1e-6)
    return np.maximum(found[node[a], pairs] - found[node[b], pairs], 0.0)


def _no_groups(edges: int) -> tuple[int, Int64, Float64]:
    return 0, np.full(edges, -1, dtype=np.int64), np.zeros(edges)


def _believed(paths: Paths) -> Float64:
    """Each path's variance; of those that the fit did not believe, so much that they do not count."""
    doubted = np.array([state in (PathState.ASYMMETRIC, PathState.CONTRADICTED) for state in paths.state], dtype=bool)
    return np.where(doubted, paths.variance_ns2 * 1e9, paths.variance_ns2)


def _pair_limits(estimate: FleetEstimate, a: int, b: int) -> tuple[int, int]:
    """Certain limits of x_a - x_b, ns, from shortest paths; relative to the offsets to keep small numbers exact."""
    nodes, node, rows, reference = _nodes(estimate)
    paths = estimate.paths
    estimated = estimate.offset_ns[paths.second] - estimate.offset_ns[paths.first]
    known = (paths.lower_ns > -UNBOUNDED_NS) & (paths.upper_ns < UNBOUNDED_NS) & (paths.lower_ns <= paths.upper_ns)
    limit = np.array([r.limit_ns for r in estimate.references[: len(rows)]], dtype=np.float64)
    own = estimate.offset_ns[rows].astype(np.float64)
    found = certain_limits(
        nodes,
        np.concatenate([node[paths.first], reference]),
        np.concatenate([node[paths.second], node[rows]]),
        np.concatenate([np.where(known, (paths.lower_ns - estimated).astype(np.float64), -np.inf), -limit - own]),
        np.concatenate([np.where(known, (paths.upper_ns - estimated).astype(np.float64), np.inf), limit - own]),
        int(node[b]),
        np.concatenate([np.abs(paths.residual_ns) / np.sqrt(paths.variance_ns2), np.zeros(len(rows))]),
    )
    difference = int(estimate.offset_ns[a] - estimate.offset_ns[b])
    lower, upper = float(found.lower[node[a]]), float(found.upper[node[a]])
    return (
        difference + math.floor(lower) if math.isfinite(lower) else -UNBOUNDED_NS,
        difference + math.ceil(upper) if math.isfinite(upper) else UNBOUNDED_NS,
    )
