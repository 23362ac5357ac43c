"""Is it the clock? What a difference between two hosts' stamps can come from, tested one by one, in plain words. Pure.

Half of what looks like a clock error is none. Given how two clocks stood (with limits) and what a person saw (the
difference of two stamps of what should be one instant), each usual cause is held against the numbers:

    unit        the stamps are in a ratio of 10^3, 10^6 or 10^9: seconds, ms, us and ns were mixed up
    time-zone   what the clocks leave unexplained is a whole multiple of 15 minutes (no zone is finer)
    step        a clock was set near that time
    pause       a host slept or stood still near that time
    coarse      it is no more than the stamps' own last digit
    late        it is a delay: queue, retry, late delivery, a slow write
    path        the measurement itself rests on a bad path, so the answer is less sure
    clock       the clocks themselves account for it
    fine        the clocks were right: look elsewhere
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

from noonmark.collector.civil import HOUR_NS, MINUTE_NS, SECOND_NS
from noonmark.collector.present import COVERAGE, format_duration, sentence
from noonmark.collector.views import FindingView, PairView

TOLERANCE_NS = 10 * 10**6
"""Clocks certain to agree within this are called fine unless a tolerance is given; common practice, no source."""
QUARTER_NS = 15 * MINUTE_NS
LARGEST_ZONE_NS = 26 * HOUR_NS
"""From UTC-12 to UTC+14."""
ZONE_REMAINDER_NS = 5 * SECOND_NS
"""A difference this near to a multiple of 15 minutes is called one; the remainder is told."""
NEAR_NS = 600 * SECOND_NS
RATIOS = (10**3, 10**6, 10**9)


class Cause(enum.StrEnum):
    """What a difference between stamps can come from."""

    CLOCK = "clock"
    UNIT = "unit"
    TIME_ZONE = "time-zone"
    STEP = "step"
    PAUSE = "pause"
    COARSE = "coarse"
    LATE = "late"
    PATH = "path"
    FINE = "fine"


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One cause, held against the numbers."""

    cause: Cause
    holds: bool
    text: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """The answer: the first of the causes that hold, and all that was tested."""

    headline: str
    cause: Cause | None
    """None: nothing that was tested accounts for it, or nothing is known."""
    hypotheses: tuple[Hypothesis, ...]


def explain(
    pair: PairView,
    *,
    seen_ns: int | None = None,
    resolution_ns: int = 1,
    tolerance_ns: int = TOLERANCE_NS,
) -> Explanation:
    """Hold every cause against two clocks as they stood, and against a difference seen.

    `seen_ns` is a's stamp minus b's of what should be one instant (None: only the clocks are asked about);
    `resolution_ns` is the coarser of the two stamps' own. The pair's findings are searched for steps and pauses.
    """
    tested = list(_about_the_hosts(pair))
    if not pair.known:
        unit = _unit(pair, seen_ns) if seen_ns is not None else None
        tested = [each for each in (unit, *tested) if each is not None and each.holds]  # of the rest nothing is known
        return _answer(sentence(pair, past=True), tested)
    if seen_ns is not None:
        tested = [
            _unit(pair, seen_ns),
            _clock(pair, seen_ns, resolution_ns),
            _coarse(pair, seen_ns, resolution_ns),
            _time_zone(pair, seen_ns, resolution_ns),
            *tested,
        ]
        tested.append(_late(pair, seen_ns, resolution_ns, tested))
    tested.append(_fine(pair, tolerance_ns, "" if seen_ns is not None else ": they can be the cause"))
    return _answer(sentence(pair, past=True), tested)


_DECISIVE = (Cause.UNIT, Cause.CLOCK, Cause.COARSE, Cause.TIME_ZONE, Cause.STEP, Cause.PAUSE, Cause.LATE, Cause.FINE)


def _answer(clocks: str, tested: Sequence[Hypothesis]) -> Explanation:
    """The decisive cause that holds first makes the headline."""
    for cause in _DECISIVE:
        for each in tested:
            if each.cause is cause and each.holds:
                text = each.text if cause is Cause.FINE else f"{each.text} {clocks}"
                return Explanation(text, cause, tuple(tested))
    for each in tested:
        if each.cause is Cause.FINE:
            return Explanation(f"{each.text} {clocks}", None, tuple(tested))
    return Explanation(clocks, None, tuple(tested))


