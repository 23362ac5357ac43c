"""From a fitted window to the published estimate: uncertainties, certain limits, states, whole nanoseconds. Pure."""

from __future__ import annotations

import numpy as np

from noonmark.collector.certain import Certain, prove
from noonmark.collector.common_error import FREE_RUN_DRIFT_PPB
from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    Bool,
    FleetEstimate,
    Float64,
    HostState,
    Int64,
    Paths,
    PathState,
    Reference,
)
from noonmark.collector.frames import NS
from noonmark.collector.gauge import Mean, mean_of_fleet, variance_to_mean
from noonmark.collector.judge import Verdict, contradictions, silent_hosts
from noonmark.collector.linefit import spans
from noonmark.collector.pairing import NEVER
from noonmark.collector.settle import Settled
from noonmark.collector.shared_noise import own_parts
from noonmark.collector.stampquality import stamp_shares
from noonmark.collector.survey import Survey, newest_stamps

BENT = 0.35
"""What a parabola leaves in the rate at the window's end, in units of bend times window: 0.33 for a rate that walks at
random."""
CROSSED = 3.0
"""A clock whose probes prove that it did not run straight, by how much their walls cross, was seen to be off by 2 to 8
times that (found by simulation of changes of rate)."""
FLICKER_PPB = 1.5
"""Below this no quartz keeps its rate from minute to minute; common practice, no source."""


def assemble(settled: Settled, references: tuple[Reference, ...], verdict: Verdict, wander_ppb: float) -> FleetEstimate:
    """Put a fitted window into the published form, at the instant of its frames' epoch."""
    survey = settled.survey
    probes, fit, frames, anchors = survey.probes, survey.fit, survey.frames, survey.anchors
    first, second = survey.pairing.first, survey.pairing.second
    mean = _mean(survey)
    certain = prove(settled, verdict.distrusted, verdict.distrusted_references, wander_ppb, mean)
    undecided = np.maximum(settled.undecided_ns, certain.moved_ns)[anchors.node]
    bent = (fit.bends.bend * fit.window.parabola_at_zero)[anchors.node]
    component, rooted = _components(survey)
    lower_ns = _whole(certain.node_lower_ns[anchors.node] + bent - undecided, frames.offset_ns, np.floor)
    upper_ns = _whole(certain.node_upper_ns[anchors.node] + bent + undecided, frames.offset_ns, np.ceil)
    offset_ns = frames.offset_ns + np.rint(fit.offset_ns).astype(np.int64)
    drift = (1.0 + frames.drift) * (1.0 + fit.drift_ppb / NS) - 1.0
    uncertainty, drift_uncertainty, own = _uncertainties(settled, mean)
    if mean is not None:
        # The fit hangs each part on one of its hosts; what is published hangs on their mean.
        level, rate = mean.of(fit.offset_ns + survey.frames.offset_ns.astype(np.float64)), mean.of(drift)
        offset_ns = offset_ns - np.rint(level).astype(np.int64)
        drift = drift - rate
        lower_ns, upper_ns = _around_mean(survey, certain, mean, bent, undecided)
    crooked = CROSSED * certain.crossed_ns[anchors.node]
    offset_ns, uncertainty = _within_limits(offset_ns, np.hypot(uncertainty, crooked), lower_ns, upper_ns)
    state = _states(survey, rooted)
    uncertainty[[each is HostState.UNKNOWN for each in state]] = np.inf
    base = frames.offset_ns[second] - frames.offset_ns[first]
    loose = undecided[first] + undecided[second]
    return FleetEstimate(
        at_ns=frames.epoch_ns,
        window_ns=int((survey.seen.upper_end_s - survey.seen.upper_start_s) * NS),
        hosts=probes.hosts,
        references=references,
        offset_ns=offset_ns,
        drift=drift,
        uncertainty_ns=uncertainty,
        drift_uncertainty=drift_uncertainty,
        lower_ns=lower_ns,
        upper_ns=upper_ns,
        newest_ns=_newest(survey),
        state=state,
        component=component.astype(np.int32),
        paths=Paths(
            first=first,
            second=second,
            probes=survey.pairing.probes,
            asked=_asked(survey),
            min_round_trip_ns=np.rint(fit.ends.upper_ns - fit.ends.lower_ns).astype(np.int64),
            offset_ns=fit.middle_ns + bent[second] - bent[first],
            base_ns=base,
            variance_ns2=fit.variance_ns2,
            lower_ns=_whole(certain.path_lower_ns + bent[second] - bent[first] - loose, base, np.floor),
            upper_ns=_whole(certain.path_upper_ns + bent[second] - bent[first] + loose, base, np.ceil),
            residual_ns=fit.residual_ns,
            state=_path_states(survey, verdict.distrusted | (certain.slack_ns > 0), verdict.asymmetric),
            effect_ns2=_shared_effects(survey),
        ),
        findings=(*verdict.findings, *contradictions(survey, certain.cycles, certain.slack_ns)),
        centre_ns=frames.epoch_ns + round(survey.seen.upper_mean_s * NS),
        own_ns=np.hypot(own, crooked),
    )


