from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import START_NS, Host, build, ferry, unknown
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import view_messages
from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, PairEstimate
from noonmark.collector.view_estimate import fleet_view, pair_view
from noonmark.collector.views import FindingView, largest_difference

STEP = Finding(FindingKind.STEP, START_NS - 5, "quay-gate-2 was set 1 ms ahead", host="quay-gate-2", size_ns=1_000_000)
SKEWED = Finding(
    FindingKind.ASYMMETRIC_PATH,
    START_NS,
    "one direction takes longer",
    path=("quay-gate-2", "holm-db-1"),
    evidence={"residual_ns": 13_120.0},
)


def test_what_is_not_known_is_none() -> None:
    view = fleet_view(ferry())

    lost = next(host for host in view.hosts if host.host == "skerry-gate-1")
    assert (lost.state, lost.offset_ns, lost.uncertainty_ns, lost.lower_ns, lost.drift) == ("no-route",) + (None,) * 4
    assert not lost.known


def test_uncertainty_is_rounded_up_and_age_counted_from_the_instant() -> None:
    (host,) = fleet_view(build([Host("quay-db", uncertainty_ns=10.2, age_ns=1_500)])).hosts

    assert host.uncertainty_ns == 11
    assert host.heard_ns == 1_500


def test_paths_are_listed_once_for_each_direction_that_was_asked() -> None:
    view = fleet_view(ferry())
    pairs = [(path.source, path.destination, path.residual_ns) for path in view.paths]

    assert ("quay-ref", "quay-gate-2", 0) in pairs
    assert ("quay-gate-2", "quay-ref", 0) not in pairs
    assert ("quay-gate-2", "holm-db-1", 13_120) in pairs
    assert ("holm-db-1", "quay-gate-2", -13_120) in pairs


def test_a_finding_concerns_its_host_or_either_end_of_its_path() -> None:
    step, skewed = fleet_view(ferry(findings=[STEP, SKEWED])).findings

    assert step.concerns("quay-gate-2", None)
    assert not step.concerns("holm-db-1", None)
    assert skewed.concerns("holm-db-1")
    assert not skewed.concerns("quay-ref", "skerry-ref")
    assert not FindingView("left-out", START_NS, "3 rows left out").concerns("quay-ref", None)


def test_views_survive_the_wire() -> None:
    view = fleet_view(ferry(findings=[STEP, SKEWED]), labels={"quay-ref": ("quay", "reference")}, notes=("aged",))

    message = view_messages.fleet_to_message(view)
    received = view_messages.fleet_from_message(type(message).FromString(message.SerializeToString()))

    assert received == view


@pytest.mark.parametrize(
    "pair",
    [
        PairEstimate("a", None, START_NS, False, "no chain of probes leads from a to the reference"),
        PairEstimate("a", "b", START_NS, True, "", -5, 3, -9, 2, 1e-6, START_NS - 7, (STEP,)),
        PairEstimate("a", "b", START_NS, True, "no limit above", 5, 3, -9, UNBOUNDED_NS, 0.0, START_NS),
    ],
)
def test_pairs_survive_the_wire(pair: PairEstimate) -> None:
    view = pair_view(pair)

    message = view_messages.pair_to_message(view)

    assert view_messages.pair_from_message(type(message).FromString(message.SerializeToString())) == view


def test_largest_difference_names_both_ends_and_says_its_limits() -> None:
    largest = largest_difference(fleet_view(ferry()))

    assert largest is not None
    assert (largest.ahead, largest.behind) == ("quay-gate-2", "holm-db-1")
    assert largest.difference_ns == 1_840_000 + 3_120
    assert largest.upper_ns == 1_840_000 + 250_000 - (52_000 - 90_000)
    assert largest.lower_ns == (1_840_000 - 210_000) - 0


def test_largest_difference_has_no_upper_limit_where_one_host_has_none() -> None:
    estimate = build([Host("a"), Host("b", 5), Host("c", 1, above_ns=UNBOUNDED_NS)])
    largest = largest_difference(fleet_view(estimate))

    assert largest is not None
    assert largest.upper_ns is None


def test_largest_difference_needs_two_known_hosts() -> None:
    assert largest_difference(fleet_view(build([Host("a"), unknown("b")]))) is None


@given(st.lists(st.tuples(st.integers(-(10**9), 10**9), st.integers(0, 10**6), st.integers(0, 10**6)), min_size=2))
def test_largest_difference_of_any_truth_lies_within_its_limits(rows: list[tuple[int, int, int]]) -> None:
    hosts = [Host(f"h{i}", offset, below_ns=below, above_ns=above) for i, (offset, below, above) in enumerate(rows)]
    estimate = build(hosts)
    largest = largest_difference(fleet_view(estimate))
    assert largest is not None

    for share in (0.0, 0.3, 1.0):
        width = estimate.upper_ns - estimate.lower_ns
        weights = np.where(np.arange(len(rows)) % 2, share, 1 - share)
        truth = estimate.lower_ns + (width * weights).astype(np.int64)
        spread = int(truth.max() - truth.min())
        assert largest.upper_ns is not None
        assert largest.lower_ns <= spread <= largest.upper_ns
    every = replace(estimate, offset_ns=np.zeros_like(estimate.offset_ns))
    alike = largest_difference(fleet_view(every))
    assert alike is not None
    assert alike.difference_ns == 0
    assert alike.ahead != alike.behind
