"""What a person should know of a window: who lies, what does not close, what is cut off. Pure.

Nobody is accused for a neighbour's fault: a path is bad on both its ends, so the host with most bad paths is named
first, its paths are set aside, and what is then still bad belongs to others. With too few witnesses nobody is named.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Finding, FindingKind, Float64, Int64, ProbeColumns, Reference
from noonmark.collector.frames import NS
from noonmark.collector.present import format_duration
from noonmark.collector.ramps import leaps_and_smears
from noonmark.collector.rows import Usable
from noonmark.collector.settle import Settled
from noonmark.collector.survey import Survey
from noonmark.collector.told_changes import name_of, told_changes

OUTLYING = 9.0
"""A residual of this many standard uncertainties is no accident."""
SPREADS = 4.0
"""And by this many times what its end points may be off."""
ASYMMETRIC = 16.0
"""A path misses the offset of all others by so many of its own standard uncertainties, which count the asymmetry that
is usual in this fleet: a few times the usual is chance."""
BEYOND_MESH = 5.0
"""And by so many standard uncertainties of what the others give, which the routes of a whole site may shift alike."""
LASTING = 0.5
"""Share of the window for which a path must have been seen before it is called asymmetric."""
LEAST_ASYMMETRY = 0.1
"""And by this share of half its round trip: less is nobody's concern."""
STEERING_PPB = 5_000.0
"""Within a slot a steered clock may leave its line at this rate without lying."""
CONGESTED = 8.0
"""And by this many times what both end points may be off: a path busy one way for a whole window looks uneven."""
FEWEST_WITNESSES = 3
MOST_NEGATIVE = 0.3
"""Share of a host's replies that took less than no time, from which on it is not chance."""
STALE_SHARE = 0.4
"""A host silent for this share of the window is stale."""
MISSED = 3.0
"""Some are asked seldom, such as NTP servers: they are silent once so many of their usual intervals are over."""
LEAST_SILENCE_S = 15.0
"""And for at least so long: hosts report every few seconds, and a window that has just begun is short."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found, and what must not be leaned on: (P,) paths, (R,) declared references."""

    findings: tuple[Finding, ...]
    distrusted: Bool
    asymmetric: Bool
    distrusted_references: Bool


@dataclass(frozen=True, slots=True)
class Accusation:
    """A host whose stamps cannot be true; its records are to be set aside."""

    host: int
    finding: Finding


def judge(
    settled: Settled,
    accused: list[Accusation],
    dropped: list[Reference],
    probes: ProbeColumns,
    good: Usable,
    known: Iterable[Finding] = (),
) -> Verdict:
    """Weigh a settled window, from which the accused's records and the dropped references' word are gone.

    `probes` and `good` are all of the window's records; `known` was found before.
    """
    survey = settled.survey
    bad = bad_paths(survey)
    asymmetric = _asymmetric(survey) & ~bad
    wrong = _wrong_references(survey)
    findings = [*known, *(accusation.finding for accusation in accused)]
    findings += told_changes(settled, probes)
    findings += [_asymmetric_path(survey, int(path)) for path in np.flatnonzero(asymmetric)]
    findings += [_contradicted_path(survey, int(path)) for path in np.flatnonzero(bad)]
    findings += [_reference_disagrees(survey, reference) for reference in dropped]
    findings += [_references_at_odds(survey, int(row)) for row in np.flatnonzero(wrong)]
    findings += _unreached(survey, {accusation.host for accusation in accused})
    findings += _silent(survey)
    findings += _left_out(survey, probes, good)
    findings += leaps_and_smears(survey)
    order = sorted(findings, key=lambda finding: (finding.at_ns, finding.kind, finding.host or ""))
    return Verdict(tuple(order), bad, asymmetric, wrong)