def _mean(survey: Survey) -> Mean | None:
    """What a fleet without a reference is measured against."""
    if survey.anchors.anchored:
        return None
    component = survey.fit.offsets.network.component[survey.anchors.node]
    return mean_of_fleet(survey.frames.offset_ns + survey.fit.offset_ns, component)


def _around_mean(
    survey: Survey, certain: Certain, mean: Mean, bent: Float64, undecided: Float64
) -> tuple[Int64, Int64]:
    """Limits against the mean (H,): those of the frames' residuals, put on what the frames themselves say."""
    frames = survey.frames.offset_ns.astype(np.float64)
    base = np.rint(frames - mean.of(frames)).astype(np.int64)
    # One ns more on each side, for the mean of whole numbers that need not be whole.
    moved = bent - mean.of(bent)
    lower = _whole(certain.node_lower_ns + moved - undecided - mean.of(undecided) - 1.0, base, np.floor)
    upper = _whole(certain.node_upper_ns + moved + undecided + mean.of(undecided) + 1.0, base, np.ceil)
    return lower, upper


def _within_limits(offset: Int64, uncertainty: Float64, lower: Int64, upper: Int64) -> tuple[Int64, Float64]:
    """What is certain overrules what is estimated; how far it had to is then in the uncertainty.

    No uncertainty exceeds what the limits alone leave, as a rectangular distribution of that half-width (JCGM 100,
    4.3.7).
    """
    possible = lower <= upper
    inside = np.where(possible, np.clip(offset, lower, np.maximum(lower, upper)), offset)
    moved = np.hypot(uncertainty, np.abs(inside - offset).astype(np.float64))
    furthest = np.maximum(upper - inside, inside - lower) / np.sqrt(3.0)
    return inside, np.where(possible, np.minimum(moved, furthest), moved)


def _components(survey: Survey) -> tuple[Int64, Bool]:
    network, node = survey.fit.offsets.network, survey.anchors.node
    label = network.component[node]
    return label, np.asarray(label == network.component[survey.anchors.reference])


