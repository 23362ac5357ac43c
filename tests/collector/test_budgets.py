from __future__ import annotations

import math

import pytest
from builders import Host, build, ferry, unknown
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import budgets as b
from noonmark.collector.budget_columns import ANSWERS, NO_BUDGET, assign, hold
from noonmark.collector.budgets import Budget, BudgetRule, Budgets, Fitness, parse_budget, parse_rule
from noonmark.collector.estimate import UNBOUNDED_NS, HostState
from noonmark.collector.report_policies import parse_policy
from noonmark.collector.view_estimate import fleet_view

MS = 10**6
ONE_MS = Budget("1ms", MS)


@pytest.mark.parametrize(
    ("text", "name", "tolerance_ns", "kind", "pattern"),
    [
        ("1ms", "1ms", MS, "", ""),
        ("0.5s", "500ms", 500 * MS, "", ""),
        ("database", "database", 500 * MS, "", ""),
        ("database=zone:quay", "database", 500 * MS, "zone", "quay"),
        ("gates:5ms=role:ticket gate", "gates", 5 * MS, "role", "ticket gate"),
        ("100us=host:quay-*", "100us", 100_000, "host", "quay-*"),
    ],
)
def test_a_rule_is_read(text: str, name: str, tolerance_ns: int, kind: str, pattern: str) -> None:
    rule = parse_rule(text)
    assert (rule.budget.name, rule.budget.tolerance_ns, rule.kind, rule.pattern) == (name, tolerance_ns, kind, pattern)
    assert parse_rule(str(rule)).budget.tolerance_ns == tolerance_ns


@pytest.mark.parametrize(
    "text", ["", "nonsense", "0ms", "-1ms", "1ms=", "1ms=quay", "1ms=zone:", "A:1ms", "x:", "9e9s"]
)
def test_a_rule_that_makes_no_sense_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(ValueError, match=r"use|give|say"):
        parse_rule(text)


def test_every_default_names_its_source_and_reads_back() -> None:
    for budget in b.DEFAULTS.values():
        assert len(budget.source) > 10
        assert parse_budget(str(budget)).tolerance_ns == budget.tolerance_ns
        assert parse_budget(budget.name) is budget


def test_the_closest_rule_counts_and_among_equals_the_first() -> None:
    rules = map(parse_rule, ("1s", "2s=zone:quay", "3s=role:gate", "4s=host:quay-*", "5s=host:quay-gate-?"))
    budgets = Budgets(tuple(rules))

    def seconds(host: str, zone: str, role: str) -> int:
        found = budgets.of(host, zone, role)
        assert found is not None
        return found.tolerance_ns // 10**9

    assert seconds("holm-db", "holm", "db") == 1
    assert seconds("x", "quay", "db") == 2
    assert seconds("x", "quay", "gate") == 3
    assert seconds("quay-gate-1", "quay", "gate") == 4
    assert Budgets((parse_rule("1s=zone:quay"),)).of("x", "holm", "") is None


def test_one_name_with_two_tolerances_is_refused() -> None:
    with pytest.raises(ValueError, match="gates stands for 5ms and for 6ms"):
        Budgets((parse_rule("gates:5ms"), parse_rule("gates:6ms=zone:quay")))


@pytest.mark.parametrize(
    ("offset", "uncertainty", "lower", "upper", "answer", "estimated"),
    [
        (0, 1_000, -MS, MS, Fitness.WITHIN, Fitness.WITHIN),
        (0, 1_000, -MS - 1, MS, Fitness.CANNOT_BE_SHOWN, Fitness.WITHIN),
        (0, 1_000, None, None, Fitness.CANNOT_BE_SHOWN, Fitness.WITHIN),
        (0, 600_000, -9 * MS, 9 * MS, Fitness.CANNOT_BE_SHOWN, Fitness.CANNOT_BE_SHOWN),
        (2 * MS, 499_999, None, None, Fitness.OUT, Fitness.OUT),
        (2 * MS, 500_000, None, None, Fitness.CANNOT_BE_SHOWN, Fitness.CANNOT_BE_SHOWN),
        (2 * MS, 900_000, MS + 1, 9 * MS, Fitness.OUT, Fitness.CANNOT_BE_SHOWN),
        (-2 * MS, 1_000, -3 * MS, -MS - 1, Fitness.OUT, Fitness.OUT),
        (999_000, 1_000, 998_000, MS, Fitness.WITHIN, Fitness.CANNOT_BE_SHOWN),
    ],
)
def test_three_answers(
    offset: int, uncertainty: int, lower: int | None, upper: int | None, answer: Fitness, estimated: Fitness
) -> None:
    assert b.fitness(MS, offset, uncertainty, lower, upper) is answer
    assert b.estimated_fitness(MS, offset, uncertainty) is estimated


def test_headroom_is_in_multiples_of_the_budget() -> None:
    view = fleet_view(build([Host("a", 250_000, uncertainty_ns=25_000.0, below_ns=300_000, above_ns=500_000)]))
    answer = b.host_budget(view.hosts[0], ONE_MS)
    assert answer.headroom == pytest.approx(0.25)
    assert answer.estimated_headroom == pytest.approx(0.7)


