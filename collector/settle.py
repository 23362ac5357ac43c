"""Cut the window where a clock changed, and fit again, until every clock is straight on the asked side. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np

from noonmark.collector.change import Change, Ends
from noonmark.collector.changes import FEWEST_SLOTS, find_changes
from noonmark.collector.estimate import Bool, Float64, Int64, ProbeColumns
from noonmark.collector.frames import FASTEST, NS
from noonmark.collector.joint_steps import Fitted, joint_steps
from noonmark.collector.jump_or_bend import LEAST_LEFT
from noonmark.collector.ramps import NEAR_SECOND_NS
from noonmark.collector.recalled import Recalled
from noonmark.collector.rows import choose
from noonmark.collector.rowwise import both
from noonmark.collector.slots import LEAST_NOISE_NS, quantile, slot_middles
from noonmark.collector.survey import Beside, Survey

MOST_ROUNDS = 10
CROOKED = 2.0
"""Straight clocks stray from their lines by 1.0 to 1.5 times what their queues explain, whatever the queues."""
FEWEST_A_PATH = 6
WORTH_HALVING = 2.3
"""Half the window leaves a third of what a parabola does not follow (it grows as the length to the power 3/2), and
makes chance some 2.4 times as large: it pays from here on."""
BEYOND = 0.5
"""What a parabola leaves of a clock whose rate walks at random, at the window's end, in units of the parabola's own
share there. Of a least-squares parabola it would be 0.34; of least delays 0.4 to 0.5 (found by simulation)."""
ODD = 5.0
"""A clock that bends so much more than others do has rather changed at once."""
MOST_ODD = 256
SAMPLE = 4096
"""So many paths tell how crooked a fleet's clocks are."""
RATE_OF_ROUGHNESS = 24.0
"""A clock that strays by s over a span T was seen to change its rate by about 24 s / T (found by simulation)."""
SAME_SLOTS = 2.0
"""A jump and a change of rate so near each other are one and the same."""
UNSEEN = 0.5
"""A clock seen to change its rate may have done so again since: half such a change, for as long as one stays unseen."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A survey in which no clock is seen to change, and what was cut off to get there."""

    survey: Survey
    changes: tuple[Change, ...]
    """Boundaries in s from the asked instant."""
    restless_ppb: Float64
    """By how much each node (V,) may change its rate within the window, as far as it or its fleet was seen to."""
    changed_ppb: Float64
    """The largest change of rate seen of each node (V,)."""
    unseen_ns: Float64
    """Standard uncertainty (V,) that changes too small or too new to be seen leave in an offset."""
    undecided_ns: Float64
    """How far a node's clock (V,) may be off because the asked instant is within a slot of a change: no probe tells
    on which side of it."""


@dataclass(frozen=True, slots=True)
class _Cut:
    """A window in which the fleet's clocks run straight, or the shortest that still has probes enough."""

    survey: Survey
    restless_ppb: float
    bent: float
    """How these clocks usually bend, ns/s^2, as a longer window showed; 0 if there was none."""


class Fit(Protocol):
    """Survey a window of probes, of clocks that usually bend by so much (ns/s^2; 0: as the window itself shows)."""

    def __call__(self, probes: ProbeColumns, *, bent: float = 0.0) -> Survey:
        """See `survey_window`."""


