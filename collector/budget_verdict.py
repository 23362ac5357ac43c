"""How a fleet keeps its budgets: the order of *worst*, one sentence that sums it up, each host's answer as JSON. Pure.

The order: hosts that are out of their budget, those that cannot be shown to be within it, those within it, each by what
is left of the budget; then hosts without a budget by the size of their time error; unknown ones last.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from noonmark.collector.budgets import Fitness, Forecast, HostBudget, tally
from noonmark.collector.fitness_watch import Since
from noonmark.collector.instants import format_instant
from noonmark.collector.present import direction, format_offset
from noonmark.collector.views import FleetView, HostView

Document = dict[str, Any]
_ORDER = {Fitness.OUT: 0, Fitness.CANNOT_BE_SHOWN: 1, Fitness.WITHIN: 3}
_UNKNOWN, _NO_BUDGET = 2, 4


def worst_budget_first(view: FleetView, answers: Mapping[str, HostBudget]) -> list[HostView]:
    """The hosts in the order told above."""

    def key(host: HostView) -> tuple[int, float, str]:
        answer = answers.get(host.host)
        if answer is None:
            return (_NO_BUDGET, -abs(host.offset_ns) if host.offset_ns is not None else math.inf, host.host)
        if answer.estimated_headroom is None:
            return (_UNKNOWN, 0.0, host.host)
        left = answer.headroom if answer.headroom is not None else -math.inf
        return (_ORDER[answer.fitness], min(left, answer.estimated_headroom), host.host)

    return sorted(view.hosts, key=key)


def budget_json(answer: HostBudget, since: Since | None) -> Document:
    """A host's answer about its budget; headrooms are in multiples of the budget."""
    return {
        "name": answer.budget.name,
        "tolerance_ns": answer.budget.tolerance_ns,
        "fitness": str(answer.fitness),
        "estimated": str(answer.estimated),
        "headroom": _rounded(answer.headroom),
        "estimated_headroom": _rounded(answer.estimated_headroom),
        "forecast": None if answer.forecast is None else _forecast(answer.forecast),
        "since_ns": None if since is None else since.since_ns,
        "since_known": since is not None and since.known,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def _forecast(ahead: Forecast) -> Document:
    """Seconds from the estimate on; null for never."""
    return {
        "expected_s": _rounded(ahead.expected_s),
        "earliest_s": _rounded(ahead.earliest_s),
        "latest_s": _rounded(ahead.latest_s),
    }


def verdict(
    view: FleetView, answers: Mapping[str, HostBudget], ordered: list[HostView], since: Mapping[str, Since]
) -> Document:
    """The fleet in a word and one sentence: `state` is within, out, cannot-be-shown, no-budget or empty."""
    if not view.hosts:
        return {"state": "empty", "text": "No host has been measured yet."}
    if not answers:
        known = [host for host in ordered if host.offset_ns is not None]
        text = f"No budget is set. {_furthest(known)}" if known else "No budget is set, and no host's error is known."
        return {"state": "no-budget", "text": text}
    counts = tally(answers.values())
    out, open_ = counts[Fitness.OUT], counts[Fitness.CANNOT_BE_SHOWN]
    without = len(view.hosts) - len(answers)
    tail = f" {_hosts(without)} {_have(without)} no budget." if without else ""
    if out:
        worst = ordered[0]
        parts = [f"{_hosts(out)} {_are(out)} out of budget: {_worst(worst, since.get(worst.host), alone=out == 1)}."]
        if open_:
            parts.append(f"{_hosts(open_)} cannot be shown to be within.")
        return {"state": "out", "text": " ".join(parts) + tail}
    if open_:
        text = f"No host is shown to be out of budget, but {_hosts(open_)} cannot be shown to be within."
        return {"state": "cannot-be-shown", "text": text + tail}
    whole = "The host is" if len(answers) == 1 else f"All {len(answers):,} hosts are"
    return {"state": "within", "text": f"{whole} shown to be within budget.{tail}"}


def _worst(host: HostView, since: Since | None, *, alone: bool) -> str:
    name = host.host if alone else f"worst is {host.host},"
    assert host.offset_ns is not None
    text = f"{name} {direction(host.offset_ns)} by {format_offset(host.offset_ns, host.uncertainty_ns or 0)}"
    if since is None:
        return text
    when = format_instant(since.since_ns, digits=0).replace("T", " ").replace("Z", " UTC")
    return f"{text}, {'since' if since.known else 'at least since'} {when}"


def _furthest(known: list[HostView]) -> str:
    worst = known[0]
    assert worst.offset_ns is not None
    if worst.offset_ns == 0:
        return "No host is known to be off."
    return (
        f"Furthest off is {worst.host}: {direction(worst.offset_ns)} by "
        f"{format_offset(worst.offset_ns, worst.uncertainty_ns or 0)}."
    )


def _hosts(count: int) -> str:
    return f"{count:,} host" if count == 1 else f"{count:,} hosts"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _have(count: int) -> str:
    return "has" if count == 1 else "have"
