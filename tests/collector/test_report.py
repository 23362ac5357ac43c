"""Evidence: shares of time, peaks, gaps, policies and chains."""

from __future__ import annotations

import itertools
import math

import networkx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.budgets import Budget, Fitness, estimated_fitness, fitness
from noonmark.collector.report import HostEvidence, Peak, Shares, host_evidence, largest
from noonmark.collector.report_chain import chains
from noonmark.collector.report_policies import POLICIES, parse_policy, policies_of
from noonmark.collector.report_samples import Samples, from_course, joined
from noonmark.collector.views import PairView, PathView

SECOND = 10**9
T0 = 1_795_564_800 * SECOND
POLICY = Budget("gates", 1_000)
Row = tuple[float, float, float, float, float]


def samples(*rows: Row, measured: tuple[bool, ...] | None = None) -> Samples:
    """(second, offset, uncertainty, lower, upper)."""
    columns = np.array(rows, np.float64).reshape(-1, 5).T
    return Samples(
        T0 + np.rint(columns[0] * SECOND).astype(np.int64),
        np.ones(len(rows), np.bool_) if measured is None else np.array(measured, np.bool_),
        *columns[1:],
    )


def held(found: Samples, until: float, *, since: float = 0, reach: float = 10) -> HostEvidence:
    start, end = T0 + round(since * SECOND), T0 + round(until * SECOND)
    return host_evidence("gate", found, POLICY, start, end, reach_ns=round(reach * SECOND))


def test_time_is_shared_out_by_what_each_moment_shows() -> None:
    found = held(
        samples(
            (0, 100, 10, -500, 700),  # within: limits inside
            (10, 100, 10, -5_000, 700),  # by estimate
            (20, 990, 10, -5_000, 5_000),  # neither: 990 + 20 passes 1000
            (30, 1_500, 10, -5_000, 5_000),  # out by estimate
            (40, 1_500, 800, 1_001, 5_000),  # out certainly
        ),
        50,
    )
    ten = 10 * SECOND
    assert found.shares == Shares(ten, ten, ten, 2 * ten, 0)
    assert found.shares.total_ns == 50 * SECOND
    assert found.estimated == Peak(1_500, T0 + 30 * SECOND)
    assert found.with_uncertainty == Peak(3_100, T0 + 40 * SECOND)
    assert found.certain == Peak(5_000, T0 + 10 * SECOND)
    assert found.gap_count == 0


def test_gaps_before_between_and_after() -> None:
    found = held(samples((20, 0, 1, -5, 5), (25, 0, 1, -5, 5), (60, 0, 1, -5, 5)), 100)
    told = [((start - T0) / SECOND, (end - T0) / SECOND) for start, end in found.gaps]
    assert told == [(0, 20), (35, 60), (70, 100)]
    assert found.shares.gap_ns == 75 * SECOND
    assert found.shares.within_ns == 25 * SECOND


def test_a_moment_that_was_not_measured_is_a_gap_and_no_peak() -> None:
    found = held(samples((0, 1, 1, -5, 5), (5, 9e9, 1, -5, 5), (10, 1, 1, -5, 5), measured=(True, False, True)), 15)
    assert found.gaps == ((T0 + 5 * SECOND, T0 + 10 * SECOND),)
    assert found.estimated is not None
    assert found.estimated.value_ns == 1
    assert found.samples == 2


def test_without_any_moment_all_is_a_gap() -> None:
    found = held(joined([]), 30)
    assert found.shares == Shares(gap_ns=30 * SECOND)
    assert (found.estimated, found.certain, found.samples) == (None, None, 0)
    assert found.gaps == ((T0, T0 + 30 * SECOND),)


def test_a_moment_without_limits_leaves_no_certain_bound() -> None:
    found = held(samples((0, 1, 1, -5, 5), (5, 1, 1, -5, math.inf)), 10)
    assert found.certain is None
    assert found.estimated is not None
    assert (found.shares.within_ns, found.shares.within_by_estimate_ns) == (5 * SECOND, 5 * SECOND)


moments = st.lists(
    st.tuples(
        st.floats(0, 100),
        st.floats(-5_000, 5_000),
        st.floats(0, 1_000),
        st.floats(0, 4_000),
        st.floats(0, 4_000),
        st.booleans(),
    ),
    max_size=30,
)


@given(moments, st.floats(0.1, 50))
def test_the_shares_are_the_whole_and_agree_with_budgets(rows: list, reach: float) -> None:
    rows = sorted(rows)
    found = samples(
        *[(at, offset, u, offset - low, offset + high) for at, offset, u, low, high, _ in rows],
        measured=tuple(row[-1] for row in rows),
    )
    evidence = held(found, 100, reach=reach)
    shares = evidence.shares
    assert shares.total_ns == 100 * SECOND
    assert min(shares.within_ns, shares.within_by_estimate_ns, shares.not_shown_ns, shares.out_ns, shares.gap_ns) >= 0
    assert sum(end - start for start, end in evidence.gaps) == shares.gap_ns
    assert all(end > start for start, end in evidence.gaps)
    assert all(one[1] < other[0] for one, other in itertools.pairwise(evidence.gaps))
    answers = {
        (fitness(1_000, offset, u, offset - low, offset + high), estimated_fitness(1_000, offset, u))
        for _, offset, u, low, high, known in rows
        if known
    }
    if shares.within_ns:
        assert any(answer is Fitness.WITHIN for answer, _ in answers)
    if shares.out_ns:
        assert any(answer is Fitness.OUT for answer, _ in answers)
    if shares.within_by_estimate_ns:
        assert (Fitness.CANNOT_BE_SHOWN, Fitness.WITHIN) in answers


