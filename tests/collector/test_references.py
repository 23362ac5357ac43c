from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reports import NOW, server, status

from noonmark.collector.estimate import Reference
from noonmark.collector.references import (
    FREE_RUN_UNCERTAINTY_NS,
    MOST_ROOM,
    from_status,
    live_references,
    resting_on,
    settled,
)
from noonmark.collector.reported import Reported
from noonmark.proto.oscillators import OscillatorClass, holdover_uncertainty
from noonmark.proto.reference import ReferenceState, SourceReport, Verdict

HOLDOVER, FREE_RUN = ReferenceState.HOLDOVER, ReferenceState.FREE_RUN


def live(
    configured: list[Reference], reports: dict[str, Reported], before: tuple[Reference, ...] = (), **options: bool
) -> tuple[Reference, ...]:
    return live_references(configured, reports, {one.host: one for one in before}, now=NOW, **options)


def test_a_reference_that_tells_nothing_stays_as_declared() -> None:
    declared = Reference("quay", 100.0, 500.0)
    assert live([declared], {}) == (declared,)
    assert live([Reference("quay")], {"holm": status()}) == (Reference("quay"),)


def test_a_locked_reference_is_as_sure_as_its_receiver() -> None:
    (found,) = live([Reference("quay")], {"quay": status()})
    assert 100 <= found.uncertainty_ns <= 250
    assert 500 <= found.limit_ns <= 1_250
    assert found.drift_uncertainty_ppb == 0


def test_what_the_operator_declares_stays_the_least() -> None:
    (found,) = live([Reference("quay", 900.0, 9_000.0)], {"quay": status()})
    assert (found.uncertainty_ns, found.limit_ns) == (900.0, 9_000.0)


def test_holdover_grows_by_the_oscillator_while_nothing_is_heard() -> None:
    heard = status(HOLDOVER, uncertainty_ns=300, limit_ns=1_000, lasted_s=600.0, age_s=100.0).reference
    assert heard is not None
    found = from_status("quay", heard, NOW)
    wandered = holdover_uncertainty(OscillatorClass.OCXO, 100.0)
    assert found.uncertainty_ns == pytest.approx(math.hypot(300, wandered))
    assert found.limit_ns == pytest.approx(1_000 + 5 * wandered)
    assert found.drift_uncertainty_ppb == pytest.approx(0.6, abs=0.1), (
        "an ocxo's 1e-9 over temperature, as a standard one"
    )


def test_a_locked_agent_that_fell_silent_vouches_for_less_and_less() -> None:
    ages = [from_status("quay", heard, NOW).uncertainty_ns for heard in heards(0.0, 60.0, 3600.0)]
    assert ages == sorted(ages)
    assert ages[-1] > 10 * ages[0]


def heards(*ages: float) -> list:  # type: ignore[type-arg]
    return [status(age_s=age).reference for age in ages]


@pytest.mark.parametrize("told", [status(FREE_RUN, uncertainty_ns=None, limit_ns=None), status(uncertainty_ns=None)])
def test_a_free_running_reference_has_no_limit(told: Reported) -> None:
    (found,) = live([Reference("quay", 100.0, 500.0)], {"quay": told})
    assert found.uncertainty_ns >= FREE_RUN_UNCERTAINTY_NS
    assert found.limit_ns == math.inf


def test_servers_and_hosts_with_sources_are_references_only_if_wanted() -> None:
    reports = {
        "quay": status(sources=(server("ntp:127.0.0.1"),)),
        "holm": status(FREE_RUN, uncertainty_ns=None),
        "berth": Reported(),
    }
    assert live([], reports) == ()
    found = live([], reports, take_reported=True)
    assert [one.host for one in found] == ["ntp:127.0.0.1", "quay"], "who runs free is none"
    both = live([Reference("quay", 1e6, 1e7)], reports, take_reported=True)
    assert [one.host for one in both] == ["quay", "ntp:127.0.0.1"]
    assert both[0].uncertainty_ns == 1e6


