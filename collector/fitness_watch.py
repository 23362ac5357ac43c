"""Since when each host's answer about its budget is what it is, from one estimate to the next. Pure.

A change is dated by the estimate that first showed it. What was so already at the first estimate seen has no known
beginning: its `known` is False, and `since_ns` then means *at least since*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from noonmark.collector.budgets import Fitness, HostBudget


@dataclass(frozen=True, slots=True)
class Since:
    """An answer and its beginning, in ns of reference time."""

    fitness: Fitness
    since_ns: int
    known: bool


@dataclass(slots=True)
class FitnessWatch:
    """Remembers the last answer of each host; hosts that are gone are forgotten."""

    last: dict[str, Since] = field(default_factory=dict)
    seen: bool = False
    """Whether there was an estimate before."""

    def update(self, at_ns: int, answers: Mapping[str, HostBudget]) -> Mapping[str, Since]:
        """Take in an estimate's answers; the beginning of each."""
        now: dict[str, Since] = {}
        for host, answer in answers.items():
            before = self.last.get(host)
            if before is not None and before.fitness is answer.fitness:
                now[host] = before
            else:
                now[host] = Since(answer.fitness, at_ns, self.seen)
        self.last, self.seen = now, True
        return now
