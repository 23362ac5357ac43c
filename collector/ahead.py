"""Which hosts were ahead or behind by more than so much, when, and for how long in all. Pure.

The question after an incident: stamps from the future outlive the moment. A course is a host's answers in order of
time; between two answers the one before holds, as far as `reach_ns`. An excursion is a stretch over which the best
estimate lay beyond the threshold; it is *certain* while the limits did so too. Beyond the last answer
it is so for no longer than the answer before held: nothing was measured there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from noonmark.collector.views import PairView

REACH_NS = 60 * 10**9


@dataclass(frozen=True, slots=True)
class Excursion:
    """One stretch during which a host's clock was too far ahead (or behind)."""

    host: str
    ahead: bool
    since_ns: int
    until_ns: int
    largest_ns: int
    """Offset of the answer furthest off, with its sign."""
    certain_ns: int
    """For how long of it the limits leave no doubt."""
    open_end: bool
    """It had not ended when the course did."""

    @property
    def lasted_ns(self) -> int:
        """How long it was."""
        return self.until_ns - self.since_ns


@dataclass(frozen=True, slots=True)
class HostExcursions:
    """All of one host's, in order of time."""

    host: str
    excursions: tuple[Excursion, ...]
    known_ns: int
    """For how long anything was known of the host."""

    @property
    def lasted_ns(self) -> int:
        """In all."""
        return sum(each.lasted_ns for each in self.excursions)

    @property
    def certain_ns(self) -> int:
        """In all, without doubt."""
        return sum(each.certain_ns for each in self.excursions)

    @property
    def largest_ns(self) -> int:
        """Offset furthest off."""
        return max((each.largest_ns for each in self.excursions), key=abs, default=0)


def excursions(
    host: str, course: Iterable[PairView], by_ns: int, until_ns: int, *, reach_ns: int = REACH_NS
) -> HostExcursions:
    """Stretches over which a host's offset was beyond plus or minus `by_ns`. The course ends at `until_ns`."""
    found: list[Excursion] = []
    current: list[tuple[PairView, int]] = []  # answers of one excursion, each with the end of its validity
    known = 0
    for pair, end in _with_ends(course, until_ns, reach_ns):
        known += end - pair.at_ns if pair.known else 0
        side = _side(pair, by_ns)
        if current and (side != _side(current[0][0], by_ns) or pair.at_ns > current[-1][1]):
            found.append(_excursion(host, current, by_ns, None))
            current = []
        if side:
            current.append((pair, end))
    if current:
        found.append(_excursion(host, current, by_ns, until_ns))
    return HostExcursions(host, tuple(found), known)


def _with_ends(course: Iterable[PairView], until_ns: int, reach_ns: int) -> Iterable[tuple[PairView, int]]:
    before: PairView | None = None
    for pair in course:
        if before is not None:
            yield before, min(pair.at_ns, before.at_ns + reach_ns)
        before = pair
    if before is not None:
        yield before, max(before.at_ns, min(until_ns, before.at_ns + reach_ns))


def _side(pair: PairView, by_ns: int) -> int:
    """1: ahead by more than the threshold; -1: behind; 0: within, or not known."""
    return 0 if not pair.known or abs(pair.offset_ns) <= by_ns else 1 if pair.offset_ns > 0 else -1


def _excursion(
    host: str, answers: Sequence[tuple[PairView, int]], by_ns: int, course_until_ns: int | None
) -> Excursion:
    """One of these answers; `course_until_ns` is given where the course ends with them."""

    def surely(pair: PairView) -> bool:
        if pair.offset_ns > 0:
            return pair.lower_ns is not None and pair.lower_ns > by_ns
        return pair.upper_ns is not None and pair.upper_ns < -by_ns

    held_ns = [end - pair.at_ns for pair, end in answers]
    if course_until_ns is not None:
        held_ns[-1] = min(held_ns[-1], held_ns[-2] if len(held_ns) > 1 else 0)
    return Excursion(
        host=host,
        ahead=answers[0][0].offset_ns > 0,
        since_ns=answers[0][0].at_ns,
        until_ns=answers[-1][1],
        largest_ns=max((pair.offset_ns for pair, _ in answers), key=abs),
        certain_ns=sum(held for (pair, _), held in zip(answers, held_ns, strict=True) if surely(pair)),
        open_end=course_until_ns is not None and answers[-1][1] >= course_until_ns,
    )
