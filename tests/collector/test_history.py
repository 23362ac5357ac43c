from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS, Host, build
from courses import FERRY, TICK_NS, Clock, estimate_of, ticks
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.collector import history_answers as answers
from noonmark.collector.common_error import leaning_on
from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, FleetEstimate, HostState, Reference
from noonmark.collector.history import History, HistoryError, Retention, open_history

HOUR_NS = 3600 * SECOND_NS
SLOW_NS = 30 * SECOND_NS
"""Ticks at this pace have no gaps either, and an hour needs only 120."""
DAY_NS = 24 * HOUR_NS
GATE, DATABASE = FERRY[1], FERRY[2]


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with open_history(tmp_path / "history") as opened:
        yield opened


def fill(history: History, estimates: Iterator[FleetEstimate] | list[FleetEstimate]) -> list[FleetEstimate]:
    kept = list(estimates)
    for estimate in kept:
        assert history.append(estimate)
    return kept


def test_an_empty_history_knows_nothing_and_says_so(history: History) -> None:
    assert history.span() is None
    assert history.hosts() == ()
    assert history.estimate_at(START_NS) is None
    assert history.at("quay-ref", START_NS).reason == "the history is empty"
    assert list(history.findings(0, START_NS)) == []


def test_a_tick_is_told_exactly_while_it_is_fresh(history: History) -> None:
    estimate = fill(history, ticks(3))[1]

    for row, host in enumerate(estimate.hosts):
        told = history.at(host, estimate.at_ns)
        assert told.known
        assert told.reason == ""
        assert told.offset_ns == estimate.offset_ns[row]
        assert (told.lower_ns, told.upper_ns) == (estimate.lower_ns[row], estimate.upper_ns[row])
        assert told.uncertainty_ns == np.ceil(estimate.uncertainty_ns[row])
        assert told.drift == pytest.approx(estimate.drift[row], abs=1e-15)
        assert told.measured_ns == estimate.at_ns


def test_the_whole_estimate_comes_back(history: History) -> None:
    first = fill(history, ticks(3))[0]

    found = history.estimate_at(first.at_ns)

    assert found is not None
    order = [found.index(host) for host in first.hosts]
    assert found.references == first.references
    assert found.at_ns == first.at_ns
    assert found.window_ns == first.window_ns
    for name in ("offset_ns", "lower_ns", "upper_ns", "newest_ns", "component"):
        assert np.array_equal(getattr(found, name)[order], getattr(first, name)), name
    assert np.allclose(found.uncertainty_ns[order], first.uncertainty_ns, atol=1e-3)
    assert [found.state[row] for row in order] == list(first.state)
    pairs = {
        frozenset((first.hosts[a], first.hosts[b])): row
        for row, (a, b) in enumerate(zip(first.paths.first, first.paths.second, strict=True))
    }
    assert len(found.paths.first) == len(pairs)
    for row, (a, b) in enumerate(zip(found.paths.first, found.paths.second, strict=True)):
        other = pairs[frozenset((found.hosts[a], found.hosts[b]))]
        same = found.hosts[a] == first.hosts[first.paths.first[other]]
        paths = first.paths
        offset, lower, upper = paths.base_ns[other], paths.lower_ns[other], paths.upper_ns[other]
        if not same:
            offset, lower, upper = -offset, -upper, -lower
        uncertainty = np.sqrt(paths.variance_ns2[other])
        assert abs(found.paths.base_ns[row] - offset) <= uncertainty / 32
        assert 0 <= lower - found.paths.lower_ns[row] <= (upper - lower) / 128
        assert 0 <= found.paths.upper_ns[row] - upper <= (upper - lower) / 128
        round_trip = paths.min_round_trip_ns[other]
        assert 63 / 64 * round_trip <= found.paths.min_round_trip_ns[row] <= round_trip
        assert found.paths.state[row] is first.paths.state[other]
        assert list(found.paths.asked[row]) == list(first.paths.asked[other])[:: 1 if same else -1]
        assert 1 <= found.paths.variance_ns2[row] / paths.variance_ns2[other] <= 1.022**2 + 1e-6