def _uncertainties(settled: Settled, mean: Mean | None) -> tuple[Float64, Float64, Float64]:
    """Of the offsets, ns, and drifts, s/s; and what of the offsets' is each host's own, ns; (H,) each."""
    survey = settled.survey
    fit, node = survey.fit, survey.anchors.node
    against = fit.offsets.network.anchor[fit.offsets.network.component][node]
    own_stamps, stamps = _stamps(survey)
    offset_variance = fit.offsets.solution.variance(node, against)
    drift_against = fit.drifts.network.anchor[fit.drifts.network.component][node]
    drift_variance = fit.drifts.solution.variance(node, drift_against)
    if fit.drifts.solution.covariance is None and len(survey.anchors.declared):
        drift_variance = _drawn_drift_variance(survey, drift_variance)
    apart, adrift = _unknown_rates(survey)
    if mean is not None:
        offset_variance = variance_to_mean(fit.offsets.solution, mean)
        drift_variance = variance_to_mean(fit.drifts.solution, mean)
    age = _centre(survey)
    bend = fit.bends.uncertainty[node]
    curved = bend * fit.window.parabola_at_zero
    unseen = settled.unseen_ns[node]
    alone = curved**2 + unseen**2 + (settled.undecided_ns[node] / 2) ** 2
    uncertainty = np.sqrt(offset_variance + drift_variance * age**2 + alone + stamps**2)
    own_drift = own_parts(fit.drifts.network, fit.drifts.solution, node)
    if own_drift is None:
        # What several references' rates have in common is no host's own.
        common = 1.0 / (survey.anchors.drift_ppb**-2.0).sum() if len(survey.anchors.drift_ppb) else 0.0
        own_drift = np.maximum(drift_variance - common, 0.0)
    alone += own_stamps**2 + own_drift * age**2 + (np.where(apart, FREE_RUN_DRIFT_PPB, 0.0) * fit.window.span_s) ** 2
    # Of a clock seen to bend, the rate at the window's end is only known as well as a parabola describes it.
    drift_left = (bend * fit.window.centre_s) ** 2 + (
        BENT * np.hypot(fit.bends.bend[node], fit.bends.usual) * fit.window.span_s
    ) ** 2
    drift_left += (settled.changed_ppb[node] / 2) ** 2
    drift_left += np.where(node == survey.anchors.reference, 0.0, FLICKER_PPB**2)
    unknown = np.where(apart | adrift, FREE_RUN_DRIFT_PPB, 0.0)
    uncertainty = np.hypot(uncertainty, unknown * fit.window.span_s)
    return uncertainty, np.sqrt(drift_variance + drift_left + unknown**2) / NS, np.sqrt(alone)


def _stamps(survey: Survey) -> tuple[Float64, Float64]:
    """What the way of stamping adds (H,), ns: to each host's own part, and to each host against the reference. An only
    reference is true by definition."""
    anchors, ends, network = survey.anchors, survey.fit.ends, survey.fit.offsets.network
    return stamp_shares(
        survey.stamp_uncertainty_ns,
        anchors.node == anchors.reference,
        anchors.anchored,
        survey.pairing.first.astype(np.int64),
        survey.pairing.second.astype(np.int64),
        np.maximum(ends.upper_ns - ends.lower_ns, 0.0),
        network.group[: len(survey.pairing)],
    )


def _unknown_rates(survey: Survey) -> tuple[Bool, Bool]:
    """Hosts (H,) whose rate no path tells, having too few probes: against the other hosts of their part (the largest
    group whose rates are told against each other); and those of that group, if the rate of what the part is measured
    against is what is not told."""
    offsets, drifts, node = survey.fit.offsets.network, survey.fit.drifts.network, survey.anchors.node
    part, group = offsets.component[node], drifts.component[node]
    sizes = np.zeros((part.max(initial=0) + 1, group.max(initial=0) + 1), np.int64)
    np.add.at(sizes, (part, group), 1)
    main = sizes.argmax(axis=1)
    apart = group != main[part]
    anchor = offsets.anchor[part]
    adrift = ~apart & survey.anchors.anchored & (drifts.component[anchor] != main[part])
    # What a part is measured against has the rate that it is given.
    apart &= node != anchor
    return apart, adrift


def rate_untold(survey: Survey) -> bool:
    """Whether the paths do not tell an only reference's rate against the fleet's."""
    _, adrift = _unknown_rates(survey)
    return bool(adrift.any())