def settle(probes: ProbeColumns, fit: Fit, recalled: Recalled | None = None) -> Settled:
    """Fit, look for changes, keep of each changed host the records on the asked instant's side, and fit again.

    What is `recalled` of these probes is cut before the first fit.
    """
    nodes = len(probes.hosts) + 1
    low, high = np.full(nodes, -np.inf), np.full(nodes, np.inf)
    survey, found = _first_fit(probes, fit, recalled, low, high)
    at_first = _look(survey)
    seen: _Seen | None = at_first
    jumped = [change for change in at_first.loud if _jumped(change)]
    found += jumped
    if jumped:
        _narrow(low, high, jumped)
        keep = _kept(survey, low, high)
        if keep.any():
            survey = fit(choose(survey.probes, keep))
            seen = None
    if any(map(_whole_second, found)) and crookedness(survey)[0] > CROOKED:
        # Reference time itself took the leap: every clock's rate, over a second told twice, looks like a jump.
        low[:], high[:] = low.max(), high.min()
        keep = _kept(survey, low, high)
        if keep.any():
            survey = fit(choose(survey.probes, keep))
            seen = None
    cut = _straight_enough(survey, fit)
    seen = seen if cut.survey is survey else None
    survey = whole = cut.survey
    for _ in range(MOST_ROUNDS):
        told, seen = seen or _look(survey), None
        # Where time itself leapt, or all clocks bend, none ran evenly enough to look for what is small.
        uneven = cut.restless_ppb > 0.0 or any(map(_whole_second, found))
        fresh = told.clearest(uneven)
        # What was left in is seen again after every cut elsewhere.
        again = {change.node for change in fresh}
        found = [change for change in found if worth_cutting(change) or change.node not in again] + fresh
        cuts = [change for change in fresh or _still_torn(survey, found, low, high) if worth_cutting(change)]
        if not cuts:
            break
        _narrow(low, high, cuts)
        keep = _kept(whole, low, high)
        if not keep.any():
            break
        survey = fit(choose(whole.probes, keep), bent=cut.bent)
    changed, unseen = _restlessness(found, unfollowed_ns(cut.survey), nodes)
    restless = np.maximum(changed, cut.restless_ppb)
    restless[survey.anchors.reference] = unseen[survey.anchors.reference] = 0.0
    return Settled(
        survey,
        tuple(found),
        restless,
        changed,
        unseen,
        _undecided(found, whole),
    )


def _first_fit(
    probes: ProbeColumns, fit: Fit, recalled: Recalled | None, low: Float64, high: Float64
) -> tuple[Survey, list[Change]]:
    """The window without what lies beyond changes that are recalled, and these; narrows `low` and `high` (V,)."""
    changes = recalled.changes if recalled is not None else ()
    cuts = [change for change in changes if _jumped(change) or worth_cutting(change)]
    if recalled is None or not cuts or any(map(_whole_second, cuts)):
        return fit(probes), []
    _narrow(low, high, cuts)
    keep = np.ones(len(probes), dtype=bool)
    keep[recalled.beside.rows] = _within(recalled.beside, recalled.node, low, high)
    if not keep.any():
        return fit(probes), []
    survey = fit(choose(probes, keep))
    later_s = (recalled.epoch_ns - survey.frames.epoch_ns) / NS
    low += later_s
    high += later_s
    return survey, [replace(change, boundary_s=change.boundary_s + later_s) for change in cuts]


def _jumped(change: Change) -> bool:
    """Whether no steering could have moved the clock so far within a slot."""
    return change.step and abs(change.size) > FASTEST * NS * change.slot_s


def worth_cutting(change: Change) -> bool:
    """Whether enough is left after a cut to tell the clock's rate; else all that is left is that it is within what an
    honest clock's may be, which costs more than a small change left in."""
    since_s = abs(change.boundary_s)
    moved = abs(change.size) * (1.0 if change.step else since_s)
    return since_s >= LEAST_LEFT * change.slot_s or moved > FASTEST * NS * since_s


def _whole_second(change: Change) -> bool:
    return _jumped(change) and abs(abs(change.size) - NS) < NEAR_SECOND_NS


def _kept(survey: Survey, low: Float64, high: Float64) -> Bool:
    """Which of the survey's probes (N,) lie between both of their nodes' bounds (V,), s from the asked instant."""
    keep = np.ones(len(survey.probes), dtype=bool)
    bounded = np.isfinite(low) | np.isfinite(high)
    if bounded.any():
        some = survey.beside(bounded)
        keep[some.rows] = _within(some, survey.anchors.node, low, high)
    return keep


def _within(some: Beside, nodes: Int64, low: Float64, high: Float64) -> Bool:
    asked, answered = some.points.upper_s, some.points.lower_s
    keep = np.ones(len(some.rows), dtype=bool)
    for host in (some.probes.source, some.probes.destination):
        node = nodes[host]
        keep &= (asked > low[node]) & (answered > low[node]) & (asked < high[node]) & (answered < high[node])
    return keep