@pytest.mark.parametrize("later", [0, 3 * HOUR_NS, 2 * DAY_NS])
def test_truth_is_inside_whatever_the_age(tmp_path: Path, later: int) -> None:
    """Fresh rows, packed chunks and thinned lines: the truth of any moment lies within what is told of it."""
    kept = Retention(detail_ns=DAY_NS, thinned_ns=30 * DAY_NS)
    with open_history(tmp_path / "history", retention=kept) as history:
        fill(history, ticks(300, tick_ns=SLOW_NS))
        if later:
            fill(history, ticks(3, since_ns=START_NS + 300 * SLOW_NS + later))
        history.tidy()
        random = np.random.default_rng(11)
        for at_ns in START_NS + random.integers(0, 299 * SLOW_NS, 25):
            at = int(at_ns)
            for clock in FERRY:
                told = history.at(clock.name, at)
                assert told.known
                assert told.lower_ns <= clock.error_ns(at) <= told.upper_ns
                assert abs(told.offset_ns - clock.error_ns(at)) <= 5 * told.uncertainty_ns
            pair = history.pair_at(GATE.name, DATABASE.name, at)
            truth = GATE.error_ns(at) - DATABASE.error_ns(at)
            assert pair.lower_ns <= truth <= pair.upper_ns
            assert abs(pair.offset_ns - truth) <= 5 * pair.uncertainty_ns
            own = [history.at(name, at) for name in (GATE.name, DATABASE.name)]
            assert pair.upper_ns - pair.lower_ns < sum(told.upper_ns - told.lower_ns for told in own)
        tables = _rows_by_table(tmp_path / "history")
        assert tables["host_chunk"] > 0 or later > DAY_NS
        assert (tables["host_thin"] > 0) is (later > DAY_NS)


def _rows_by_table(path: Path) -> dict[str, int]:
    import sqlite3

    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        counts = {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in names}
    connection.close()
    return counts


def test_thinned_detail_is_less_sure_but_never_surer(tmp_path: Path) -> None:
    with (
        open_history(tmp_path / "full", retention=Retention(detail_ns=30 * DAY_NS)) as full,
        open_history(tmp_path / "thin", retention=Retention(detail_ns=DAY_NS)) as thinned,
    ):
        for history in (full, thinned):
            fill(history, ticks(150, tick_ns=SLOW_NS))
            fill(history, ticks(2, since_ns=START_NS + 3 * DAY_NS))
            history.tidy()
        for at_ns in range(START_NS, START_NS + 149 * SLOW_NS, 57_123_456_789):
            for clock in FERRY[1:]:
                one, less = full.at(clock.name, at_ns), thinned.at(clock.name, at_ns)
                assert less.lower_ns <= one.lower_ns
                assert less.upper_ns >= one.upper_ns
                assert less.uncertainty_ns >= one.uncertainty_ns
                assert abs(less.offset_ns - one.offset_ns) <= 1_000 + 10


def test_a_gap_widens_limits_and_is_told(history: History) -> None:
    fill(history, ticks(10))
    fill(history, ticks(10, since_ns=START_NS + HOUR_NS))
    middle = START_NS + HOUR_NS // 2

    told = history.at(GATE.name, middle)

    assert "nothing was measured of quay-gate-1 for a while" in told.reason
    assert told.lower_ns <= GATE.error_ns(middle) <= told.upper_ns
    assert told.upper_ns - told.lower_ns > 2 * 15e-6 * 1700 * SECOND_NS
    pair = history.pair_at(GATE.name, DATABASE.name, middle)
    assert pair.lower_ns <= GATE.error_ns(middle) - DATABASE.error_ns(middle) <= pair.upper_ns
    fleet = history.estimate_at(middle)
    assert fleet is not None
    assert len(fleet.hosts) == len(FERRY)


def test_before_the_first_tick_nothing_is_known(history: History) -> None:
    fill(history, ticks(3))

    assert history.estimate_at(START_NS - 1) is None
    assert history.at(GATE.name, START_NS - SECOND_NS).known
    told = history.at(GATE.name, START_NS - HOUR_NS)
    assert not told.known
    assert told.reason == "quay-gate-1 was measured for the first time 1 h later"


def test_past_the_last_tick_an_answer_ages(history: History) -> None:
    fill(history, ticks(3))
    told = history.at(GATE.name, START_NS + HOUR_NS)

    assert told.known
    assert "was last measured 60 min before" in told.reason or "was last measured 1 h before" in told.reason
    assert told.upper_ns - told.lower_ns > 2 * 15e-6 * 3500 * SECOND_NS


