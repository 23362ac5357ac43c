"""What was found in the history, put into estimates with their reasons in words. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    Finding,
    FleetEstimate,
    Float64,
    HostState,
    Int64,
    PairEstimate,
)
from noonmark.collector.history_columns import (
    COMPONENT,
    DRIFT,
    DRIFT_UNCERTAINTY,
    HOST_STATES,
    HOSTS,
    LOWER,
    NEWEST,
    OFFSET,
    STATE,
    UNCERTAINTY,
    UPPER,
    from_femto,
    from_picoseconds,
    host_states,
    known,
    paths_from_columns,
)
from noonmark.collector.history_interpolation import How, Interpolated
from noonmark.collector.history_journal import Era
from noonmark.collector.instants import format_instant
from noonmark.collector.present import format_age

_WHY = {
    HostState.NO_ROUTE: "no chain of probes led from {host} to the reference",
    HostState.UNKNOWN: "{host} was never measured up to then",
}


def own(
    host: str, at_ns: int, found: Interpolated, place: int, *, reach_ns: int, was_set: bool = False
) -> PairEstimate:
    """One host against the reference, from one column of what was found.

    What was measured later says nothing of a time before the host was known, unless `was_set`: its clock was set
    before the moment, and what was measured later tells of the side that the moment is on.
    """
    matrix = found.matrix[:, place]
    how = How(int(found.how[place]))
    state = HOST_STATES[int(matrix[STATE])]
    measured_ns = int(found.measured_ns[place])
    if not found.present[place]:
        return PairEstimate(host, None, at_ns, False, f"nothing was kept of {host} near that moment")
    if how is How.NOTHING or not known(matrix[:, None], HOSTS)[0]:
        why = _WHY.get(state, "the clock of {host} was set more than once around that moment").format(host=host)
        return PairEstimate(host, None, at_ns, False, why, measured_ns=measured_ns)
    if how is How.BEFORE_FIRST and measured_ns - at_ns > reach_ns and not was_set:
        why = f"{host} was measured for the first time {format_age(measured_ns - at_ns)} later"
        return PairEstimate(host, None, at_ns, False, why, measured_ns=measured_ns)
    return PairEstimate(
        host,
        None,
        at_ns,
        True,
        _caution(host, how, at_ns, measured_ns, reach_ns),
        offset_ns=int(matrix[OFFSET]),
        uncertainty_ns=math.ceil(matrix[UNCERTAINTY] / 1e3),
        lower_ns=int(matrix[LOWER]),
        upper_ns=int(matrix[UPPER]),
        drift=float(matrix[DRIFT]) / 1e15,
        measured_ns=measured_ns,
    )


def owns(host: str, at_ns: Int64, found: Interpolated, *, reach_ns: int) -> Iterator[PairEstimate]:
    """`own` of every instant in turn; those of which there is nothing to say besides are taken out in one go."""
    matrix = found.matrix
    plain = found.present & known(matrix, HOSTS) & ~np.isin(found.how, _WORTH_A_WORD)
    columns = (
        plain.tolist(),
        at_ns.tolist(),
        matrix[OFFSET].tolist(),
        np.ceil(matrix[UNCERTAINTY] / 1e3).astype(np.int64).tolist(),
        matrix[LOWER].tolist(),
        matrix[UPPER].tolist(),
        (matrix[DRIFT] / 1e15).tolist(),
        found.measured_ns.tolist(),
    )
    for place, (is_plain, at, offset, uncertainty, lower, upper, drift, measured) in enumerate(
        zip(*columns, strict=True)
    ):
        if is_plain:
            yield PairEstimate(host, None, at, True, "", offset, uncertainty, lower, upper, drift, measured)
        else:
            yield own(host, at, found, place, reach_ns=reach_ns)


_WORTH_A_WORD = tuple(
    int(how) for how in (How.NOTHING, How.GAP, How.STEPPED, How.UNSETTLED, How.AFTER_LAST, How.BEFORE_FIRST)
)
"""An instant that came about in one of these ways may have a reason or a caution."""


def _caution(host: str, how: How, at_ns: int, measured_ns: int, reach_ns: int) -> str:
    away = format_age(abs(at_ns - measured_ns))
    if how is How.GAP:
        return f"nothing was measured of {host} for a while: {away} from the nearest estimate, limits widened for it"
    if how is How.STEPPED:
        return f"the clock of {host} was set about then, nobody knows quite when: limits hold both sides of it"
    if how is How.UNSETTLED:
        return f"the clock of {host} was changing its rate about then: limits widened for all that it may have done"
    if how is How.AFTER_LAST and at_ns - measured_ns > reach_ns:
        moment = format_instant(measured_ns, digits=0)
        return f"{host} was last measured {away} before ({moment}): limits widened for it"
    if how is How.BEFORE_FIRST and measured_ns - at_ns > reach_ns:
        return f"{host} was next measured {away} later: limits widened for it"
    return ""


@dataclass(frozen=True, slots=True)
class Shared:
    """What two hosts' own numbers have in common and their difference has not: an only reference's own error."""

    limit_ns: int = 0
    uncertainty_ns: float = 0.0


NOTHING_SHARED = Shared()
KEPT_SHARE = 64
"""An offset is kept to this part of its host's uncertainty; see history_quantise.py."""
_LEANING = tuple(HOST_STATES.index(state) for state in (HostState.REFERENCE, HostState.MEASURED, HostState.STALE))
"""States of hosts whose own numbers hold the reference's error; see common_error.py."""