def worst_suspect(survey: Survey, probes: ProbeColumns, good: Usable, accused: list[Accusation]) -> Accusation | None:
    """The host against which most speaks, if it is enough: half its paths, three of them or more, contradict the
    rest, or many of its replies took less than no time.

    An only reference is never accused, since it defines the truth; one of two disagreeing references neither, since
    nobody can tell which of them is right.
    """
    nodes = survey.anchors.hosts + 1
    first, second = survey.first, survey.second
    bad = bad_paths(survey)
    negative = _negative_share(survey, probes, good)
    total = np.bincount(first, minlength=nodes) + np.bincount(second, minlength=nodes)
    count = np.bincount(first[bad], minlength=nodes) + np.bincount(second[bad], minlength=nodes)
    witnesses = np.where((count >= FEWEST_WITNESSES) & (2 * count > total), count + count / np.maximum(total, 1), 0.0)
    witnesses = np.where(negative > MOST_NEGATIVE, witnesses + 1.0, witnesses)
    if len(survey.anchors.declared) == 2:
        witnesses[survey.anchors.declared] = 0.0
    witnesses[[survey.anchors.reference, *(accusation.host for accusation in accused)]] = 0.0
    if not witnesses.any():
        return None
    return accusation(survey, int(np.lexsort((negative, witnesses))[-1]), bad, probes, good)


def accusation(survey: Survey, liar: int, bad: Bool, probes: ProbeColumns, good: Usable) -> Accusation:
    """A node by what its own bad paths and its negative replies show."""
    own = (survey.first == liar) | (survey.second == liar)
    negative = float(_negative_share(survey, probes, good)[liar])
    missing = _missing_time(survey, probes, good, liar)
    return Accusation(liar, _liar(survey, liar, own, bad & own, negative, missing))


def bad_paths(survey: Survey) -> Bool:
    """Paths whose probes contradict each other at once, or whose residual no asymmetry can explain.

    Probes that merely fit no straight line over the whole window accuse nobody: a clock may have been steered.
    """
    fit = survey.fit
    spread = _spread(survey)
    ticks = survey.tick_ns[survey.pairing.first] + survey.tick_ns[survey.pairing.second]
    slots = survey.middles.slots
    width = float(slots.seconds[1] - slots.seconds[0]) if len(slots.seconds) > 1 else 0.0
    tolerance = ticks + SPREADS * spread + width * STEERING_PPB
    crossed = (slots.round_trip < -tolerance[:, None]).sum(axis=1)
    half_trip = np.maximum(fit.ends.upper_ns - fit.ends.lower_ns, 0.0) / 2
    straight = fit.corridor.width_ns >= -tolerance
    beyond = straight & (np.abs(fit.residual_ns) > half_trip + tolerance) & (fit.deviation > OUTLYING)
    return np.asarray((crossed >= 2) | beyond)


def _spread(survey: Survey) -> Float64:
    ends = survey.fit.ends
    spread = ends.upper_spread_ns + ends.lower_spread_ns
    return np.where(np.isfinite(spread), spread, 0.0)


def _negative_share(survey: Survey, probes: ProbeColumns, good: Usable) -> Float64:
    """Share of each node's replies (as destination) that took less than no time, on the way or within it (V,)."""
    nodes = survey.anchors.hosts + 1
    negative = good.negative | good.early
    if not negative.any():
        return np.zeros(nodes)
    node = survey.anchors.node[probes.destination]
    return np.asarray(np.bincount(node, negative, nodes) / np.maximum(np.bincount(node, minlength=nodes), 1))


def _missing_time(survey: Survey, probes: ProbeColumns, good: Usable, node: int) -> float:
    """How much less than no time such replies of the node took, ns (median); 0 if it has none."""
    rows = np.flatnonzero((good.negative | good.early) & (survey.anchors.node[probes.destination] == node))
    if len(rows) == 0:
        return 0.0
    turnaround = probes.t3_ns[rows] - probes.t2_ns[rows]
    missing = np.where(good.early[rows], -turnaround, turnaround - (probes.t4_ns[rows] - probes.t1_ns[rows]))
    return float(np.median(missing))


