"""What is asked of agents beyond whom to probe: how often to probe, and how often to report. Pure.

Two reasons change it: what the clocks need (cadence.py) and what the collector can bear (pressure.py). The latter goes
first: a collector that is pressed slows everybody down.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector import budget_columns
from noonmark.collector.budgets import Budgets
from noonmark.collector.cadence import Cadence, advance
from noonmark.collector.estimate import Float64
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.collector.pressure import Pressure
from noonmark.collector.state import Published
from noonmark.proto.control import Plan


class Demand:
    """Follows the estimates and the collector's own strain. `keeper` holds the plans."""

    def __init__(self, keeper: PlanKeeper, budgets: Budgets | None = None) -> None:
        self.pressure = Pressure()
        self._keeper = keeper
        self._budgets = budgets or Budgets()
        self._cadence = Cadence()
        self._last: Published | None = None

    def look(
        self,
        published: Published | None,
        *,
        elapsed: float,
        lateness: float,
        fill: float,
        now: float,
        streams: int = 0,
    ) -> dict[str, Plan]:
        """Take notice of the newest estimate and of how the collector fares; the plans that change, by host.

        `elapsed` since the look before, `lateness` of the event loop in it, both in s; `fill` of the window, 0 to 1;
        `streams`: agents connected; `now` is monotonic seconds.
        """
        stretch = self.pressure.stretch
        self.pressure.note(elapsed=elapsed, lateness=lateness, fill=fill, now=now, streams=streams)
        news = self.pressure.stretch != stretch
        if self._keeper.cadence_settings.adaptive and published is not None and published is not self._last:
            news |= self._advance(published, now)
        return self._keeper.adapt(self._cadence, stretch=self.pressure.stretch) if news else {}

    def _advance(self, published: Published, now: float) -> bool:
        """Whether any level changed."""
        estimate = published.estimate
        before = self._cadence
        previous = None if self._last is None else self._last.estimate
        self._cadence = advance(
            before, estimate, previous, self._tolerance(published), self._keeper.cadence_settings, now=now
        )
        self._last = published
        return bool((before.of(estimate.hosts) != self._cadence.level).any())

    def _tolerance(self, published: Published) -> Float64:
        """(H,) budgets, ns; infinite for hosts without one."""
        if not self._budgets:
            return np.full(len(published.estimate.hosts), np.inf)
        labels = {host: (facts.zone, facts.role) for host, facts in published.facts.items()}
        row = budget_columns.assign(published.estimate.hosts, labels, self._budgets)
        of_budget = np.array([budget.tolerance_ns for budget in self._budgets.all] + [np.inf])
        return np.asarray(of_budget[row], dtype=np.float64)

    @property
    def levels(self) -> dict[int, int]:
        """How many hosts are probed at each level."""
        level, count = np.unique(self._cadence.level, return_counts=True)
        return dict(zip(level.tolist(), count.tolist(), strict=True))
