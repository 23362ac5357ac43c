"""What a person should know of a window: who lies, what does not close, what is cut off. Pure.

Nobody is accused for a neighbour's fault: a path is bad on both its ends, so the host with most bad paths is named
first, its paths are set aside, and what is then still bad belongs to others. With too few witnesses nobody is named.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from noonmark.collector.changes import Change
from noonmark.collector.estimate import Bool, Finding, FindingKind, Float64, Int64, ProbeColumns, Reference
from noonmark.collector.frames import NS
from noonmark.collector.ramps import leaps_and_smears
from noonmark.collector.rows import Usable
from noonmark.collector.settle import Settled
from noonmark.collector.survey import Survey

OUTLYING = 7.0
"""A path whose residual is this many standard uncertainties does not close its loops."""
SPREADS = 4.0
"""And by this many times what its end points may be off."""
FEWEST_WITNESSES = 3
MOST_NEGATIVE = 0.3
"""Share of a host's replies that took less than no time, from which on it is not chance."""
WORTH_TELLING = 5.0
"""A change is told when it moved the clock by this many of its own standard uncertainties."""
LEAST_RATE_CHANGE_PPB = 1_000.0
COMMON = 0.2
"""When more than this share of the fleet changes its rate within a window, that is how these clocks are steered."""
STALE_SHARE = 0.4
"""A host silent for this share of the window is stale."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found, and what must not be leaned on: (P,) paths, (R,) declared references."""

    findings: tuple[Finding, ...]
    distrusted: Bool
    asymmetric: Bool
    distrusted_references: Bool
    liars: Int64
    """Nodes."""


def judge(settled: Settled, probes: ProbeColumns, good: Usable, references: tuple[Reference, ...]) -> Verdict:
    """Weigh a settled window; `probes` and `good` are all of its records, used or not."""
    survey = settled.survey
    bad = _bad_paths(survey)
    liars, distrusted, findings = _liars(survey, bad, _negative_share(survey, probes, good))
    asymmetric = _asymmetric(survey) & ~distrusted
    wrong = _wrong_references(survey)
    findings += _changes(settled)
    findings += [_asymmetric_path(survey, int(path)) for path in np.flatnonzero(asymmetric)]
    findings += [_reference_disagrees(survey, int(row)) for row in np.flatnonzero(wrong)]
    findings += _unreached(survey, references)
    findings += _silent(survey)
    findings += _left_out(survey, probes, good)
    findings += leaps_and_smears(survey)
    order = sorted(findings, key=lambda finding: (finding.at_ns, finding.kind, finding.host or ""))
    return Verdict(tuple(order), distrusted | (bad & ~asymmetric), asymmetric, wrong, liars)


def _bad_paths(survey: Survey) -> Bool:
    """Paths that no straight line fits, or whose residual no asymmetry can explain."""
    fit = survey.fit
    spread = _spread(survey)
    ticks = (survey.tick_ns[survey.pairing.first] + survey.tick_ns[survey.pairing.second])[survey.present]
    torn = fit.corridor.width_ns < -(ticks + SPREADS * spread)
    half_trip = np.maximum(fit.ends.upper_ns - fit.ends.lower_ns, 0.0) / 2 + ticks
    beyond = (np.abs(fit.residual_ns) > half_trip + SPREADS * spread) & (fit.deviation > OUTLYING)
    return np.asarray(torn | beyond)


def _spread(survey: Survey) -> Float64:
    ends = survey.fit.ends
    spread = ends.upper_spread_ns + ends.lower_spread_ns
    return np.where(np.isfinite(spread), spread, 0.0)


def _negative_share(survey: Survey, probes: ProbeColumns, good: Usable) -> Float64:
    """Share of each node's replies (as destination) whose round trip was negative (V,)."""
    nodes = survey.anchors.hosts + 1
    node = survey.anchors.node[probes.destination]
    return np.asarray(np.bincount(node, good.negative, nodes) / np.maximum(np.bincount(node, minlength=nodes), 1))