def test_late_ticks_fill_in(history: History) -> None:
    estimates = list(ticks(260, tick_ns=SLOW_NS))
    fill(history, estimates[:50])
    fill(history, estimates[70:])
    history.tidy()
    before = history.at(GATE.name, estimates[60].at_ns)
    assert before.reason

    fill(history, estimates[50:70])
    for name in ("fresh", "packed"):
        told = history.at(GATE.name, estimates[60].at_ns)
        assert told.reason == "", name
        assert told.measured_ns == estimates[60].at_ns
        history.tidy()
    assert history.span() == (START_NS, estimates[-1].at_ns)
    course = list(history.course(GATE.name, None, START_NS, START_NS + 260 * SLOW_NS))
    assert [point.at_ns for point in course] == [estimate.at_ns for estimate in estimates]


def test_a_tick_told_again_replaces_itself(history: History) -> None:
    first = fill(history, ticks(1))[0]
    again = replace(first, offset_ns=first.offset_ns + 5)
    fill(history, [again])

    assert history.at(GATE.name, START_NS).offset_ns == first.offset_ns[1] + 5


def test_a_tick_beyond_the_detailed_retention_is_not_kept(history: History) -> None:
    fill(history, ticks(1))

    assert not history.append(next(iter(ticks(1, since_ns=START_NS - 31 * DAY_NS))))


STEPPED = replace(GATE, set_at_ns=START_NS + 52 * SECOND_NS, set_by_ns=-5_000_000.0)


def _stepped_ticks(*, seen_after: int) -> list[FleetEstimate]:
    """The gate is set back at 52 s; the finding comes so many ticks late, and until then estimates are mixed."""
    random = np.random.default_rng(3)
    assert STEPPED.set_at_ns is not None
    step = Finding(FindingKind.STEP, STEPPED.set_at_ns, "quay-gate-1 was set back 5 ms", GATE.name, size_ns=-5_000_000)
    estimates = []
    clocks = (FERRY[0], STEPPED, *FERRY[2:])
    for number in range(30):
        at_ns = START_NS + number * TICK_NS
        seen = at_ns >= STEPPED.set_at_ns + seen_after * TICK_NS
        estimate = estimate_of(clocks, at_ns, random, findings=[step] if seen else [])
        if at_ns >= STEPPED.set_at_ns and not seen:
            mixed = estimate.offset_ns.copy()
            mixed[1] += 2_500_000
            lower, upper = estimate.lower_ns.copy(), estimate.upper_ns.copy()
            lower[1], upper[1] = mixed[1] - 3_000, mixed[1] + 3_000
            estimate = replace(estimate, offset_ns=mixed, lower_ns=lower, upper_ns=upper)
        estimates.append(estimate)
    return estimates


@pytest.mark.parametrize("seen_after", [0, 4])
@pytest.mark.parametrize("packed", [False, True])
def test_past_a_step_the_right_side_is_used(history: History, seen_after: int, packed: bool) -> None:
    fill(history, _stepped_ticks(seen_after=seen_after))
    if packed:
        fill(history, ticks(2, since_ns=START_NS + 3 * HOUR_NS))
        history.tidy()
    assert STEPPED.set_at_ns is not None
    for seconds in (41.0, 49.9, 51.0, 51.999, 52.0, 53.0, 55.0, 60.0, 71.0, 90.0):
        at_ns = START_NS + round(seconds * 1e9)
        told = history.at(GATE.name, at_ns)
        truth = STEPPED.error_ns(at_ns)
        assert told.lower_ns <= truth <= told.upper_ns, seconds
        assert abs(told.offset_ns - truth) < 10_000, seconds
        assert told.upper_ns - told.lower_ns < 1_000_000, seconds
        pair = history.pair_at(GATE.name, DATABASE.name, at_ns)
        assert pair.lower_ns <= truth - DATABASE.error_ns(at_ns) <= pair.upper_ns, seconds
        assert [finding.kind for finding in told.findings] == [FindingKind.STEP]