def _bounds(pair: PairView) -> tuple[int, int, str]:
    """How far apart the clocks can have been, and how sure that is."""
    if pair.lower_ns is not None and pair.upper_ns is not None:
        return pair.lower_ns, pair.upper_ns, "certainly"
    reach = 2 * COVERAGE * pair.uncertainty_ns
    return pair.offset_ns - reach, pair.offset_ns + reach, "very likely"


def _left_over(pair: PairView, seen_ns: int, resolution_ns: int) -> int:
    """How much of what was seen the clocks and the stamps' resolution cannot account for; 0 if they can."""
    lower, upper, _ = _bounds(pair)
    if seen_ns > upper + resolution_ns:
        return seen_ns - upper - resolution_ns
    return min(0, seen_ns - lower + resolution_ns)


def _clock(pair: PairView, seen_ns: int, resolution_ns: int) -> Hypothesis:
    lower, upper, sure = _bounds(pair)
    accounts = _left_over(pair, seen_ns, resolution_ns) == 0
    large = abs(seen_ns) > resolution_ns and max(abs(lower), abs(upper)) > abs(seen_ns) // 2
    if accounts and large:
        return Hypothesis(Cause.CLOCK, True, f"It is the clocks: they account for the {_size(seen_ns)} seen.")
    if accounts:
        return Hypothesis(Cause.CLOCK, False, "The clocks do not contradict what was seen, nor are they needed for it.")
    left = _left_over(pair, seen_ns, resolution_ns)
    if abs(left) <= abs(seen_ns) // 4:
        text = (
            f"It is the clocks for the most part: they account for {_size(seen_ns - left)} of the {_size(seen_ns)} "
            f"seen; {_size(left)} at least must have another cause, such as a delay."
        )
        return Hypothesis(Cause.CLOCK, True, text)
    most = max(abs(lower), abs(upper))
    return Hypothesis(
        Cause.CLOCK,
        False,
        f"The clocks were {sure} within {_size(most)} of each other: they do not explain {_size(seen_ns)}.",
    )


def _unit(pair: PairView, seen_ns: int) -> Hypothesis:
    """`at_ns` stands for b's stamp: a ratio of 1000 is the same seen from any nearby instant."""
    a, b = pair.at_ns + seen_ns, pair.at_ns
    for ratio in RATIOS:
        for large, small, host in ((a, b, pair.a), (b, a, pair.b)):
            if small > 0 and abs(large - small * ratio) < small * ratio // 50:
                return Hypothesis(
                    Cause.UNIT,
                    True,
                    f"It is a unit: the stamps of {host or 'the reference'} are {ratio:,} times too large.",
                )
    return Hypothesis(Cause.UNIT, False, "The stamps are not in a ratio of 1,000: no unit was mixed up.")


def _time_zone(pair: PairView, seen_ns: int, resolution_ns: int) -> Hypothesis:
    rest = seen_ns - pair.offset_ns
    count = (2 * rest + QUARTER_NS) // (2 * QUARTER_NS)  # nearest whole number
    remainder = rest - count * QUARTER_NS
    allowed = max(ZONE_REMAINDER_NS, resolution_ns, 4 * pair.uncertainty_ns)
    if count == 0 or abs(rest) > LARGEST_ZONE_NS or abs(remainder) > allowed:
        return Hypothesis(Cause.TIME_ZONE, False, "What remains is no whole multiple of 15 minutes: no time zone.")
    apart = abs(remainder) > resolution_ns + 2 * pair.uncertainty_ns
    left = f", and {_size(remainder)} {'more' if (remainder > 0) == (count > 0) else 'less'}" if apart else ""
    lower, upper, sure = _bounds(pair)
    way = "later" if count > 0 else "earlier"
    whole = f"{abs(count) * QUARTER_NS / HOUR_NS:g} h"
    return Hypothesis(
        Cause.TIME_ZONE,
        True,
        f"It is a time zone: the stamps of {pair.a} are {whole} {way}, a whole multiple of 15 minutes{left}, "
        f"while the clocks were {sure} within {_size(max(abs(lower), abs(upper)))} of each other.",
    )