def _drawn_drift_variance(survey: Survey, drawn: Float64) -> Float64:
    """(H,) ppb^2 of hosts that hang on several references. Few draws are a poor measure of what is common to all of
    them, and that is known: see `shared_drift`. They are a good one of how far each host is from the references'
    mean."""
    anchors, network = survey.anchors, survey.fit.drifts.network
    weight = np.zeros(anchors.hosts)
    weight[anchors.declared] = anchors.drift_ppb**-2.0
    common = 1.0 / weight.sum()
    own = variance_to_mean(survey.fit.drifts.solution, Mean(weight * common, np.zeros(anchors.hosts, np.int64)))
    rooted = network.component[anchors.node] == network.component[anchors.reference]
    return np.where(rooted, common + own, drawn)


def _centre(survey: Survey) -> Float64:
    """Distance in time from each host's probes' middle to the asked instant, s (H,)."""
    mean, _, _ = spans(survey.walls)
    hosts = len(survey.probes.hosts)
    first, second = survey.pairing.first, survey.pairing.second
    count = np.bincount(first, minlength=hosts) + np.bincount(second, minlength=hosts)
    total = np.bincount(first, mean, hosts) + np.bincount(second, mean, hosts)
    return np.asarray(total / np.maximum(count, 1))


def _states(survey: Survey, rooted: Bool) -> tuple[HostState, ...]:
    """A host of which no usable record is left is unknown, whatever was once said of it."""
    silent = silent_hosts(survey)
    anchors = survey.anchors
    hosts = anchors.hosts
    reference = anchors.node == anchors.reference
    reference[anchors.declared] = True
    seen = np.bincount(survey.pairing.first, minlength=hosts) + np.bincount(survey.pairing.second, minlength=hosts)
    lost = ~rooted if anchors.anchored else np.zeros(hosts, dtype=bool)
    kinds = np.select([reference, seen == 0, lost, silent], [0, 1, 2, 3], default=4)
    names = (HostState.REFERENCE, HostState.UNKNOWN, HostState.NO_ROUTE, HostState.STALE, HostState.MEASURED)
    return tuple(np.array(names, dtype=object)[kinds].tolist())


def _path_states(survey: Survey, contradicted: Bool, asymmetric: Bool) -> tuple[PathState, ...]:
    degree = np.bincount(survey.first, minlength=survey.anchors.hosts + 1)
    degree += np.bincount(survey.second, minlength=survey.anchors.hosts + 1)
    untested = (degree[survey.first] < 2) | (degree[survey.second] < 2)
    kinds = np.select([contradicted, asymmetric, untested], [0, 1, 2], default=3)
    names = (PathState.CONTRADICTED, PathState.ASYMMETRIC, PathState.UNTESTED, PathState.CLOSED)
    return tuple(np.array(names, dtype=object)[kinds].tolist())


def _shared_effects(survey: Survey) -> Float64:
    """Variance of what each path shares with all paths between the same two sites (P,); empty without sites."""
    fit = survey.fit.offsets
    group = fit.network.group[: len(survey.pairing)]
    if fit.network.groups == 0:
        return np.zeros(0)
    return np.where(group >= 0, fit.effect_variance[group], 0.0)


def _asked(survey: Survey) -> Bool:
    """(P, 2) whether the first host asked the second, and the other way about."""
    return np.stack([survey.stamps.first_received > NEVER, survey.stamps.second_received > NEVER], axis=1)


def _newest(survey: Survey) -> Int64:
    newest = newest_stamps(survey.pairing, survey.stamps, len(survey.probes.hosts))
    return np.where(newest > NEVER, newest - survey.frames.offset_ns, 0)


def _whole(residual: Float64, base: Int64, rounding: np.ufunc) -> Int64:
    """Residual limits (ns) on top of whole-nanosecond bases, rounded outwards; infinite ones become UNBOUNDED_NS."""
    finite = np.isfinite(residual)
    moved = base + rounding(np.where(finite, residual, 0.0)).astype(np.int64)
    return np.where(finite, moved, np.where(residual > 0, UNBOUNDED_NS, -UNBOUNDED_NS))
