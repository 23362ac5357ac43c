"""Which of several sources to believe: intersection of intervals (RFC 5905 section 11.2.1, after Marzullo). Pure.

Each source says that the host's clock is off by its offset, give or take its limit: an interval that holds the truth
if the source does. A majority whose intervals meet is believed, and whose interval does not meet theirs is a
falseticker. Two that disagree tell nothing of who is wrong; then sources on the host itself (receivers, pulses, cards)
are heard before servers across a network, and are judged among themselves.

A pulse numbers no seconds; it is given its number by the sources that do, or, failing those, by the host's clock if
the kernel vouches for it to half a second.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from noonmark.agent.reference import Observation
from noonmark.proto.reference import LIMIT_IN_UNCERTAINTIES, SourceReport, Verdict

SECOND_NS = 1_000_000_000
PHI = 15e-6
"""An old observation is surer of the past than of now: RFC 5905's rate."""
NUMBERS_SECONDS_NS = SECOND_NS // 2
"""Who is surer than this can say which second a pulse begins."""
_ON_THE_HOST = frozenset({"nmea", "pps", "phc"})


Interval = tuple[int, int]
"""Where one source says that the offset lies: lowest and highest, ns."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was made of all sources at one moment."""

    selected: Observation | None
    """The surest of those that agree, its uncertainty and limit grown with age; None: none can be believed."""
    verdicts: Mapping[str, Verdict]
    observations: tuple[Observation, ...]
    """As judged: pulses with their seconds numbered, uncertainties and limits grown with age."""

    @property
    def disagreement(self) -> bool:
        """Whether sources contradict each other without a majority."""
        return Verdict.UNDECIDED in self.verdicts.values()


def intersection(intervals: Sequence[Interval]) -> Interval | None:
    """The interval that lies in as many of the given ones as any does, if those are a majority; else None.

    Marzullo's algorithm. None, too, where another place lies in as many: a coarse source that agrees with each of two
    which contradict each other decides nothing. Where RFC 5905 (appendix A.5.5.1) also asks that the middles of the
    intervals lie in the intersection, this does not: a coarse source's middle says nothing beside a fine one, and
    neither need be false.
    """
    edges = sorted([(low, 0) for low, _ in intervals] + [(high, 1) for _, high in intervals])
    most = open_now = 0
    tied = False
    found: Interval | None = None
    for place, (at, closes) in enumerate(edges):
        open_now += -1 if closes else 1
        if open_now > most:
            # The next edge closes one of them, or this is not the most.
            most, found, tied = open_now, (at, edges[place + 1][0]), False
        elif open_now == most and not closes:
            tied = True
    return found if 2 * most > len(intervals) and not tied else None


def judge_sources(observations: Sequence[Observation], *, now: int, kernel_limit_ns: int | None) -> Judgement:
    """Weigh the newest observation of each source. `kernel_limit_ns`: what the kernel vouches for; None: nothing."""
    aged = [_aged(one, now) for one in observations]
    numbered = _number_pulses(aged, kernel_limit_ns)
    usable = [one for one in numbered if _speaks(one)]
    verdicts = {one.source: Verdict.UNUSABLE for one in numbered if not _speaks(one)}
    chosen, told = _weigh(usable)
    verdicts.update(told)
    if not chosen and usable:
        local = [one for one in usable if one.kind in _ON_THE_HOST]
        if local and len(local) < len(usable):
            chosen, among_local = _weigh(local)
            verdicts.update(among_local)
    selected = min(chosen, key=lambda one: (one.uncertainty_ns or 0, one.source), default=None)
    if selected is not None:
        verdicts[selected.source] = Verdict.SELECTED
    return Judgement(selected, verdicts, tuple(numbered))


def _speaks(one: Observation) -> bool:
    return one.usable and None not in (one.offset_ns, one.uncertainty_ns, one.limit_ns) and not one.modulo_second


def _aged(one: Observation, now: int) -> Observation:
    """Uncertainty and limit for now; what is too old is no longer usable."""
    age = max(0, now - one.monotonic_ns)
    if age > one.good_for_ns:
        return replace(one, usable=False)
    if one.uncertainty_ns is None or one.limit_ns is None:
        return one
    grown = round(PHI * age)
    return replace(one, uncertainty_ns=one.uncertainty_ns + grown, limit_ns=one.limit_ns + grown)


def _number_pulses(observations: Sequence[Observation], kernel_limit_ns: int | None) -> list[Observation]:
    coarse = [one for one in observations if _speaks(one) and (one.limit_ns or 0) <= NUMBERS_SECONDS_NS]
    believed, _ = _weigh(coarse)
    best = min(believed, key=lambda one: one.uncertainty_ns or 0, default=None)
    numbered = []
    for one in observations:
        if not (one.modulo_second and one.usable and one.offset_ns is not None):
            numbered.append(one)
        elif best is not None and best.offset_ns is not None:
            seconds = round((best.offset_ns - one.offset_ns) / SECOND_NS)
            numbered.append(replace(one, offset_ns=one.offset_ns + seconds * SECOND_NS, modulo_second=False))
        elif not coarse and kernel_limit_ns is not None and kernel_limit_ns < NUMBERS_SECONDS_NS:
            numbered.append(replace(one, modulo_second=False))
        else:
            numbered.append(one)
    return numbered


def _weigh(usable: Sequence[Observation]) -> tuple[list[Observation], dict[str, Verdict]]:
    """Those that agree, and everyone's verdict."""
    intervals = {one.source: _interval(one) for one in usable}
    found = intersection(list(intervals.values()))
    if found is None:
        return [], {one.source: Verdict.UNDECIDED for one in usable}
    low, high = found
    agree = [one for one in usable if intervals[one.source][0] <= high and intervals[one.source][1] >= low]
    verdicts = {one.source: Verdict.FALSETICKER for one in usable}
    verdicts.update((one.source, Verdict.AGREES) for one in agree)
    return agree, verdicts


def _interval(one: Observation) -> Interval:
    offset, limit = one.offset_ns or 0, one.limit_ns or 0
    return offset - limit, offset + limit


def reports(judgement: Judgement, *, now: int) -> tuple[SourceReport, ...]:
    """Every source as it is told to the collector."""
    return tuple(
        SourceReport(
            name=one.source,
            kind=one.kind,
            verdict=judgement.verdicts[one.source],
            age_ns=max(0, now - one.monotonic_ns),
            offset_ns=None if one.modulo_second else one.offset_ns,
            uncertainty_ns=one.uncertainty_ns,
            limit_ns=one.limit_ns,
            declared_uncertainty_ns=one.declared_uncertainty_ns,
            declared_limit_ns=one.declared_limit_ns,
            leap=one.leap,
            notices=one.notices,
            figures=one.figures,
        )
        for one in judgement.observations
    )


def limit_of(uncertainty_ns: int, limit_ns: int | None) -> int:
    """A declared limit, or the usual multiple of the uncertainty where none is declared."""
    return round(LIMIT_IN_UNCERTAINTIES * uncertainty_ns) if limit_ns is None else limit_ns
