"""The fleet's document for the page: every host with its budget, worst first, and a sentence that sums it up. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from noonmark.collector.budget_verdict import budget_json, verdict, worst_budget_first
from noonmark.collector.budgets import Budgets, HostBudget, fleet_budgets, tally
from noonmark.collector.fitness_watch import Since
from noonmark.collector.freshness import PAST, Freshness, aged, aged_verdict
from noonmark.collector.present_json import fleet_json, host_json
from noonmark.collector.views import FleetView, HostView

Document = dict[str, Any]


def fleet_document(
    view: FleetView,
    budgets: Budgets,
    since: Mapping[str, Since],
    *,
    sequence: int | None,
    fresh: Freshness = PAST,
    limit: int,
    matching: str = "",
    standing: Document | None = None,
) -> Document:
    """At most `limit` hosts whose name, zone or role contains `matching`, worst first; counts are of all hosts.

    The view is that of the estimate; an old one is aged here, and only the verdict still tells of then.
    `standing` says how good the reference is (http_documents.standing_json); None for a past moment.
    """
    told_then = _verdict(view, budgets, since)
    view = aged(view, fresh)
    answers = fleet_budgets(view, budgets)
    ordered = worst_budget_first(view, answers)
    wanted = matching.casefold()
    chosen = [
        host for host in ordered if not wanted or any(wanted in t.casefold() for t in (host.host, host.zone, host.role))
    ]
    document = fleet_json(view)
    document.pop("paths")
    counts = tally(answers.values())
    document |= {
        "sequence": sequence,
        "freshness": fresh.document(),
        "total": len(view.hosts),
        "matching": len(chosen),
        "hosts": [_host(host, answers.get(host.host), since.get(host.host)) for host in chosen[:limit]],
        "budgets": [{"name": one.name, "tolerance_ns": one.tolerance_ns, "source": one.source} for one in budgets.all],
        "fitness": {str(fitness): count for fitness, count in counts.items()} if budgets else None,
        "verdict": aged_verdict(told_then, fresh),
        "reference_standing": standing,
    }
    return document


def _verdict(view: FleetView, budgets: Budgets, since: Mapping[str, Since]) -> Document:
    answers = fleet_budgets(view, budgets)
    return verdict(view, answers, worst_budget_first(view, answers), since)


def _host(host: HostView, answer: HostBudget | None, since: Since | None) -> Document:
    return {**host_json(host), "budget": None if answer is None else budget_json(answer, since)}