def shared_course(found: Sequence[Interpolated], at_ns: Int64, eras: Sequence[Era]) -> list[Shared]:
    """The reference's part in both hosts' numbers, at each tick; nothing unless both are told of at that very tick.

    Away from a tick the reference may have moved within its own limit while one host was not measured.
    """
    told = [NOTHING_SHARED] * len(at_ns)
    both = np.ones(len(at_ns), np.bool_)
    for host in found:
        both &= (host.how == int(How.EXACT)) & np.isin(host.matrix[STATE], _LEANING)
    for era in reversed(eras):  # the first that holds an instant counts
        there = both & (at_ns >= era.start_ns) & (at_ns <= era.end_ns)
        common = NOTHING_SHARED
        if len(era.references) == 1 and math.isfinite(era.references[0].limit_ns):
            common = Shared(math.ceil(era.references[0].limit_ns), era.references[0].uncertainty_ns)
        for place in np.flatnonzero(there).tolist():
            told[place] = common
    return told


def difference(
    one: PairEstimate, other: PairEstimate, *, caution: str = "", common: Shared = NOTHING_SHARED
) -> PairEstimate:
    """Two hosts from each one's own: uncertainties add as squares, limits as they are, less what both have in common.

    `caution` is told besides.
    """
    if not one.known or not other.known:
        reason = "; ".join(dict.fromkeys(pair.reason for pair in (one, other) if not pair.known))
        return PairEstimate(one.a, other.a, one.at_ns, False, reason)
    if one.a == other.a:
        return replace(one, b=other.a, offset_ns=0, uncertainty_ns=0, lower_ns=0, upper_ns=0, drift=0.0)
    cautions = dict.fromkeys(text for text in (one.reason, other.reason, caution) if text)
    low = one.lower_ns - other.upper_ns + 2 * common.limit_ns
    high = one.upper_ns - other.lower_ns - 2 * common.limit_ns
    bounded_below = one.lower_ns > -UNBOUNDED_NS and other.upper_ns < UNBOUNDED_NS
    bounded_above = one.upper_ns < UNBOUNDED_NS and other.lower_ns > -UNBOUNDED_NS
    first, second = float(one.uncertainty_ns**2), float(other.uncertainty_ns**2)
    variance = first + second
    if common.uncertainty_ns:  # offsets are kept to a share of the whole uncertainty
        in_both = common.uncertainty_ns**2
        variance = max(first - in_both, 0.0) + max(second - in_both, 0.0) + variance / KEPT_SHARE**2
    offset = one.offset_ns - other.offset_ns
    if bounded_below and bounded_above and low <= high:
        offset = min(max(offset, low), high)
    return PairEstimate(
        one.a,
        other.a,
        one.at_ns,
        True,
        "; ".join(cautions),
        offset_ns=offset,
        uncertainty_ns=math.ceil(math.sqrt(variance)),
        lower_ns=low if bounded_below else -UNBOUNDED_NS,
        upper_ns=high if bounded_above else UNBOUNDED_NS,
        drift=one.drift - other.drift,
        measured_ns=min(one.measured_ns, other.measured_ns),
    )


