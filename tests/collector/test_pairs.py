"""Any two clocks against each other: tighter than the sum, and honest as they age."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SECOND_NS, START_NS, Host, Path, build, ferry
from fleets import solved

from noonmark.collector.estimate import Finding, FindingKind, PathState
from noonmark.collector.pairs import DRIFT_LIMIT, WANDER, compare, pair_variance

CHAIN = [Host("a", 0), Host("b", 1_000, 2e-6), Host("c", 1_500, -1e-6), Host("d", -700)]
LINKS = [
    Path("a", "b", 1_000, 300.0, 4_000, 5_000),
    Path("b", "c", 500, 400.0, 6_000, 7_000),
    Path("c", "d", -2_200, 1_200.0, 8_000, 9_000),
]


def test_chain_adds_variances_and_limits() -> None:
    estimate = build(CHAIN, LINKS, references=["a"])
    assert pair_variance(estimate, 1, 3) == pytest.approx(400.0**2 + 1_200.0**2)
    pair = compare(estimate, "d", "b")
    assert pair.offset_ns == -1_700
    assert pair.lower_ns == -1_700 - (6_000 + 8_000)
    assert pair.upper_ns == -1_700 + (7_000 + 9_000)
    turned = compare(estimate, "b", "d")
    assert (turned.offset_ns, turned.lower_ns, turned.upper_ns) == (1_700, -pair.upper_ns, -pair.lower_ns)
    assert turned.drift == -pair.drift


def test_parallel_ways_are_surer_and_tighter_than_either() -> None:
    straight = build(CHAIN, LINKS, references=["a"])
    looped = build(CHAIN, [*LINKS, Path("b", "d", -1_650, 1_200.0, 9_000, 9_000)], references=["a"])
    assert pair_variance(looped, 1, 3) < pair_variance(straight, 1, 3)
    pair, wider = compare(looped, "d", "b"), compare(straight, "d", "b")
    assert pair.upper_ns - pair.lower_ns < wider.upper_ns - wider.lower_ns


def test_pair_is_tighter_than_the_sum_of_its_hosts() -> None:
    case = solved("three-zones", 0)
    for a, b in [(3, 9), (14, 20), (7, 8)]:
        pair = compare(case.estimate, case.estimate.hosts[a], case.estimate.hosts[b])
        lower, upper = case.estimate.lower_ns, case.estimate.upper_ns
        assert pair.upper_ns - pair.lower_ns <= (upper[a] - lower[a]) + (upper[b] - lower[b])
        assert pair.lower_ns <= case.true_ns[a] - case.true_ns[b] <= pair.upper_ns


def test_host_against_itself_is_exactly_nothing() -> None:
    pair = compare(ferry(), "holm-db-1", "holm-db-1", at_ns=START_NS + 900 * SECOND_NS)
    assert (pair.offset_ns, pair.uncertainty_ns, pair.lower_ns, pair.upper_ns, pair.drift) == (0, 0, 0, 0, 0.0)


def test_host_against_the_reference_is_its_own_row() -> None:
    estimate = ferry()
    pair = compare(estimate, "holm-db-1", None)
    assert (pair.offset_ns, pair.uncertainty_ns) == (-3_120, 700)
    assert (pair.lower_ns, pair.upper_ns) == (-18_120, 12_880)
    assert pair.measured_ns == estimate.at_ns


@pytest.mark.parametrize("away_s", [-200, 50, 4_000])
def test_away_from_the_estimates_instant_it_follows_the_drift_and_widens(away_s: int) -> None:
    estimate = build(CHAIN, LINKS, references=["a"])
    now, then = compare(estimate, "b", "c"), compare(estimate, "b", "c", at_ns=START_NS + away_s * SECOND_NS)
    moved = 3_000 * away_s
    assert then.offset_ns == now.offset_ns + moved
    widened = 2 * DRIFT_LIMIT * abs(away_s) * 1e9
    assert then.upper_ns == pytest.approx(now.upper_ns + moved + widened, abs=1)
    assert then.lower_ns == pytest.approx(now.lower_ns + moved - widened, abs=1)
    # Each clock's drift uncertainty is 1e-8, and it may wander by as much.
    grown = 2 * (1e-8**2 + WANDER**2) * (away_s * 1e9) ** 2
    assert then.uncertainty_ns == pytest.approx(np.sqrt(now.uncertainty_ns**2 + grown), rel=0.01)


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [
        ("nobody", None, "no probe of nobody was recorded"),
        ("holm-db-1", "nobody", "no probe of nobody was recorded"),
        ("skerry-gate-1", None, "no chain of probes leads to the reference"),
        ("skerry-gate-1", "holm-db-1", "no chain of probes joins skerry-gate-1 and holm-db-1"),
    ],
)
def test_what_is_not_known_is_said_to_be_so(a: str, b: str | None, reason: str) -> None:
    pair = compare(ferry(), a, b)
    assert not pair.known
    assert reason in pair.reason


def test_contradicted_and_asymmetric_paths_do_not_count() -> None:
    bad = Path("b", "d", 90_000, 10.0, 20, 20, state=PathState.ASYMMETRIC)
    with_it, without = build(CHAIN, [*LINKS, bad]), build(CHAIN, LINKS)
    assert pair_variance(with_it, 1, 3) == pytest.approx(pair_variance(without, 1, 3), rel=0.01)


def test_findings_of_either_host_come_along() -> None:
    findings = [
        Finding(FindingKind.STEP, 1, "", host="b"),
        Finding(FindingKind.STEP, 2, "", host="d"),
        Finding(FindingKind.ASYMMETRIC_PATH, 3, "", path=("c", "a")),
    ]
    estimate = build(CHAIN, LINKS, references=["a"], findings=findings)
    assert [finding.at_ns for finding in compare(estimate, "b", "c").findings] == [1, 3]
    assert [finding.at_ns for finding in compare(estimate, "d", None).findings] == [2]