def test_a_silent_or_unknown_host_is_never_shown_to_be_anything() -> None:
    estimate = build([Host("a", state=HostState.STALE), unknown("b"), Host("c", 5 * MS, state=HostState.NO_ROUTE)])
    answers = b.fleet_budgets(fleet_view(estimate), Budgets((BudgetRule(ONE_MS),)))
    assert {answer.fitness for answer in answers.values()} == {Fitness.CANNOT_BE_SHOWN}
    assert {answer.headroom for answer in answers.values()} == {None}
    assert b.tally(answers.values())[Fitness.CANNOT_BE_SHOWN] == 3


def test_a_forecast_is_the_way_left_over_the_drift() -> None:
    # 1 ms of budget, half of it used, 10 ppm outward: 50 s, by hand; with 1 ppm of U(drift): 500 us over 11 and 9 ppm.
    told = b.forecast(MS, 500_000, 0.0, 10e-6, 0.5e-6)
    assert told.expected_s == pytest.approx(50)
    assert told.earliest_s == pytest.approx(500e-6 / 11e-6)
    assert told.latest_s == pytest.approx(500e-6 / 9e-6)


def test_a_forecast_inward_first_crosses_the_whole_budget() -> None:
    told = b.forecast(MS, 500_000, 0.0, -10e-6, 0.0)
    assert told.expected_s == told.earliest_s == told.latest_s == pytest.approx(150)


def test_a_clock_whose_drift_may_be_none_may_never_leave() -> None:
    told = b.forecast(MS, 0, 0.0, 1e-6, 1e-6)
    assert told.expected_s == pytest.approx(1000)
    assert told.earliest_s == pytest.approx(1000 / 3)
    assert told.latest_s == math.inf
    assert b.forecast(MS, 0, 0.0, 0.0, 0.0) == b.Forecast(math.inf, math.inf, math.inf)


def test_a_clock_that_is_out_has_left_already() -> None:
    assert b.forecast(MS, 2 * MS, 1_000.0, 1e-6, 1e-9) == b.Forecast(0.0, 0.0, 0.0)


hosts = st.builds(
    Host,
    name=st.just("a"),
    offset_ns=st.integers(-3 * MS, 3 * MS),
    uncertainty_ns=st.floats(0, 1e6),
    drift=st.floats(-1e-4, 1e-4),
    drift_uncertainty=st.floats(0, 1e-5),
    below_ns=st.one_of(st.integers(0, 3 * MS), st.just(UNBOUNDED_NS)),
    above_ns=st.one_of(st.integers(0, 3 * MS), st.just(UNBOUNDED_NS)),
    state=st.sampled_from(HostState),
)


@given(hosts)
def test_arrays_and_views_give_one_answer(host: Host) -> None:
    estimate = build([host])
    budgets = Budgets((BudgetRule(ONE_MS),))
    columns = hold(estimate, {}, budgets)
    answer = b.fleet_budgets(fleet_view(estimate), budgets)["a"]
    assert ANSWERS[columns.fitness[0]] is answer.fitness
    if answer.headroom is not None:
        assert columns.headroom[0] == pytest.approx(answer.headroom)
    else:
        assert not math.isfinite(columns.headroom[0])


@given(hosts, st.floats(0, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_no_clock_within_its_uncertainties_leaves_before_the_earliest_moment(
    host: Host, share: float, offset: float, rate: float
) -> None:
    told = b.forecast(MS, host.offset_ns, host.uncertainty_ns, host.drift, host.drift_uncertainty)
    assert told.earliest_s <= told.expected_s <= told.latest_s
    moment = share * min(told.earliest_s, 1e6)
    start = host.offset_ns + 2 * offset * host.uncertainty_ns
    speed = host.drift + 2 * rate * host.drift_uncertainty
    if told.earliest_s > 0:
        assert abs(start + speed * moment * 1e9) <= MS * (1 + 1e-9)


def test_hosts_without_a_budget_are_left_out() -> None:
    budgets = Budgets((parse_rule("1ms=zone:quay"),))
    labels = {"quay-gate-2": ("quay", "gate")}
    columns = hold(ferry(), labels, budgets)
    assert [host for host, code in zip(ferry().hosts, columns.fitness, strict=True) if code != NO_BUDGET] == [
        "quay-gate-2"
    ]
    assert ANSWERS[columns.fitness[2]] is Fitness.OUT
    assert columns.tolerance_ns.tolist() == [0, 0, MS, 0, 0, 0]


def test_arrays_choose_the_same_rule_for_each_host() -> None:
    texts = ("1s", "2s=zone:quay", "3s=role:gate", "4s=host:quay-g*", "5s=host:quay-gate-?", "6s=role:g*")
    budgets = Budgets(tuple(map(parse_rule, texts)))
    labels = {
        f"{zone}-{role}-{number}": (zone, role)
        for zone in ("quay", "holm")
        for role in ("gate", "guard", "berth")
        for number in (1, 22)
    }
    hosts = (*labels, "nobody")
    chosen = [budgets.of(host, *labels.get(host, ("", ""))) for host in hosts]
    assert [budgets.all[row] for row in assign(hosts, labels, budgets)] == chosen
    assert assign(hosts, labels, Budgets()).tolist() == [-1] * len(hosts)


def test_a_slip_in_a_ready_made_name_is_answered_with_the_nearest() -> None:
    with pytest.raises(ValueError, match=r"^did you mean database\? Else give datbase a span"):
        parse_budget("datbase")
    with pytest.raises(ValueError, match=r"^did you mean rts25-hft"):
        parse_policy("rts25-hf")