def _liar(survey: Survey, node: int, own: Bool, contradicted: Bool, negative: float, missing_ns: float) -> Finding:
    host = name_of(survey, node)
    size = max(float(np.abs(survey.fit.residual_ns[own]).max(initial=0.0)), missing_ns)
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
    half_trip = np.maximum(fit.ends.upper_ns - fit.ends.lower_ns, 0.0) / 2
    least = np.maximum(CONGESTED * _spread(survey), LEAST_ASYMMETRY * half_trip)
    asymmetric = (fit.deviation > ASYMMETRIC) & (np.abs(fit.residual_ns) > least)
    rows = np.flatnonzero(asymmetric)
    variance = fit.offsets.solution.variance(survey.first[rows], survey.second[rows])
    asymmetric[rows] = np.abs(fit.residual_ns[rows]) > BEYOND_MESH * np.sqrt(variance)
    rows = np.flatnonzero(asymmetric)
    seconds = survey.walls.upper_s[rows]
    used = np.isfinite(survey.walls.upper_ns[rows])
    lasted = np.where(used, seconds, -np.inf).max(axis=1) - np.where(used, seconds, np.inf).min(axis=1)
    # All that is left of a path after a change may have been one busy moment.
    asymmetric[rows] = lasted >= LASTING * fit.window.span_s
    return np.asarray(asymmetric)


def _asymmetric_path(survey: Survey, path: int) -> Finding:
    first, second = _ends(survey, path)
    residual = float(survey.fit.residual_ns[path])
    slower = f"{first} to {second}" if residual > 0 else f"{second} to {first}"
    return Finding(
        FindingKind.ASYMMETRIC_PATH,
        survey.frames.epoch_ns,
        f"path {first} - {second} misses the offset that all other paths give by {format_duration(abs(residual))}: "
        f"from {slower} takes about {format_duration(2 * abs(residual))} longer than back",
        path=(first, second),
        size_ns=round(residual),
        evidence={
            "residual_ns": residual,
            "residual_in_standard_uncertainties": float(survey.fit.deviation[path]),
            "delay_difference_ns": 2 * residual,
            "min_round_trip_ns": float(survey.fit.ends.upper_ns[path] - survey.fit.ends.lower_ns[path]),
        },
    )


def _contradicted_path(survey: Survey, path: int) -> Finding:
    first, second = _ends(survey, path)
    residual = float(survey.fit.residual_ns[path])
    return Finding(
        FindingKind.LIAR,
        survey.frames.epoch_ns,
        f"on path {first} - {second} the stamps of one end cannot be true (off by {format_duration(abs(residual))}, "
        "more than any asymmetry allows); too few other paths to tell which",
        path=(first, second),
        size_ns=round(residual),
        evidence={"residual_ns": residual, "width_ns": float(survey.fit.corridor.width_ns[path])},
    )


def _ends(survey: Survey, path: int) -> tuple[str, str]:
    return survey.probes.hosts[survey.pairing.first[path]], survey.probes.hosts[survey.pairing.second[path]]


def _wrong_references(survey: Survey) -> Bool:
    """Declared references whose own edge is an outlier: they are further off than they declare."""
    pulls = len(survey.anchors.declared)
    deviation = survey.fit.offsets.deviation[len(survey.pairing) :]
    return np.asarray(deviation > OUTLYING) if pulls > 1 else np.zeros(pulls, dtype=bool)


def _reference_disagrees(survey: Survey, reference: Reference) -> Finding:
    host = survey.probes.hosts.index(reference.host)
    size = float(survey.frames.offset_ns[host]) + float(survey.fit.offset_ns[host])
    others = len(survey.anchors.declared)
    return Finding(
        FindingKind.REFERENCE_DISAGREES,
        survey.frames.epoch_ns,
        f"reference {reference.host} is {format_duration(abs(size))} {'ahead of' if size > 0 else 'behind'} the other "
        f"{others}, though it declares {format_duration(reference.uncertainty_ns)}; it is left out",
        host=reference.host,
        size_ns=round(size),
        evidence={"declared_uncertainty_ns": reference.uncertainty_ns, "other_references": float(others)},
    )


