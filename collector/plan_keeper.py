"""Keeps the plan up to date as hosts come and go, and knows whose plan changed. Pure.

A change after a calm is planned for at once, so that a host that arrives alone soon probes. Those that follow it are
gathered for a moment: after a restart a whole fleet comes back within seconds, and a plan for the first few of it would
be thrown away at once. `now` is monotonic seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from noonmark.collector.plan import Asks, Member, PlanSettings, draw_up, plan_for
from noonmark.proto.control import Plan

QUIET = 0.5
"""A plan is drawn up once the fleet has been unchanged for so long,"""
PATIENCE = 3.0
"""or has been changing for so long. A fleet unchanged for so long before is calm."""


class PlanKeeper:
    """The plan in force, by host."""

    def __init__(self, references: Sequence[str], settings: PlanSettings | None = None) -> None:
        self.settings = settings or PlanSettings()
        self._references = tuple(references)
        self._plans: dict[str, Plan] = {}
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
        if not self._calm and now - self._last_change < QUIET and now - self._first_change < PATIENCE:
            return {}
        self._planned, self._calm = membership, False
        self.drawn_up += 1
        return self._replace(draw_up(members.values(), self._references, self.settings), members)

    def _replace(self, asks: Asks, members: Mapping[str, Member]) -> dict[str, Plan]:
        changed: dict[str, Plan] = {}
        before = self._plans
        self._plans = {}
        for host in asks:
            old = before.get(host)
            plan = plan_for(host, asks, members, version=old.version + 1 if old else 1, settings=self.settings)
            if old is not None and old.peers == plan.peers:
                self._plans[host] = old
            else:
                self._plans[host] = changed[host] = plan
        return changed

    def plan(self, host: str) -> Plan | None:
        """The plan in force; None for a host not planned for yet."""
        return self._plans.get(host)