def _straight_enough(survey: Survey, fit: Fit) -> _Cut:
    """Halve the window, towards the asked instant, while the whole fleet's clocks are seen not to be straight in it."""
    span = survey.fit.window.span_s
    ratio, rough_ns = crookedness(survey)
    cut = _Cut(survey, 0.0, 0.0)
    while ratio > CROOKED or unfollowed_ns(survey) > WORTH_HALVING * _chance_ns(survey):
        if len(survey.probes) < 2 * FEWEST_A_PATH * len(survey.pairing):
            break
        points = survey.points()
        nearest = np.abs(points.upper_s + points.lower_s)
        # The bend of a rate that walks at random grows as the window's length to the power -1/2.
        bent = survey.fit.bends.usual * np.sqrt(2.0)
        survey = fit(choose(survey.probes, nearest <= np.median(nearest)), bent=bent)
        was, ratio = ratio, crookedness(survey)[0]
        if was <= CROOKED and _doubt_ns(survey) > _doubt_ns(cut.survey):
            break
        cut = _Cut(survey, rough_ns / np.sqrt(2.0) / span * RATE_OF_ROUGHNESS, bent)
    return cut


def unfollowed_ns(survey: Survey, bent: float | None = None) -> float:
    """What straight lines and parabolas usually leave of clocks that bend so much (ns/s^2; as the fleet's were seen to)
    at the asked instant; standard uncertainty."""
    bent = survey.fit.bends.usual if bent is None else bent
    return abs(BEYOND * bent * survey.fit.window.parabola_at_zero)


def _doubt_ns(survey: Survey) -> float:
    """Median standard uncertainty of the hosts' offsets, with that of their bends and of what these do not follow."""
    curved = float(np.median(survey.fit.bends.uncertainty)) * survey.fit.window.parabola_at_zero
    return float(np.sqrt(_chance_ns(survey) ** 2 + curved**2 + unfollowed_ns(survey) ** 2))


def _chance_ns(survey: Survey) -> float:
    """Median standard uncertainty of the hosts' offsets by queues and asymmetry alone."""
    fit, node = survey.fit.offsets, survey.anchors.node
    return float(np.sqrt(np.median(fit.solution.variance(node, fit.network.anchor[fit.network.component][node]))))


