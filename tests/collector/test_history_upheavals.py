"""Changes of rate in the past: which ticks are not believed, and that limits hold the truth all the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS
from courses import FERRY, TICK_NS, estimate_of

from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate
from noonmark.collector.history import open_history
from noonmark.collector.history_upheavals import SLEW, WITHIN_NS, Change, Upheaval, rates_between, sort_out

REACH_NS = 60 * SECOND_NS
STEP, RATE, SUSPEND = FindingKind.STEP, FindingKind.FREQUENCY_CHANGE, FindingKind.SUSPEND


def change(kind: FindingKind, at: float, seen: float, within: float = 0.0, rate: float = 0.0) -> Change:
    return Change(kind, *(round(each * SECOND_NS) for each in (at, seen, within)), rate)


def test_settings_alone_stay_settings() -> None:
    found = [change(STEP, 100, 110, 4), change(SUSPEND, 300, 300)]
    assert sort_out(found, REACH_NS) == (found, [])


def test_a_change_of_rate_is_an_upheaval_of_its_own_size() -> None:
    settings, (one,) = sort_out([change(RATE, 100, 115, 10, -3e-6)], REACH_NS)
    assert (settings, one) == ([], Upheaval(90 * SECOND_NS, 115 * SECOND_NS, 3e-6))


def test_steps_inferred_beside_a_change_of_rate_may_have_been_a_slew() -> None:
    """As a slew of 13 s was told of while the window moved across it."""
    told = [change(RATE, 145, 160, 10, 5e-4), change(STEP, 155, 175, 3), change(RATE, 164, 195, 10, -5e-4)]
    settings, (one,) = sort_out(told, REACH_NS)
    assert (settings, one) == ([], Upheaval(135 * SECOND_NS, 195 * SECOND_NS, SLEW))


def test_what_a_host_told_of_itself_stays_a_setting() -> None:
    exact = change(STEP, 150, 150)
    settings, upheavals = sort_out([change(RATE, 145, 160, 10, 2e-6), exact], REACH_NS)
    assert (settings, [one.rate for one in upheavals]) == ([exact], [2e-6])


def test_what_lies_far_apart_is_told_apart() -> None:
    settings, upheavals = sort_out([change(RATE, 100, 115, 10, 2e-6), change(STEP, 300, 310, 3)], REACH_NS)
    assert (len(settings), len(upheavals)) == (1, 1)


def test_rates_count_where_stretches_touch_an_upheaval() -> None:
    upheavals = [Upheaval(10, 20, 1e-6), Upheaval(18, 30, 2e-6)]
    before, after = np.array([0, 0, 12, 20, 30]), np.array([10, 11, 19, 40, 50])
    assert rates_between(before, after, upheavals) == pytest.approx([0.0, 1e-6, 3e-6, 2e-6, 0.0])


TURNED = 62
"""Second at which the gate begins to run faster, or to be slewed."""


def _course(at_ns: int, rate: float, until: float) -> float:
    """What the turn adds to the gate's error, ns."""
    since = at_ns / SECOND_NS - START_NS / SECOND_NS - TURNED
    return rate * min(max(since, 0.0), until) * 1e9


def _ticks(rate: float, until: float, told: dict[int, list[Finding]], mixed: range) -> list[FleetEstimate]:
    """Ticks each 5 s; within `mixed` seconds the estimates of the gate know nothing of the turn, and are wrong."""
    random, made = np.random.default_rng(4), []
    for number in range(60):
        at_ns = START_NS + number * TICK_NS
        second = number * TICK_NS // SECOND_NS
        estimate = estimate_of(FERRY, at_ns, random, findings=told.get(second, []))
        if second not in mixed:
            moved = round(_course(at_ns, rate, until))
            columns = {name: getattr(estimate, name).copy() for name in ("offset_ns", "lower_ns", "upper_ns")}
            for column in columns.values():
                column[1] += moved
            drift = estimate.drift.copy()
            drift[1] += rate if TURNED < second < TURNED + until else 0.0
            estimate = replace(estimate, drift=drift, **columns)
        made.append(estimate)
    return made


@pytest.mark.parametrize(
    ("rate", "until", "kinds"),
    [(20e-6, 1e9, ((RATE, 63, 80),)), (SLEW, 13.0, ((RATE, 57, 75), (STEP, 68, 90), (RATE, 77, 95)))],
)
def test_truth_is_inside_while_a_clock_changes_its_rate(
    tmp_path: Path, rate: float, until: float, kinds: tuple[tuple[FindingKind, int, int], ...]
) -> None:
    gate = FERRY[1]
    told: dict[int, list[Finding]] = {}
    for kind, second, seen in kinds:
        evidence = {"within_s": 3.0} if kind is STEP else {"change_ppb": rate * 1e9}
        size = 6_500_000 if kind is STEP else None
        at_ns = START_NS + second * SECOND_NS
        told[seen] = [Finding(kind, at_ns, "changed", gate.name, size_ns=size, evidence=evidence)]
    start_ns = min(kind[1] for kind in kinds) * SECOND_NS - WITHIN_NS
    last_good, first_good = START_NS + start_ns // TICK_NS * TICK_NS, START_NS + max(told) * SECOND_NS
    with open_history(tmp_path / "history") as history:
        for estimate in _ticks(rate, until, told, range(TURNED, max(told))):
            history.append(estimate)
        instants = START_NS + np.arange(30 * SECOND_NS, 200 * SECOND_NS, SECOND_NS // 2)
        for at_ns in instants.tolist():
            truth = gate.error_ns(at_ns) + _course(at_ns, rate, until)
            one = history.at(gate.name, at_ns)
            assert one.known
            assert one.lower_ns <= truth <= one.upper_ns, (at_ns - START_NS) / 1e9
            pair = history.pair_at(gate.name, FERRY[3].name, at_ns)
            assert pair.lower_ns <= truth - FERRY[3].error_ns(at_ns) <= pair.upper_ns, (at_ns - START_NS) / 1e9
            assert ("changing its rate" in one.reason) == (last_good < at_ns < first_good), (at_ns - START_NS) / 1e9
            other = history.at(FERRY[2].name, at_ns)
            assert other.upper_ns - other.lower_ns < 200_000, "no other host is told less surely for it"
        course = list(history.course(gate.name, None, START_NS, START_NS + 200 * SECOND_NS))
        for one in course:
            assert one.lower_ns <= gate.error_ns(one.at_ns) + _course(one.at_ns, rate, until) <= one.upper_ns