def _references_at_odds(survey: Survey, row: int) -> Finding:
    host = survey.probes.hosts[int(survey.anchors.declared[row])]
    size = -float(survey.fit.offsets.residual[len(survey.pairing) + row])
    declared = float(survey.anchors.uncertainty_ns[row])
    return Finding(
        FindingKind.REFERENCE_DISAGREES,
        survey.frames.epoch_ns,
        f"reference {host} is {format_duration(abs(size))} {'ahead of' if size > 0 else 'behind'} what the references "
        f"together say, though it declares {format_duration(declared)}; nothing tells which of them is right",
        host=host,
        size_ns=round(size),
        evidence={"declared_uncertainty_ns": declared},
    )


def _unreached(survey: Survey, accused: set[int]) -> list[Finding]:
    """Hosts of the window that no chain of probes joins to a reference."""
    if not survey.anchors.anchored:
        return []
    network = survey.fit.offsets.network
    label = network.component[survey.anchors.node]
    lost = np.flatnonzero(label != network.component[survey.anchors.reference])
    return [_lost(survey, int(host), int((label == label[host]).sum())) for host in lost if host not in accused]


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


def silent_hosts(survey: Survey) -> Bool:
    """Hosts (H,) of which nothing was heard for a good part of the window, and longer than is usual with them."""
    newest, span = newest_s(survey), survey.fit.window.span_s
    probes = sum(
        np.bincount(ends, survey.pairing.probes, survey.anchors.hosts)
        for ends in (survey.pairing.first, survey.pairing.second)
    )
    usual = span / np.maximum(probes, 1.0)
    silence = np.maximum(max(STALE_SHARE * span, LEAST_SILENCE_S), MISSED * usual)
    limit = -silence + min(float(np.max(newest)), 0.0)
    return np.asarray(np.isfinite(newest) & (newest < limit))


def _silent(survey: Survey) -> list[Finding]:
    newest = newest_s(survey)
    return [
        Finding(
            FindingKind.STALE,
            survey.frames.epoch_ns + round(float(newest[host]) * NS),
            f"nothing heard of {survey.probes.hosts[host]} for {-newest[host]:.0f} s",
            host=survey.probes.hosts[host],
            evidence={"silent_s": -float(newest[host])},
        )
        for host in np.flatnonzero(silent_hosts(survey))
    ]


def newest_s(survey: Survey) -> Float64:
    """Instant of each host's newest probe, s from the asked instant (H,); -inf where there is none."""
    newest = np.full(survey.anchors.hosts, -np.inf)
    np.maximum.at(newest, survey.pairing.first, survey.seen.newest_s)
    np.maximum.at(newest, survey.pairing.second, survey.seen.newest_s)
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


def contradictions(survey: Survey, cycles: tuple[Int64, ...], slack_ns: Float64) -> list[Finding]:
    """What limits prove that residuals did not show: rings of paths, and single paths, that cannot all be true."""
    findings = []
    for cycle in cycles:
        names = list(dict.fromkeys(name for path in cycle for name in _ends(survey, int(path))))
        findings.append(
            Finding(
                FindingKind.LIAR,
                survey.frames.epoch_ns,
                f"the limits of the paths between {', '.join(names)} contradict each other: the stamps of one of these "
                "hosts are not true",
                path=_ends(survey, int(cycle[0])),
                evidence={"paths": float(len(cycle))},
            )
        )
    for path in np.flatnonzero(slack_ns):
        first, second = _ends(survey, int(path))
        findings.append(
            Finding(
                FindingKind.LIAR,
                survey.frames.epoch_ns,
                f"no honest clocks fit all probes unless the limits of path {first} - {second} give way by "
                f"{format_duration(slack_ns[path])}: the stamps of one of its ends are not true",
                path=(first, second),
                size_ns=round(float(slack_ns[path])),
                evidence={"slack_ns": float(slack_ns[path])},
            )
        )
    return findings


def about(findings: Iterable[Finding], host: str) -> tuple[Finding, ...]:
    """Those that name a host, alone or as a path's end."""
    return tuple(finding for finding in findings if host == finding.host or host in (finding.path or ()))