OWN_LIMITS = "limits are the two hosts' own, put together: no paths were kept near that moment"


def surest(apart: PairEstimate, through_paths: PairEstimate) -> PairEstimate:
    """Of two true answers on one pair: the paths' uncertainty, and the limits that both prove."""
    if not apart.known:
        return through_paths if through_paths.known else apart
    if not through_paths.known:
        return apart
    reason = "; ".join(part for part in apart.reason.split("; ") if part != OWN_LIMITS)
    lower = max(apart.lower_ns, through_paths.lower_ns)
    upper = min(apart.upper_ns, through_paths.upper_ns)
    if lower > upper:  # they contradict each other: a clock was lying; both are told
        lower, upper = min(apart.lower_ns, through_paths.lower_ns), max(apart.upper_ns, through_paths.upper_ns)
        contradiction = "the paths between the two contradict their own limits: limits hold both"
        reason = f"{reason}; {contradiction}" if reason else contradiction
    return replace(
        apart,
        reason=reason,
        uncertainty_ns=min(through_paths.uncertainty_ns, apart.uncertainty_ns),
        lower_ns=lower,
        upper_ns=upper,
    )


def spaced(instants: Int64, since_ns: int, step_ns: int, last: int | None) -> Int64:
    """Of rising instants the first in each step counted from `since_ns`, none in the step of `last`."""
    if step_ns <= 0 or not len(instants):
        return instants
    step = (instants - since_ns) // step_ns
    first = np.ones(len(step), np.bool_)
    first[1:] = np.diff(step) > 0
    if last is not None:
        first &= step > (last - since_ns) // step_ns
    return instants[first]


def fleet(
    at_ns: int,
    era: Era,
    names: Sequence[str],
    matrix: Int64,
    own_ns: Float64 | None,
    ends: Sequence[tuple[str, str]],
    paths: Interpolated,
    findings: tuple[Finding, ...],
) -> FleetEstimate:
    """Everyone at one instant, in alphabetical order, with those paths that are known and whose both ends are there."""
    order = np.array(sorted(range(len(names)), key=lambda place: names[place]), np.int64)
    hosts = tuple(names[place] for place in order.tolist())
    matrix = matrix[:, order]
    row = {host: place for place, host in enumerate(hosts)}
    told = (paths.how != int(How.NOTHING)).tolist()
    usable = [place for place, (first, second) in enumerate(ends) if told[place] and first in row and second in row]
    first = np.array([row[ends[place][0]] for place in usable], np.int64)
    second = np.array([row[ends[place][1]] for place in usable], np.int64)
    return FleetEstimate(
        at_ns=at_ns,
        window_ns=era.window_ns,
        hosts=hosts,
        references=tuple(reference for reference in era.references if reference.host in row),
        offset_ns=matrix[OFFSET].copy(),
        drift=from_femto(matrix[DRIFT]),
        uncertainty_ns=from_picoseconds(matrix[UNCERTAINTY]),
        drift_uncertainty=from_femto(matrix[DRIFT_UNCERTAINTY]),
        lower_ns=matrix[LOWER].copy(),
        upper_ns=matrix[UPPER].copy(),
        newest_ns=matrix[NEWEST].copy(),
        state=host_states(matrix),
        component=matrix[COMPONENT].astype(np.int32),
        paths=paths_from_columns(paths.matrix[:, usable], first, second, matrix[OFFSET]),
        findings=findings,
        own_ns=None if own_ns is None else own_ns[order],
        centre_ns=at_ns - era.centre_age_ns if era.centre_age_ns else 0,
    )