def test_a_finding_that_lasts_is_kept_once_and_an_event_is_not_repeated(history: History) -> None:
    random = np.random.default_rng(1)
    path = (GATE.name, DATABASE.name)
    for number in range(20):
        at_ns = START_NS + number * TICK_NS
        lasting = Finding(FindingKind.ASYMMETRIC_PATH, at_ns, "one direction is slower", path=path)
        event = Finding(FindingKind.STEP, START_NS + 3 * SECOND_NS + number, "set", host=GATE.name, size_ns=7_000)
        history.append(estimate_of(FERRY, at_ns, random, findings=[lasting, event]))
    back = Finding(FindingKind.STEP, START_NS + 5 * SECOND_NS, "set back", host=GATE.name, size_ns=-7_000)
    history.append(estimate_of(FERRY, START_NS + 20 * TICK_NS, random, findings=[back]))

    found = list(history.findings(START_NS, START_NS + 200 * SECOND_NS))

    assert [finding.kind for finding in found] == ["asymmetric-path", "step", "step"]
    assert found[0].evidence["lasted_s"] == 95.0
    assert [finding.size_ns for finding in found[1:]] == [7_000, -7_000]
    assert len(list(history.findings(START_NS, START_NS + HOUR_NS, DATABASE.name))) == 1
    assert list(history.findings(START_NS + HOUR_NS, START_NS + 2 * HOUR_NS)) == []


def test_an_unknown_host_is_an_answer_with_a_hint(history: History) -> None:
    fill(history, ticks(2))

    told = history.at("quay-gate-l", START_NS)

    assert not told.known
    assert told.reason == "no host named quay-gate-l is known; did you mean quay-gate-1?"
    pair = history.pair_at("quay-gate-1", "nobody", START_NS)
    assert not pair.known
    assert "nobody" in pair.reason


def test_a_host_without_a_route_is_unknown_with_its_reason(history: History) -> None:
    lost = Host("quay-gate-9", 5, uncertainty_ns=np.inf, below_ns=UNBOUNDED_NS, above_ns=UNBOUNDED_NS)
    estimate = build([Host("quay-ref"), replace(lost, state=HostState.NO_ROUTE)], references=["quay-ref"])
    fill(history, [estimate])

    told = history.at("quay-gate-9", START_NS + SECOND_NS)

    assert not told.known
    assert told.reason == "no chain of probes led from quay-gate-9 to the reference"
    fleet = history.estimate_at(START_NS)
    assert fleet is not None
    assert fleet.state[fleet.index("quay-gate-9")] is HostState.NO_ROUTE
    assert np.isinf(fleet.uncertainty_ns[fleet.index("quay-gate-9")])


def test_without_paths_a_pair_rests_on_its_hosts_own_limits(history: History) -> None:
    fill(history, [build([Host("a", 10, below_ns=3, above_ns=4), Host("b", 4, below_ns=1, above_ns=2)])])

    told = history.pair_at("a", "b", START_NS)

    assert (told.offset_ns, told.lower_ns, told.upper_ns) == (6, 7 - 6, 14 - 3)
    assert "no paths were kept" in told.reason


def test_a_course_streams_every_tick_or_one_a_step(history: History) -> None:
    estimates = fill(history, ticks(250, tick_ns=SLOW_NS))
    history.tidy()
    end = START_NS + 250 * SLOW_NS

    every = list(history.course(GATE.name, DATABASE.name, START_NS, end))
    some = list(history.course(GATE.name, DATABASE.name, START_NS, end, step_ns=600 * SECOND_NS))

    assert [point.at_ns for point in every] == [estimate.at_ns for estimate in estimates]
    assert [point.at_ns for point in some] == [START_NS + k * 600 * SECOND_NS for k in range(13)]
    for point in every:
        truth = GATE.error_ns(point.at_ns) - DATABASE.error_ns(point.at_ns)
        assert point.lower_ns <= truth <= point.upper_ns
    assert list(history.course("nobody", None, START_NS, end)) == []
    assert next(history.course(GATE.name, None, START_NS, end)).b is None


