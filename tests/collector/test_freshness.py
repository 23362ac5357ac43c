"""An estimate that nothing has followed is told as what it is: over HTTP, over gRPC, and so by the command."""

from __future__ import annotations

import json
import urllib.request
from typing import Any

import pytest
from http_server import web_serving
from small_estimates import estimate

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.freshness import OLD_NS, PAST, aged, aged_verdict, freshness
from noonmark.collector.http_fleet import fleet_document
from noonmark.collector.state import State
from noonmark.collector.view_estimate import fleet_view

pytestmark = pytest.mark.sockets
MINUTE_NS = 60 * 10**9


@pytest.mark.parametrize(
    ("age_ns", "state", "at_least_ns"),
    [
        (0, "current", 0),
        (OLD_NS, "current", 0),
        (OLD_NS + 1, "old", MINUTE_NS),
        (5 * MINUTE_NS - 1, "old", 4 * MINUTE_NS),
        (90 * MINUTE_NS, "old", 90 * MINUTE_NS),
    ],
)
def test_age_is_told_in_whole_minutes_once_it_is_old(age_ns: int, state: str, at_least_ns: int) -> None:
    found = freshness(age_ns)
    assert found.document() == {"state": state, "at_least_ns": at_least_ns}
    assert found.at_least_ns <= age_ns


def test_hosts_of_an_old_estimate_are_not_called_measured() -> None:
    view = fleet_view(estimate(100.0, (0, 5, 5, 0)))
    assert "measured" in {host.state for host in view.hosts}
    old = aged(view, freshness(3 * MINUTE_NS))
    assert "measured" not in {host.state for host in old.hosts}
    assert old.notes == ("the newest estimate is 3 min old: nothing has been measured since",)
    for then, now in zip(view.hosts, old.hosts, strict=True):
        assert (now.host, now.offset_ns, now.lower_ns) == (then.host, then.offset_ns, then.lower_ns)
        assert now.heard_ns is None or (then.heard_ns is not None and now.heard_ns == then.heard_ns + 3 * MINUTE_NS)


def test_an_old_verdict_does_not_say_that_all_is_well_now() -> None:
    within = {"state": "within", "text": "All 4 hosts are within their budgets."}
    assert aged_verdict(within, freshness(0)) == within
    assert aged_verdict(within, freshness(2 * MINUTE_NS)) == {
        "state": "cannot-be-shown",
        "text": "Nothing has been measured for 2 min. Before that: All 4 hosts are within their budgets.",
    }
    assert aged_verdict({"state": "out", "text": "x"}, freshness(2 * MINUTE_NS))["state"] == "out"


def test_current_and_past_views_are_left_as_they_are() -> None:
    view = fleet_view(estimate(100.0, (0, 5, 5, 0)))
    assert aged(view, freshness(0)) is view
    assert aged(view, PAST) is view


def test_the_interface_says_that_nothing_has_followed() -> None:
    now_ns = [0]
    state = State(monotonic_ns=lambda: now_ns[0])
    state.publish(estimate(100.0, (0, 5, 5, 0)))
    with web_serving(state) as site:

        def ask() -> dict[str, Any]:
            with urllib.request.urlopen(f"{site}/api/v1/fleet", timeout=10) as answer:
                document: dict[str, Any] = json.load(answer)
            return document

        fresh = ask()
        assert fresh["freshness"] == {"state": "current", "at_least_ns": 0}
        assert fresh["states"]["measured"] > 0
        now_ns[0] += 10 * MINUTE_NS
        old = ask()
    assert old["freshness"] == {"state": "old", "at_least_ns": 10 * MINUTE_NS}
    assert old["notes"] == ["the newest estimate is 10 min old: nothing has been measured since"]
    assert (old["at_ns"], "measured" in old["states"]) == (fresh["at_ns"], False)


def test_what_was_out_of_budget_before_the_silence_is_still_told() -> None:
    view = fleet_view(estimate(100.0, (0, 5, 900, 0)))
    budgets = Budgets((BudgetRule(parse_budget("500ns")),))
    now, old = (
        fleet_document(view, budgets, {}, sequence=1, limit=9, fresh=freshness(age_ns)) for age_ns in (0, 3 * MINUTE_NS)
    )
    assert now["verdict"]["state"] == old["verdict"]["state"] == "out"
    assert old["verdict"]["text"] == f"Nothing has been measured for 3 min. Before that: {now['verdict']['text']}"
    assert "measured" not in {host["state"] for host in old["hosts"]}