def test_a_course_from_a_collector_becomes_the_same_columns() -> None:
    points = [
        PairView("a", None, T0, True, "", 5, 2, -10, 20),
        PairView("a", None, T0 + 1, False, "why"),
        PairView("a", None, T0 + 2, True, "", 7, 2, None, None),
    ]
    found = from_course(points)
    assert found.measured.tolist() == [True, False, True]
    assert found.lower_ns.tolist()[0] == -10
    assert found.upper_ns.tolist()[2] == math.inf
    assert len(from_course([])) == 0


def test_the_largest_of_several_is_known_only_if_all_are() -> None:
    assert largest([Peak(5, 1), Peak(7, 2)]) == Peak(7, 2)
    assert largest([Peak(5, 1), None]) is None
    assert largest([]) is None


@pytest.mark.parametrize(
    ("name", "tolerance_ns", "granularity_ns"),
    [
        # Commission Delegated Regulation (EU) 2017/574, annex, tables 1 and 2.
        ("rts25-venue", 10**6, 10**6),
        ("rts25-venue-fast", 10**5, 10**3),
        ("rts25-hft", 10**5, 10**3),
        ("rts25-voice", 10**9, 10**9),
        ("rts25-rfq", 10**9, 10**9),
        ("rts25-negotiated", 10**9, 10**9),
        ("rts25-other", 10**6, 10**6),
        # 17 CFR 242.613(d), FINRA rules 4590 and 6820: 50 ms, millisecond stamps.
        ("us-audit-trail", 50 * 10**6, 10**6),
    ],
)
def test_policies_have_the_figures_of_their_texts(name: str, tolerance_ns: int, granularity_ns: int) -> None:
    assert (POLICIES[name].tolerance_ns, POLICIES[name].granularity_ns) == (tolerance_ns, granularity_ns)
    assert POLICIES[name].source
    assert "check them against" in POLICIES[name].checked
    assert parse_policy(name).budget.tolerance_ns == tolerance_ns


def test_policies_are_written_as_rules() -> None:
    rules = policies_of(("rts25-hft=role:gateway", "gates:5ms=host:gate-*", "us-audit-trail"))
    assert rules.of("x", "", "gateway").name == "rts25-hft"
    assert rules.of("gate-7").tolerance_ns == 5 * 10**6
    assert rules.of("anyone").name == "us-audit-trail"
    with pytest.raises(ValueError, match="'rts99': use one of rts25-venue"):
        policies_of(("rts99",))
    with pytest.raises(ValueError, match="zone:NAME"):
        policies_of(("rts25-hft=gateways",))


def path(source: str, destination: str, round_trip_ns: int, state: str = "closed") -> PathView:
    return PathView(source, destination, 9, round_trip_ns, 0, state)


def test_a_chain_leads_by_the_least_round_trips() -> None:
    found = chains(
        ["ref", "a", "b", "island"],
        ["ref"],
        [path("a", "ref", 100), path("b", "ref", 500), path("a", "b", 50), path("b", "a", 70)],
    )
    assert [step.host for step in found[2].steps] == ["a", "ref"]
    assert found[2].asymmetry_limit_ns == 75
    assert (found[0].reference, found[0].steps) == ("ref", ())
    assert (found[3].reference, found[3].steps) == (None, ())


def test_a_contradicted_path_is_no_link_of_a_chain() -> None:
    (found,) = chains(["a"], ["ref"], [path("a", "ref", 1, "contradicted"), path("a", "b", 5), path("ref", "b", 5)])
    assert [step.host for step in found.steps] == ["b", "ref"]


@given(
    st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7), st.integers(1, 1000)), min_size=1, max_size=30),
    st.sets(st.integers(0, 7), min_size=1, max_size=3),
)
def test_chains_are_shortest_paths_as_networkx_finds_them(edges: list, references: set) -> None:
    graph = networkx.Graph()
    paths = []
    for a, b, weight in edges:
        if a == b:
            continue
        paths.append(path(f"h{a}", f"h{b}", weight))
        known = graph.get_edge_data(f"h{a}", f"h{b}", {"weight": weight})["weight"]
        graph.add_edge(f"h{a}", f"h{b}", weight=min(weight, known))
    roots = {f"h{number}" for number in references}
    graph.add_nodes_from(roots)
    distance = networkx.multi_source_dijkstra_path_length(graph, roots)
    for chain in chains([f"h{number}" for number in range(8)], roots, paths):
        if chain.host in distance:
            assert sum(step.min_round_trip_ns for step in chain.steps) == distance[chain.host]
            assert chain.reference in roots
        else:
            assert chain.reference is None