def _coarse(pair: PairView, seen_ns: int, resolution_ns: int) -> Hypothesis:
    rest = abs(seen_ns - pair.offset_ns)
    holds = resolution_ns > 1 and rest <= resolution_ns and resolution_ns > COVERAGE * pair.uncertainty_ns
    if holds:
        return Hypothesis(
            Cause.COARSE,
            True,
            f"It is the stamps: they tell time in steps of {_size(resolution_ns)}, too coarse for this.",
        )
    return Hypothesis(
        Cause.COARSE, False, f"The stamps are finer ({_size(resolution_ns)}) than what is to be explained."
    )


def _late(pair: PairView, seen_ns: int, resolution_ns: int, tested: Sequence[Hypothesis]) -> Hypothesis:
    left = _left_over(pair, seen_ns, resolution_ns)
    if left == 0:
        return Hypothesis(Cause.LATE, False, "No delay is needed to explain it.")
    if any(each.holds and each.cause in (Cause.UNIT, Cause.TIME_ZONE) for each in tested):
        text = f"A delay would have to be at least {_size(left)}, just what the cause above explains: none is needed."
        return Hypothesis(Cause.LATE, False, text)
    if any(each.holds and each.cause is Cause.CLOCK for each in tested):
        return Hypothesis(Cause.LATE, False, f"A delay need explain no more than the {_size(left)} left over.")
    late, early = (pair.a, pair.b) if left > 0 else (pair.b, pair.a)
    return Hypothesis(
        Cause.LATE,
        True,
        f"It is not the clocks but a delay: {late or 'the reference'} stamped this at least {_size(left)} after "
        f"{early or 'the reference'} did (a queue, a retry, late delivery, or a slow write).",
    )


def _about_the_hosts(pair: PairView) -> list[Hypothesis]:
    """What the findings near that time say."""
    near = [finding for finding in pair.findings if abs(finding.at_ns - pair.at_ns) <= NEAR_NS]
    kinds = {
        Cause.STEP: (("step", "leap-or-smear", "frequency-change"), "No clock was set near that time."),
        Cause.PAUSE: (("suspend",), "Neither host slept near that time."),
        Cause.PATH: (("asymmetric-path", "liar", "reference-disagrees"), "The measurement rests on sound paths."),
    }
    found = []
    for cause, (names, otherwise) in kinds.items():
        matching = [finding for finding in near if finding.kind in names]
        text = " ".join(_told(finding, pair.at_ns) for finding in matching) or otherwise
        found.append(Hypothesis(cause, bool(matching), text))
    return found


def _told(finding: FindingView, at_ns: int) -> str:
    away = finding.at_ns - at_ns
    when = "then" if away == 0 else f"{_size(away)} {'later' if away > 0 else 'before'}"
    return f"{finding.text.rstrip('.')} ({when})."


def _fine(pair: PairView, tolerance_ns: int, consequence: str) -> Hypothesis:
    lower, upper, sure = _bounds(pair)
    expanded = _size(COVERAGE * pair.uncertainty_ns)
    if max(abs(lower), abs(upper)) <= tolerance_ns:
        text = (
            f"The clocks were fine (± {expanded}): look elsewhere. They were {sure} within "
            f"{_size(max(abs(lower), abs(upper)))} of each other, and {_size(tolerance_ns)} is allowed."
        )
        return Hypothesis(Cause.FINE, True, text)
    if abs(pair.offset_ns) + COVERAGE * pair.uncertainty_ns <= tolerance_ns:
        text = f"The clocks were very likely fine (± {expanded}), though not certainly within {_size(tolerance_ns)}."
        return Hypothesis(Cause.FINE, False, text)
    if lower > tolerance_ns or upper < -tolerance_ns:
        text = f"The clocks were {sure} more than {_size(tolerance_ns)} apart{consequence}."
        return Hypothesis(Cause.FINE, False, text)
    text = f"The clocks may have been more than {_size(tolerance_ns)} apart, which is all that is allowed."
    return Hypothesis(Cause.FINE, False, text)


def _size(value_ns: int) -> str:
    return format_duration(abs(value_ns))
