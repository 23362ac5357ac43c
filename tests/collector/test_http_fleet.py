from __future__ import annotations

from builders import START_NS, Host, build, ferry, unknown

from noonmark.collector.budget_verdict import verdict, worst_budget_first
from noonmark.collector.budgets import BudgetRule, Budgets, Fitness, fleet_budgets, parse_budget
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.fitness_watch import FitnessWatch
from noonmark.collector.http_fleet import fleet_document
from noonmark.collector.view_estimate import fleet_view

MILLISECOND = Budgets((BudgetRule(parse_budget("1ms")),))


def judged(estimate: FleetEstimate, budgets: Budgets = MILLISECOND, watch: FitnessWatch | None = None) -> dict:
    view = fleet_view(estimate, paths=False)
    answers = fleet_budgets(view, budgets)
    since = (watch or FitnessWatch()).update(view.at_ns, answers)
    return verdict(view, answers, worst_budget_first(view, answers), since)


def test_a_host_out_of_budget_is_named_with_direction_size_and_beginning() -> None:
    watch = FitnessWatch()
    judged(build([Host("quay-gate-1"), Host("holm-gate-1")]), watch=watch)
    told = judged(build([Host("quay-gate-1"), Host("holm-gate-1", -5_000_000)], at_ns=START_NS + 10**9), watch=watch)

    assert told["state"] == "out"
    assert told["text"] == (
        "1 host is out of budget: holm-gate-1 behind by 5.0000 ms ± 0.0020 ms, since 2026-11-25 06:55:04 UTC."
    )


def test_what_was_so_from_the_start_has_no_known_beginning() -> None:
    told = judged(build([Host("quay-gate-1", 5_000_000), Host("holm-gate-1", -7_000_000)]))

    assert "2 hosts are out of budget: worst is holm-gate-1, behind by" in told["text"]
    assert "at least since 2026-11-25 06:55:03 UTC" in told["text"]


def test_hosts_that_cannot_be_shown_are_not_called_within() -> None:
    wide = Host("holm-gate-1", below_ns=2_000_000, above_ns=2_000_000)
    told = judged(build([Host("quay-gate-1"), wide, unknown("skerry-gate-1")]))

    assert told["state"] == "cannot-be-shown"
    assert told["text"] == ("No host is shown to be out of budget, but 2 hosts cannot be shown to be within.")


def test_all_within_is_said_plainly() -> None:
    assert judged(build([Host("quay-gate-1"), Host("holm-gate-1")])) == {
        "state": "within",
        "text": "All 2 hosts are shown to be within budget.",
    }


def test_without_a_budget_the_furthest_is_told() -> None:
    told = judged(ferry(), Budgets())

    assert told["state"] == "no-budget"
    assert told["text"] == "No budget is set. Furthest off is quay-gate-2: ahead by 1.840 ms ± 0.018 ms."


def test_an_empty_fleet_has_nothing_to_say() -> None:
    assert judged(build([]))["state"] == "empty"


def test_worst_comes_first_and_unknown_before_within() -> None:
    hosts = [
        Host("a-within"),
        Host("b-out", 5_000_000),
        unknown("c-unknown"),
        Host("d-worse", -9_000_000),
        Host("e-wide", below_ns=3_000_000),
        Host("f-near", 800_000),
    ]
    document = fleet_document(fleet_view(build(hosts), paths=False), MILLISECOND, {}, sequence=4, limit=5)

    assert [host["host"] for host in document["hosts"]] == ["d-worse", "b-out", "e-wide", "c-unknown", "f-near"]
    assert document["total"] == document["matching"] == 6
    assert document["fitness"] == {"within": 2, "out": 2, "cannot-be-shown": 2}
    assert document["hosts"][3]["budget"]["headroom"] is None
    assert document["hosts"][4]["budget"]["fitness"] == "within"


def test_a_search_finds_names_zones_and_roles() -> None:
    view = fleet_view(ferry(), labels={"holm-db-1": ("holm", "Database")}, paths=False)
    found = [
        {host["host"] for host in fleet_document(view, Budgets(), {}, sequence=1, limit=9, matching=text)["hosts"]}
        for text in ("REF", "database", "nothing")
    ]

    assert found == [{"quay-ref", "skerry-ref"}, {"holm-db-1"}, set()]


def test_the_watch_keeps_a_beginning_and_forgets_hosts_that_left() -> None:
    watch = FitnessWatch()

    def update(second: int, *hosts: Host):
        return watch.update(second, fleet_budgets(fleet_view(build(hosts), paths=False), MILLISECOND))

    update(1, Host("a"), Host("b"))
    out = update(2, Host("a", 5_000_000), Host("b"))
    later = update(3, Host("a", 6_000_000))
    back = update(4, Host("a"), Host("b"))

    assert (out["a"].fitness, out["a"].since_ns, out["a"].known) == (Fitness.OUT, 2, True)
    assert (out["b"].since_ns, out["b"].known) == (1, False)
    assert later["a"].since_ns == 2
    assert set(later) == {"a"}
    assert (back["a"].fitness, back["a"].since_ns) == (Fitness.WITHIN, 4)