def _liars(survey: Survey, bad: Bool, negative: Float64) -> tuple[Int64, Bool, list[Finding]]:
    nodes = survey.anchors.hosts + 1
    first, second = survey.first, survey.second
    total = np.bincount(first, minlength=nodes) + np.bincount(second, minlength=nodes)
    distrusted = np.zeros(len(first), dtype=bool)
    liars: list[int] = []
    findings: list[Finding] = []
    while True:
        open_ = bad & ~distrusted
        count = np.bincount(first[open_], minlength=nodes) + np.bincount(second[open_], minlength=nodes)
        witnesses = np.where((total >= FEWEST_WITNESSES) & (count >= np.maximum(2, total / 2)), count, 0)
        witnesses = np.where((negative > MOST_NEGATIVE) & (total > 0), np.maximum(witnesses, 1), witnesses)
        witnesses[liars] = 0
        if survey.anchors.reference < nodes and len(survey.anchors.declared) == 0:
            witnesses[survey.anchors.reference] = 0
        if not witnesses.any():
            return np.array(liars, dtype=np.int64), distrusted, findings
        liar = int(np.lexsort((negative, witnesses))[-1])
        own = (first == liar) | (second == liar)
        findings.append(_liar(survey, liar, own, open_ & own, float(negative[liar])))
        distrusted |= own
        liars.append(liar)


def _name(survey: Survey, node: int) -> str:
    if node == survey.anchors.reference:
        return survey.probes.hosts[int(np.flatnonzero(survey.anchors.node == node)[0])]
    return survey.probes.hosts[node]


def _liar(survey: Survey, node: int, own: Bool, contradicted: Bool, negative: float) -> Finding:
    host = _name(survey, node)
    size = float(np.abs(survey.fit.residual_ns[own]).max(initial=0.0))
    parts = []
    if contradicted.any():
        parts.append(f"{int(contradicted.sum())} of its {int(own.sum())} paths contradict all others")
    if negative > MOST_NEGATIVE:
        parts.append(f"{negative:.0%} of its replies took less than no time")
    return Finding(
        FindingKind.LIAR,
        survey.frames.epoch_ns,
        f"{host}'s stamps cannot be true: {' and '.join(parts)}",
        host=host,
        size_ns=round(size),
        evidence={
            "paths": float(own.sum()),
            "contradicted_paths": float(contradicted.sum()),
            "negative_share": negative,
        },
    )


def _asymmetric(survey: Survey) -> Bool:
    fit = survey.fit
    return np.asarray((fit.deviation > OUTLYING) & (np.abs(fit.residual_ns) > SPREADS * _spread(survey)))


def _asymmetric_path(survey: Survey, path: int) -> Finding:
    first, second = _ends(survey, path)
    residual = float(survey.fit.residual_ns[path])
    slower = f"{first} to {second}" if residual > 0 else f"{second} to {first}"
    return Finding(
        FindingKind.ASYMMETRIC_PATH,
        survey.frames.epoch_ns,
        f"path {first} - {second} misses the offset that all other paths give by {abs(residual) / 1e3:.1f} us: "
        f"from {slower} takes about {2 * abs(residual) / 1e3:.1f} us longer than back",
        path=(first, second),
        size_ns=round(residual),
        evidence={
            "residual_ns": residual,
            "residual_in_standard_uncertainties": float(survey.fit.deviation[path]),
            "delay_difference_ns": 2 * residual,
            "min_round_trip_ns": float(survey.fit.ends.upper_ns[path] - survey.fit.ends.lower_ns[path]),
        },
    )


def _ends(survey: Survey, path: int) -> tuple[str, str]:
    row = survey.present[path]
    return survey.probes.hosts[survey.pairing.first[row]], survey.probes.hosts[survey.pairing.second[row]]


def _wrong_references(survey: Survey) -> Bool:
    """Declared references whose own edge is an outlier: they are further off than they declare."""
    pulls = len(survey.anchors.declared)
    deviation = survey.fit.offsets.deviation[len(survey.present) :]
    return np.asarray(deviation > OUTLYING) if pulls > 1 else np.zeros(pulls, dtype=bool)


def _reference_disagrees(survey: Survey, row: int) -> Finding:
    host = survey.probes.hosts[int(survey.anchors.declared[row])]
    size = -float(survey.fit.offsets.residual[len(survey.present) + row])
    declared = float(survey.anchors.uncertainty_ns[row])
    others = len(survey.anchors.declared) - 1
    return Finding(
        FindingKind.REFERENCE_DISAGREES,
        survey.frames.epoch_ns,
        f"reference {host} is {abs(size) / 1e3:.2f} us {'ahead of' if size > 0 else 'behind'} the other {others}, "
        f"though it declares {declared / 1e3:.2f} us; it is left out",
        host=host,
        size_ns=round(size),
        evidence={"declared_uncertainty_ns": declared, "other_references": float(others)},
    )


