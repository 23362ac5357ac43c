"""Whether the newest estimate still speaks of now. Pure; ages are in monotonic nanoseconds.

No estimate follows where nobody reports any more: the last one stays, and would say of every host that it is measured.
Once it is `OLD_NS` old it is told as what it is: of then, and of hosts that have been silent since.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from noonmark.collector.present import format_age
from noonmark.collector.views import FleetView

OLD_NS = 60 * 10**9
STEP_NS = 60 * 10**9
"""An old estimate's age is told in whole steps, so that an answer stays the same for a while."""


@dataclass(frozen=True, slots=True)
class Freshness:
    """`state`: current, old, or past (a moment that was asked for)."""

    state: str
    at_least_ns: int = 0
    """An old estimate is so old, or older by less than a step."""

    def document(self) -> dict[str, Any]:
        """As JSON has it."""
        return {"state": self.state, "at_least_ns": self.at_least_ns}


PAST = Freshness("past")


def freshness(age_ns: int) -> Freshness:
    """Of an estimate so old."""
    return Freshness("old", age_ns // STEP_NS * STEP_NS) if age_ns > OLD_NS else Freshness("current")


def aged(view: FleetView, fresh: Freshness) -> FleetView:
    """The view with a note of its age; hosts that were measured then have been silent since, at least so long."""
    if fresh.state != "old":
        return view
    hosts = tuple(
        replace(
            host,
            state="stale" if host.state == "measured" else host.state,
            heard_ns=None if host.heard_ns is None else host.heard_ns + fresh.at_least_ns,
        )
        for host in view.hosts
    )
    note = f"the newest estimate is {format_age(fresh.at_least_ns)} old: nothing has been measured since"
    return replace(view, hosts=hosts, notes=(*view.notes, note))


def aged_verdict(verdict: Mapping[str, Any], fresh: Freshness, *, of_then: bool = True) -> dict[str, Any]:
    """What an old estimate lets one say of the budgets: what was out was out; that all are within cannot be shown.

    `of_then`: the verdict is of the view as it was; else of one that was `aged`, and so speaks of now already.
    """
    if fresh.state != "old":
        return dict(verdict)
    then = "Before that: " if of_then else ""
    text = f"Nothing has been measured for {format_age(fresh.at_least_ns)}. {then}{verdict['text']}"
    state = "cannot-be-shown" if verdict["state"] == "within" else verdict["state"]
    return {**verdict, "state": state, "text": text}
