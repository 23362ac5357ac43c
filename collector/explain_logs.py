"""What else than a clock sets logs apart: each log's own habits, held against the other logs'. Pure but for the logs.

Reads every log once, by the block, and keeps only a few numbers of each.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge, ClockMemory
from noonmark.collector.explain import LARGEST_ZONE_NS, QUARTER_NS, RATIOS
from noonmark.collector.log_files import OpenLog
from noonmark.collector.order_logs import Hosts
from noonmark.collector.present import COVERAGE, format_duration

SHIFT_NS = 60 * 10**9
"""Logs of the same events begin and end within this of each other, once a zone's shift is taken out."""


@dataclass(slots=True)
class LogHabits:
    """A log in a few numbers."""

    path: str
    host: str
    records: int = 0
    first_ns: int = 0
    """Earliest corrected time."""
    last_ns: int = 0
    resolution_ns: int = 1
    """Coarsest of its stamps."""
    uncertainty_ns: float = float("inf")
    """Worst standard uncertainty of its host's clock."""
    known: bool = False
    fallbacks: int = 0
    """Records stamped before the record before."""
    deepest_ns: int = 0
    """By how much at most."""


def habits_of(log: OpenLog, knowledge: ClockKnowledge, hosts: Hosts) -> LogHabits:
    """Read a log to its end. A log of several hosts is taken as a whole."""
    own = log.name.host
    number, known_as = hosts.resolver(own)(None) if own is not None else (-1, -1)
    found = LogHabits(log.name.path, hosts.names[number] if own is not None else "several hosts")
    memory, highest = ClockMemory(), None
    for block in log.blocks():
        stamps = block.time_ns[block.timed]
        if not len(stamps):
            continue
        times = knowledge.host_times(known_as, stamps, memory)
        top = np.maximum.accumulate(stamps if highest is None else np.concatenate([[highest], stamps]))
        behind = top[len(top) - len(stamps) :] - stamps
        highest = int(top[-1])
        found.fallbacks += int(np.count_nonzero(behind > 0))
        found.deepest_ns = max(found.deepest_ns, int(behind.max()))
        first, last = int(times.reference_ns.min()), int(times.reference_ns.max())
        found.first_ns = first if not found.records else min(found.first_ns, first)
        found.last_ns = last if not found.records else max(found.last_ns, last)
        worst = float(times.uncertainty_ns.max())
        found.uncertainty_ns = worst if not found.records else max(found.uncertainty_ns, worst)
        found.known = bool(times.known.all()) and (found.known or not found.records)
        found.resolution_ns = max(found.resolution_ns, int(block.resolution_ns[block.timed].max()))
        found.records += len(stamps)
    return found


def explain_logs(logs: Sequence[OpenLog], knowledge: ClockKnowledge, hosts: Hosts) -> Iterator[str]:
    """One sentence for each thing found; one that all is well if nothing is."""
    habits = [habits_of(log, knowledge, hosts) for log in logs]
    told = False
    known = [each for each in habits if each.known]
    worst = max((each.uncertainty_ns for each in known), default=float("inf"))
    paths_of: dict[str, list[str]] = {}
    for each in habits:
        for own in _of_one(each, worst):
            paths_of.setdefault(own, []).append(each.path)
    for own, paths in paths_of.items():
        told = True
        yield f"{', '.join(paths)}: {own}"
    usable = [each for each in habits if each.records]
    for place, one in enumerate(usable):
        for other in usable[place + 1 :]:
            line = _of_two(one, other)
            if line:
                told = True
                yield line
    if known and not told:
        yield f"nothing but the clocks sets these logs apart, and those are known to ± {_size(COVERAGE * worst)}"


def _of_one(habits: LogHabits, uncertainty_ns: float) -> Iterator[str]:
    if not habits.records:
        yield "no line has a readable time"
        return
    if habits.known and habits.resolution_ns > 2 * COVERAGE * max(uncertainty_ns, 1.0):
        yield (
            f"stamps tell time in steps of {_size(habits.resolution_ns)}, these clocks are known to "
            f"± {_size(COVERAGE * uncertainty_ns)} or better: finer stamps, not better clocks, would settle more"
        )
    if habits.deepest_ns > habits.resolution_ns:
        yield (
            f"{habits.fallbacks:,} lines are stamped before the line above, by up to {_size(habits.deepest_ns)}: "
            "several writers, late delivery, or stamps of a request's start; a clock that was set back is a finding"
        )


def _of_two(one: LogHabits, other: LogHabits) -> str | None:
    middle = [(each.first_ns + each.last_ns) // 2 for each in (one, other)]
    for ratio in RATIOS:
        for large, small, name in ((middle[0], middle[1], one.path), (middle[1], middle[0], other.path)):
            if small > 0 and abs(large - small * ratio) < small * ratio // 50:
                return f"{name}: its times are {ratio:,} times too large beside the other logs': a unit, not a clock"
    begin, end = one.first_ns - other.first_ns, one.last_ns - other.last_ns
    count = round(begin / QUARTER_NS)
    shift = count * QUARTER_NS
    apart = one.first_ns > other.last_ns or other.first_ns > one.last_ns
    if count and abs(shift) <= LARGEST_ZONE_NS and max(abs(begin - shift), abs(end - shift)) <= SHIFT_NS and (
        apart or (one.known and other.known)
    ):  # fmt: skip
        way = "later" if shift > 0 else "earlier"
        return (
            f"{one.path} begins and ends {abs(shift) / 3.6e12:g} h {way} than {other.path}, a whole multiple of 15 "
            "minutes: a time zone, not a clock (see --tz)"
        )
    if apart:
        gap = max(one.first_ns - other.last_ns, other.first_ns - one.last_ns)
        return f"{one.path} and {other.path} do not overlap: {_size(gap)} lie between them"
    return None


def _size(value_ns: float) -> str:
    return format_duration(abs(value_ns))