def _changes(settled: Settled) -> list[Finding]:
    survey = settled.survey
    variance = survey.fit.offsets.solution.variance(
        np.array([change.node for change in settled.changes], dtype=np.int64),
        survey.fit.offsets.network.anchor[
            survey.fit.offsets.network.component[[change.node for change in settled.changes]]
        ],
    )
    rate_changes = sum(not change.step for change in settled.changes)
    steered = rate_changes > max(2.0, COMMON * survey.anchors.hosts)
    findings = []
    for change, own in zip(settled.changes, np.sqrt(variance), strict=True):
        moved = abs(change.size) if change.step else abs(change.size * change.boundary_s)
        if moved < WORTH_TELLING * own or (not change.step and (steered or abs(change.size) < LEAST_RATE_CHANGE_PPB)):
            continue
        findings.append(_change(survey, change))
    return findings


def _change(survey: Survey, change: Change) -> Finding:
    host = _name(survey, change.node)
    at_ns = survey.frames.epoch_ns + round(change.boundary_s * NS)
    evidence = {"in_standard_uncertainties": change.certainty}
    if change.step:
        way = "forward" if change.size > 0 else "back"
        text = f"{host}'s clock jumped {way} by {abs(change.size) / 1e3:.1f} us"
        return Finding(FindingKind.STEP, at_ns, text, host=host, size_ns=round(change.size), evidence=evidence)
    way = "faster" if change.size > 0 else "slower"
    text = f"{host}'s clock began to run {way} by {abs(change.size) / 1e3:.3f} ppm"
    evidence["change_ppb"] = change.size
    return Finding(FindingKind.FREQUENCY_CHANGE, at_ns, text, host=host, evidence=evidence)


def _unreached(survey: Survey, references: tuple[Reference, ...]) -> list[Finding]:
    """Hosts of the window that no chain of probes joins to a reference."""
    if not references:
        return []
    network = survey.fit.offsets.network
    label = network.component[survey.anchors.node]
    lost = np.flatnonzero(label != network.component[survey.anchors.reference])
    return [_lost(survey, int(host), int((label == label[host]).sum())) for host in lost]


def _lost(survey: Survey, host: int, others: int) -> Finding:
    name = survey.probes.hosts[host]
    with_whom = "no other host" if others == 1 else f"{others - 1} other hosts"
    return Finding(
        FindingKind.NO_ROUTE,
        survey.frames.epoch_ns,
        f"no chain of probes joins {name} to a reference; it is joined to {with_whom}",
        host=name,
        evidence={"joined_hosts": float(others - 1)},
    )


def _silent(survey: Survey) -> list[Finding]:
    newest = newest_s(survey)
    limit = -STALE_SHARE * survey.fit.window.span_s + min(float(np.max(newest)), 0.0)
    return [
        Finding(
            FindingKind.STALE,
            survey.frames.epoch_ns + round(float(newest[host]) * NS),
            f"nothing heard of {survey.probes.hosts[host]} for {-newest[host]:.0f} s",
            host=survey.probes.hosts[host],
            evidence={"silent_s": -float(newest[host])},
        )
        for host in np.flatnonzero(np.isfinite(newest) & (newest < limit))
    ]


def newest_s(survey: Survey) -> Float64:
    """Instant of each host's newest probe, s from the asked instant (H,); -inf where there is none."""
    newest = np.full(survey.anchors.hosts, -np.inf)
    last = np.maximum(survey.data.upper_s, survey.data.lower_s)
    np.maximum.at(newest, survey.probes.source, last)
    np.maximum.at(newest, survey.probes.destination, last)
    return newest


def _left_out(survey: Survey, probes: ProbeColumns, good: Usable) -> list[Finding]:
    count = int((~good.rows).sum())
    if count == 0:
        return []
    negative = int(good.negative.sum())
    return [
        Finding(
            FindingKind.LEFT_OUT,
            survey.frames.epoch_ns,
            f"{count} of {len(probes)} records left out: {negative} with a negative round trip, "
            f"{count - negative} with stamps in the wrong order",
            evidence={"records": float(len(probes)), "left_out": float(count), "negative_round_trip": float(negative)},
        )
    ]


def about(findings: Iterable[Finding], host: str) -> tuple[Finding, ...]:
    """Those that name a host, alone or as a path's end."""
    return tuple(finding for finding in findings if host == finding.host or host in (finding.path or ()))