def test_instants_told_in_one_go_are_told_as_one_by_one(history: History) -> None:
    """Between ticks, in a gap, before the first and after the last, and around a setting of the clock."""
    fill(history, ticks(20))
    fill(history, ticks(20, since_ns=START_NS + HOUR_NS))
    step = Finding(FindingKind.STEP, START_NS + HOUR_NS + 8 * TICK_NS, "was set", GATE.name, size_ns=1_000)
    fill(history, [replace(one, findings=(step,)) for one in ticks(1, since_ns=START_NS + HOUR_NS + 20 * TICK_NS)])
    instants = np.arange(START_NS - DAY_NS, START_NS + 3 * HOUR_NS, 1_700 * SECOND_NS)
    instants = np.unique(np.concatenate([instants, START_NS + np.arange(0, HOUR_NS + 30 * TICK_NS, 777_777_777)[::9]]))
    found = history.columns(GATE.name, instants)
    assert found is not None
    told = list(answers.owns(GATE.name, instants, found, reach_ns=60 * SECOND_NS))
    alone = [
        answers.own(GATE.name, at, found, place, reach_ns=60 * SECOND_NS) for place, at in enumerate(instants.tolist())
    ]
    assert told == alone
    assert len({one.reason[:30] for one in told}) >= 3
    assert {one.known for one in told} == {True, False}


def test_a_host_that_left_is_not_in_the_fleet_any_more(history: History) -> None:
    fill(history, ticks(20, tick_ns=SLOW_NS))
    fill(history, ticks(250, FERRY[:3], since_ns=START_NS + 20 * SLOW_NS, tick_ns=SLOW_NS))
    history.tidy()

    early, late = history.estimate_at(START_NS + 5 * SLOW_NS), history.estimate_at(START_NS + 180 * SLOW_NS)

    assert early is not None
    assert late is not None
    assert FERRY[3].name in early.hosts
    assert FERRY[3].name not in late.hosts
    assert "was last measured" in history.at(FERRY[3].name, START_NS + 180 * SLOW_NS).reason


def test_old_lines_are_given_up_in_the_end(tmp_path: Path) -> None:
    kept = Retention(detail_ns=DAY_NS, thinned_ns=3 * DAY_NS)
    with open_history(tmp_path / "history", retention=kept) as history:
        fill(history, ticks(150, tick_ns=SLOW_NS))
        fill(history, ticks(1, since_ns=START_NS + 2 * DAY_NS))
        history.tidy()
        assert history.at(GATE.name, START_NS + HOUR_NS).known

        fill(history, ticks(2, since_ns=START_NS + 6 * DAY_NS))

        told = history.at(GATE.name, START_NS + HOUR_NS)
        assert not told.known
        assert "was measured for the first time" in told.reason
        span = history.span()
        assert span is not None
        assert span[0] >= START_NS + 2 * DAY_NS