def test_a_server_is_as_sure_as_it_says_and_less_with_age() -> None:
    named = [Reference("ntp:a")]
    (young,) = live(named, {"quay": status(sources=(server("ntp:a"),))})
    (old,) = live(named, {"quay": status(sources=(server("ntp:a", age_ns=200 * 10**9),))})
    assert young.limit_ns >= 5_000_000
    assert old.limit_ns > young.limit_ns
    assert old.limit_ns >= 8_000_000, "15 ppm over 200 s"
    (gone,) = live(named, {"quay": status(sources=(server("ntp:a", age_ns=400 * 10**9),))})
    assert gone.limit_ns == math.inf
    assert live(named, {}) == (Reference("ntp:a"),), "nobody asks it: it stays as declared"


def test_a_server_that_most_agents_find_false_is_not_believed() -> None:
    false, true = server("ntp:a", verdict=Verdict.FALSETICKER), server("ntp:a")
    named = [Reference("ntp:a")]
    (doubted,) = live(
        named, {"q": status(sources=(false,)), "h": status(sources=(false,)), "b": status(sources=(true,))}
    )
    assert doubted.limit_ns == math.inf
    (believed,) = live(named, {"q": status(sources=(false,)), "h": status(sources=(true,))})
    assert believed.limit_ns < math.inf


def test_no_one_agent_makes_a_server_surer_than_the_others_hear_it_say() -> None:
    def said(limit_ns: int, age_s: int) -> SourceReport:
        return replace(
            server("ntp:a", age_ns=age_s * 10**9), declared_limit_ns=limit_ns, declared_uncertainty_ns=limit_ns // 3
        )

    honest = {"quay": status(sources=(said(5_000_000, 5),)), "holm": status(sources=(said(5_100_000, 5),))}
    for lie_ns in (1, 10**15):
        stuffed = status(sources=(said(lie_ns, 0),) * 64)
        (found,) = live([Reference("ntp:a")], {**honest, "skerry": stuffed})
        assert 5_000_000 <= found.limit_ns <= MOST_ROOM * 5_200_000
        assert 1_600_000 <= found.uncertainty_ns <= MOST_ROOM * 1_800_000


def test_a_host_is_not_made_a_reference_by_another_that_calls_it_a_server() -> None:
    found = live([], {"skerry": status(FREE_RUN, sources=(server("holm-db-1"),))}, take_reported=True)
    assert found == ()


def test_numbers_stay_as_long_as_they_are_enough() -> None:
    first = live([Reference("quay")], {"quay": status(uncertainty_ns=100)})
    for wobble in (60, 80, 100, 120):
        assert live([Reference("quay")], {"quay": status(uncertainty_ns=wobble)}, first) == first
    more = live([Reference("quay")], {"quay": status(uncertainty_ns=200)}, first)
    assert more[0].uncertainty_ns > first[0].uncertainty_ns


def test_a_day_of_holdover_changes_the_declared_numbers_seldom() -> None:
    before: tuple[Reference, ...] = ()
    changes = 0
    for lasted in range(0, 86_400, 5):
        grown = 100 + round(holdover_uncertainty(OscillatorClass.OCXO, float(lasted)))
        told = status(HOLDOVER, uncertainty_ns=grown, limit_ns=5 * grown, lasted_s=lasted)
        found = live([Reference("quay")], {"quay": told}, before)
        changes += found != before
        before = found
    assert changes < 60


@given(st.floats(1e-3, 1e15), st.floats(0, 1e15))
def test_a_settled_number_is_enough_and_not_far_too_much(needed: float, before: float) -> None:
    found = settled(needed, before)
    assert needed <= found <= max(MOST_ROOM, 1.25 * 10 ** (1 / 8)) * needed * 1.000001


def test_nothing_needed_and_no_limit_stay() -> None:
    assert settled(0.0, 5.0) == 0.0
    assert settled(math.inf, 5.0) == math.inf


def test_numbers_rest_on_the_best_state_that_a_reference_tells() -> None:
    locked, holdover = status(), status(ReferenceState.HOLDOVER)
    both = (Reference("a"), Reference("b"))
    assert resting_on(both, {"a": holdover, "b": locked}) == "locked"
    assert resting_on(both, {"a": holdover, "b": Reported()}) == "holdover"
    assert resting_on(both, {"c": locked}) == ""
    assert resting_on((), {"a": locked}) == ""