def crookedness(survey: Survey) -> tuple[float, float]:
    """How far the fleet's paths stray from their lines: in units of what their queues explain, and in ns.

    Medians over paths (a sample of many) of the middles' root mean square, and of half the excess width of the same
    slots.
    """
    fit = survey.fit
    rows = np.arange(0, len(fit.slope), max(1, len(fit.slope) // SAMPLE))
    slots = slot_middles(fit.straight.rows(rows), fit.slope[rows])
    if len(slots.seconds) < FEWEST_SLOTS:
        return 0.0, 0.0
    told = np.isfinite(slots.middle).sum(axis=1) >= FEWEST_SLOTS
    if not told.any():
        return 0.0, 0.0
    middle, excess = slots.middle[told], slots.excess[told]
    stray = np.sqrt(np.nanvar(middle, axis=1))
    explained = quantile(excess, 0.5) + LEAST_NOISE_NS
    return float(np.median(stray / explained)), float(np.median(stray))


def _restlessness(found: list[Change], unfollowed: float, nodes: int) -> tuple[Float64, Float64]:
    """Changes of rate seen of each node, ppb, and what those too small or too new to be seen leave, ns; (V,) each."""
    changed, unseen = np.zeros(nodes), np.full(nodes, unfollowed)
    for change in found:
        if not change.step:
            changed[change.node] = max(changed[change.node], abs(change.size))
            unseen[change.node] = max(unseen[change.node], abs(change.size) * change.slot_s * UNSEEN)
    return changed, unseen


def _undecided(found: list[Change], survey: Survey) -> Float64:
    """How far each node (V,) may be off because no probe tells on which side of a change the asked instant lies, or
    because the change was left in.

    That is within a slot of the change, and wherever the node was not seen between the two: a host that slept. Asked
    are all the probes of `survey`, those beyond a change too.
    """
    undecided = np.zeros(survey.anchors.hosts + 1)
    if not found:
        return undecided
    changed = np.zeros(len(undecided), dtype=bool)
    changed[[change.node for change in found]] = True
    some = survey.beside(changed)
    source, destination = (survey.anchors.node[host] for host in (some.probes.source, some.probes.destination))
    asked = some.points.upper_s
    for change in found:
        low, high = sorted((change.boundary_s, 0.0))
        own = (source == change.node) | (destination == change.node)
        between = own & (asked >= low) & (asked <= high)
        if not worth_cutting(change):
            undecided[change.node] += abs(change.size) * (1.0 if change.step else abs(change.boundary_s))
        elif abs(change.boundary_s) <= change.slot_s or not between.any():
            undecided[change.node] += abs(change.size) * (1.0 if change.step else change.slot_s)
    return undecided


def _still_torn(survey: Survey, found: list[Change], low: Float64, high: Float64) -> list[Change]:
    """Changes that went on beyond their cut (a clock slewed for seconds): the same again, one slot nearer.

    A changed host whose paths mostly still admit no straight line is not yet cut where it should be.
    """
    torn = survey.fit.corridor.width_ns < 0
    further = []
    for change in {change.node: change for change in found}.values():
        own = (survey.first == change.node) | (survey.second == change.node)
        if own.any() and 2 * (torn & own).sum() > own.sum():
            edge = low[change.node] if change.boundary_s <= 0 else high[change.node]
            if np.isfinite(edge):
                further.append(replace(change, boundary_s=float(edge)))
    return further


@dataclass(frozen=True, slots=True)
class _Seen:
    """Clocks that changed within a survey's window."""

    loud: list[Change]
    small: list[Change]
    """Is looked at once nothing loud is left: that shows on other hosts' paths, too."""

    def clearest(self, uneven: bool) -> list[Change]:
        """What to believe first; if clocks run `uneven`, nothing small.

        Soon after it a jump looks like a change of rate to each path, but not to all of a host's paths together. Of all
        bends the one fits it best that begins half as far again from the window's end as the jump is.
        """
        jumps = {} if uneven else {change.node: change for change in self.small}

        def better(loud: Change) -> Change:
            jump = jumps.get(loud.node)
            if jump is None or loud.step or not jump.step:
                return loud
            near_s = SAME_SLOTS * loud.slot_s
            earlier_s = near_s + min(max(-jump.boundary_s / 2.0, 0.0), near_s)
            same = -earlier_s <= loud.boundary_s - jump.boundary_s <= near_s
            return jump if same else loud

        return [better(loud) for loud in self.loud] or list(jumps.values())


def _look(survey: Survey) -> _Seen:
    return _Seen(*both(partial(changes_in, survey), partial(small_changes_in, survey)))


def changes_in(survey: Survey) -> list[Change]:
    """Clocks that changed within a survey's window, as their paths show one by one."""
    where = Ends(survey.first, survey.second, survey.anchors.hosts + 1)
    odd = _odd(survey)
    crooked = odd.tolist() if len(odd) <= MOST_ODD else []
    blameless, slope = survey.anchors.reference, survey.fit.corridor.slope
    return find_changes(survey.walls, slope, where, blameless, survey.middles, crooked, survey.path_tick_ns)


def _odd(survey: Survey) -> Int64:
    """Nodes that bend by so much more than others do that they have rather changed at once."""
    bends = survey.fit.bends
    return np.flatnonzero(bends.clear & (np.abs(bends.bend - bends.common) > ODD * bends.at_most))


def small_changes_in(survey: Survey) -> list[Change]:
    """Clocks that jumped by less than any of their paths alone would show."""
    fit = survey.fit
    spreads = fit.ends.upper_spread_ns, fit.ends.lower_spread_ns
    # Few clocks may by chance have been seen to bend less than they usually do.
    stray_ns = unfollowed_ns(survey, fit.bends.at_most)
    fitted = Fitted(fit.straight, fit.slope, *spreads, survey.path_tick_ns, stray_ns)
    found = joint_steps(fitted, Ends(survey.first, survey.second, survey.anchors.hosts + 1), survey.anchors.reference)
    # Of a kink less a parabola something like a jump is left.
    bent = set(_odd(survey).tolist())
    return [change for change in found if change.node not in bent]


def _narrow(low: Float64, high: Float64, changes: list[Change]) -> None:
    """Keep the asked side of each change, less half a slot where it is not known on which side a probe lies."""
    for change in changes:
        if change.boundary_s <= 0:
            low[change.node] = max(low[change.node], change.boundary_s + change.slot_s / 2)
        else:
            high[change.node] = min(high[change.node], change.boundary_s - change.slot_s / 2)
