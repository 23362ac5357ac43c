"""Keeps the plan up to date as hosts come and go and their clocks behave, and knows whose plan changed. Pure.

A change after a calm is planned for at once, so that a host that arrives alone soon probes. Those that follow it are
gathered for a moment: after a restart a whole fleet comes back within seconds, and a plan for the first few of it would
be thrown away at once. `now` is monotonic seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from noonmark.collector.cadence import Cadence, CadenceSettings, intervals_ns
from noonmark.collector.estimate import Int32
from noonmark.collector.plan import Asks, Member, PlanSettings, draw_up, plan_for
from noonmark.proto.control import Plan

QUIET = 0.5
"""A plan is drawn up once the fleet has been unchanged for so long,"""
PATIENCE = 3.0
"""or has been changing for so long, and longer where drawing up takes longer. A fleet unchanged for so long is calm."""
PATIENCE_A_HOST = 0.0005
"""Seconds more for each host: drawing up takes a tenth of that, and during it nobody is let in."""


class PlanKeeper:
    """The plan in force, by host."""

    def __init__(
        self,
        references: Sequence[str],
        settings: PlanSettings | None = None,
        cadence_settings: CadenceSettings | None = None,
    ) -> None:
        self.settings = settings or PlanSettings()
        self.cadence_settings = cadence_settings or CadenceSettings(*[self.settings.interval_ns] * 3)
        self._references = tuple(references)
        self._plans: dict[str, Plan] = {}
        self._asks: Asks = {}
        self._members: Mapping[str, Member] = {}
        self._asker = self._asked = np.zeros(0, np.int32)
        self._cadence = Cadence()
        self._stretch = 0
        self._planned = self._seen = 0
        self._first_change = self._last_change = 0.0
        self._calm = False
        self.drawn_up = 0
        """How many times a plan was drawn up."""

    def refresh(self, members: Mapping[str, Member], membership: int, *, now: float) -> dict[str, Plan]:
        """Draw up a new plan if it is time; return the plans that differ from before, by host.

        `membership` is a number that rises whenever `members` changes (directory.py).
        """
        if membership != self._seen:
            if self._seen == self._planned:
                self._first_change = now
                self._calm = now - self._last_change >= PATIENCE
            self._seen, self._last_change = membership, now
        if membership == self._planned:
            return {}
        patience = PATIENCE + PATIENCE_A_HOST * len(members)
        if not self._calm and now - self._last_change < QUIET and now - self._first_change < patience:
            return {}
        self._planned, self._calm = membership, False
        self.drawn_up += 1
        self._asks = draw_up(members.values(), self._references, self.settings)
        self._members = dict(members)
        self._asker, self._asked = _paths(self._asks)
        return self._replace()

    def adapt(self, cadence: Cadence, *, stretch: int = 0) -> dict[str, Plan]:
        """Probe the same hosts as often as this says; return the plans that differ from before, by host.

        `stretch`: everybody so many levels slower, for the collector's own sake.
        """
        self._cadence, self._stretch = cadence, stretch
        return self._replace()

    def _replace(self) -> dict[str, Plan]:
        level = self._cadence.of(tuple(self._asks))
        intervals = intervals_ns(self._asker, self._asked, level, self.cadence_settings, stretch=self._stretch).tolist()
        changed: dict[str, Plan] = {}
        before = self._plans
        self._plans = {}
        start = 0
        for host, asked in self._asks.items():
            own = intervals[start : start + len(asked)]
            start += len(asked)
            old = before.get(host)
            plan = plan_for(
                host,
                self._asks,
                self._members,
                version=old.version + 1 if old else 1,
                settings=self.settings,
                intervals_ns=own,
            )
            if old is not None and old.peers == plan.peers:
                self._plans[host] = old
            else:
                self._plans[host] = changed[host] = plan
        return changed

    @property
    def asks(self) -> Asks:
        """Who asks whom; a new object whenever it changed."""
        return self._asks

    @property
    def plans(self) -> Mapping[str, Plan]:
        """All plans in force."""
        return self._plans

    def plan(self, host: str) -> Plan | None:
        """The plan in force; None for a host not planned for yet."""
        return self._plans.get(host)


def _paths(asks: Asks) -> tuple[Int32, Int32]:
    """Who asks and who is asked, one row a path, as numbers of hosts in the order of `asks`."""
    number = {host: row for row, host in enumerate(asks)}
    asker = np.repeat(np.arange(len(asks), dtype=np.int32), [len(asked) for asked in asks.values()])
    asked = np.array([number[name] for names in asks.values() for name in names], dtype=np.int32)
    return asker, asked