def test_a_reader_sees_what_a_writer_adds(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as writer:
        fill(writer, ticks(2, FERRY[:3]))
        with open_history(tmp_path / "history", read_only=True) as reader:
            assert reader.hosts() == tuple(sorted(clock.name for clock in FERRY[:3]))
            fill(writer, ticks(2, since_ns=START_NS + 10 * SECOND_NS))
            assert reader.at(FERRY[3].name, START_NS + 12 * SECOND_NS).known
            with pytest.raises(HistoryError, match="open for reading only"):
                reader.append(next(iter(ticks(1))))


def test_what_was_kept_is_there_after_closing(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as writer:
        fill(writer, ticks(2))
    with open_history(tmp_path / "history") as again:
        fill(again, ticks(2, since_ns=START_NS + 2 * TICK_NS))
        assert again.at(GATE.name, START_NS).known
        assert again.span() == (START_NS, START_NS + 3 * TICK_NS)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["history", "history.lock"]


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
    st.lists(st.integers(0, 41 * TICK_NS), min_size=1, max_size=10),
    st.floats(-1e-4, 1e-4),
)
def test_any_order_of_ticks_gives_true_limits(
    tmp_path_factory: pytest.TempPathFactory, order: list[int], places: list[int], drift: float
) -> None:
    random = np.random.default_rng(5)
    clocks = (FERRY[0], Clock("quay-gate-1", 77.0, drift))
    with open_history(tmp_path_factory.mktemp("order") / "history") as history:
        for number in order:
            history.append(estimate_of(clocks, START_NS + number * TICK_NS, random))
        for place in places:
            told = history.at("quay-gate-1", START_NS + place)
            long_before = START_NS + place < START_NS + min(order) * TICK_NS - 60 * SECOND_NS
            assert told.known is not long_before
            assert told.lower_ns <= clocks[1].error_ns(START_NS + place) <= told.upper_ns


def test_zones_and_roles_are_told_as_they_were(tmp_path: Path) -> None:
    gate, database = FERRY[1].name, FERRY[3].name
    told = [{gate: ("quay", "gate"), database: ("holm", "database")}] * 2 + [{gate: ("skerry", "gate")}]
    with open_history(tmp_path / "history") as history:
        for estimate, places in zip(ticks(3), told, strict=True):
            history.append(estimate, places)
        assert history.places(START_NS + TICK_NS) == {gate: ("quay", "gate"), database: ("holm", "database")}
    with open_history(tmp_path / "history") as history:
        assert history.places(START_NS + 2 * TICK_NS)[gate] == ("skerry", "gate")
        history.append(next(iter(ticks(1, since_ns=START_NS + 3 * TICK_NS))), {gate: ("quay", "gate")})
        assert history.places(START_NS + 3 * TICK_NS)[gate] == ("quay", "gate")


def test_a_pairs_course_does_not_hold_the_references_own_error_twice(tmp_path: Path) -> None:
    """Against true time both hosts are as unsure as the only reference; against each other they are not."""
    reference = Reference("quay", 50_000.0, 400_000.0)
    fleet = [Host("quay"), Host("gate", offset_ns=70_000, uncertainty_ns=30.0), Host("counter", offset_ns=-5_000)]
    with open_history(tmp_path / "history") as history:
        for number in range(3):
            exact = build(fleet, at_ns=START_NS + number * TICK_NS)
            assert history.append(leaning_on(exact, reference))
        course = list(history.course("gate", "counter", START_NS, START_NS + 3 * TICK_NS))
        own = list(history.course("gate", None, START_NS, START_NS + 3 * TICK_NS))
    apart = int(exact.lower_ns[1] - exact.upper_ns[2]), int(exact.upper_ns[1] - exact.lower_ns[2])
    assert len(course) == 3
    for pair, host in zip(course, own, strict=True):
        assert host.upper_ns - host.lower_ns > 800_000
        assert pair.lower_ns <= apart[0] < apart[1] <= pair.upper_ns
        assert pair.upper_ns - pair.lower_ns < apart[1] - apart[0] + 40_000  # kept to a 128th of the hosts' widths
        assert pair.uncertainty_ns < 20_000


def test_as_near_to_a_setting_as_its_instant_is_unsure_both_sides_are_told(tmp_path: Path) -> None:
    gate, random = FERRY[1], np.random.default_rng(3)
    truly, told = START_NS + 152 * SECOND_NS, START_NS + 150 * SECOND_NS
    clocks = (FERRY[0], replace(gate, set_at_ns=truly, set_by_ns=-8e6), *FERRY[2:])
    step = Finding(FindingKind.STEP, told, "was set", gate.name, size_ns=-8_000_000, evidence={"within_s": 4.0})
    with open_history(tmp_path / "history") as history:
        for number in range(60):
            at_ns = START_NS + number * TICK_NS
            findings = [step] if at_ns >= told + 10 * SECOND_NS else []
            history.append(estimate_of(clocks, at_ns, random, findings=findings))
        for second in range(140, 165):
            at_ns = START_NS + second * SECOND_NS
            pair, true_ns = history.at(gate.name, at_ns), clocks[1].error_ns(at_ns)
            assert pair.known
            assert pair.lower_ns <= true_ns <= pair.upper_ns, second
            assert (pair.upper_ns - pair.lower_ns > 7_000_000) == (abs(at_ns - told) <= 4 * SECOND_NS), second
            other = history.pair_at(gate.name, FERRY[3].name, at_ns)
            assert other.lower_ns <= true_ns - clocks[3].error_ns(at_ns) <= other.upper_ns, second


def test_of_several_tellings_of_a_step_the_surest_instant_is_kept(tmp_path: Path) -> None:
    gate, random = FERRY[1].name, np.random.default_rng(3)
    tellings = [(52.0, 60.0), (51.0, 4.0), (51.5, 6.0), (50.0, 60.0)]
    with open_history(tmp_path / "history") as history:
        for number, (second, within) in enumerate(tellings):
            told = START_NS + round(second * SECOND_NS)
            step = Finding(FindingKind.STEP, told, "was set", gate, size_ns=-8_000_000, evidence={"within_s": within})
            history.append(estimate_of(FERRY, START_NS + (60 + 5 * number) * SECOND_NS, random, findings=[step]))
        (kept,) = history.findings(0, 2**62)
    assert (kept.at_ns, kept.evidence["within_s"]) == (START_NS + 51 * SECOND_NS, 4.0)
