"""The query service through its own client, over real gRPC on loopback."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS, ferry
from courses import FERRY, TICK_NS, estimate_of
from query_server import serving

from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import History, HistoryError, open_history
from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NobodyThere, NoData, Refused
from noonmark.collector.state import HostFacts, State

pytestmark = pytest.mark.sockets
GATE, DATABASE = FERRY[1].name, FERRY[2].name


class Monotonic:
    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


@pytest.fixture
def monotonic() -> Monotonic:
    return Monotonic()


@pytest.fixture
def state(monotonic: Monotonic) -> State:
    return State(monotonic)


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with open_history(tmp_path / "history") as opened:
        yield opened


def lived(state: State, history: History, count: int = 40) -> None:
    """A collector that has run for some ticks and found a step."""
    random = np.random.default_rng(2)
    step = Finding(FindingKind.STEP, START_NS + 50 * SECOND_NS, "was set", host=GATE, size_ns=7)
    for number in range(count):
        at_ns = START_NS + number * TICK_NS
        findings = [step] if number >= 10 else []
        estimate = estimate_of(FERRY, at_ns, random, findings=findings)
        history.append(estimate)
        state.publish(estimate, {GATE: HostFacts("quay", "gate")})


def test_before_the_first_estimate_there_is_no_data(state: State) -> None:
    with serving(state) as address, QueryClient(address) as client:
        with pytest.raises(NoData, match="no estimate yet"):
            client.fleet()
        with pytest.raises(NoData, match="no estimate yet"):
            client.offset("quay-ref")
        assert client.span().now_ns is None


def test_the_fleet_now(state: State) -> None:
    told = HostFacts("quay", "gate", reference_state="holdover", claimed_error_ns=2_000_000)
    state.publish(ferry(), {"quay-gate-2": told})
    with serving(state) as address, QueryClient(address) as client:
        view, with_paths = client.fleet(), client.fleet(paths=True)

    gate = next(host for host in view.hosts if host.host == "quay-gate-2")
    assert (gate.offset_ns, gate.zone, gate.role) == (1_840_000, "quay", "gate")
    assert (gate.reference_state, gate.claimed_error_ns) == ("holdover", 2_000_000)
    other = next(host for host in view.hosts if host.host == "holm-db-1")
    assert (other.reference_state, other.claimed_error_ns) == ("", None)
    assert view.paths == ()
    assert len(with_paths.paths) == 7
    assert view.notes == ()


def test_an_old_estimate_says_its_age(state: State, monotonic: Monotonic) -> None:
    state.publish(ferry())
    monotonic.now += 300 * SECOND_NS
    with serving(state) as address, QueryClient(address) as client:
        view = client.fleet()
        assert view.notes == ("the newest estimate is 5 min old: nothing has been measured since",)
        assert {host.state for host in view.hosts} == {"reference", "stale", "no-route"}, "none is called measured"
        assert min(host.heard_ns for host in view.hosts if host.heard_ns is not None) >= 300 * SECOND_NS
        assert client.span().now_ns == START_NS + 300 * SECOND_NS


def test_a_pair_now_ages_from_its_estimate(state: State, monotonic: Monotonic) -> None:
    state.publish(ferry())
    monotonic.now += 2 * SECOND_NS
    with serving(state) as address, QueryClient(address) as client:
        pair = client.offset("quay-gate-2", "holm-db-1")
        own = client.offset("quay-gate-2")

    assert pair.known
    assert pair.at_ns == START_NS + 2 * SECOND_NS
    assert pair.measured_ns == START_NS
    assert pair.offset_ns == pytest.approx(1_843_120 + 24_400, abs=2)
    assert own.b is None


def test_an_unknown_host_is_an_answer(state: State, history: History) -> None:
    lived(state, history)
    with serving(state, history) as address, QueryClient(address) as client:
        for at_ns in (None, START_NS):
            told = client.offset("quay-gate-i", at_ns=at_ns)
            assert not told.known
            assert "did you mean quay-gate-1?" in told.reason


def test_a_past_moment_comes_from_the_history(state: State, history: History) -> None:
    lived(state, history)
    at_ns = START_NS + 61 * SECOND_NS
    with serving(state, history) as address, QueryClient(address) as client:
        view = client.fleet(at_ns, paths=True)
        pair = client.offset(GATE, DATABASE, at_ns)

    assert view.at_ns == pair.at_ns == at_ns
    truth = FERRY[1].error_ns(at_ns) - FERRY[2].error_ns(at_ns)
    assert pair.lower_ns is not None
    assert pair.upper_ns is not None
    assert pair.lower_ns <= truth <= pair.upper_ns
    assert [finding.kind for finding in pair.findings] == ["step"]
    assert [finding.kind for finding in view.findings] == ["step"]
    assert len(view.paths) == 10


def test_findings_near_now_come_once(state: State, history: History) -> None:
    lived(state, history)
    with serving(state, history) as address, QueryClient(address) as client:
        assert [finding.text for finding in client.offset(GATE).findings] == ["was set"]
        assert [finding.host for finding in client.findings(START_NS, START_NS + 10**12)] == [GATE]
        assert client.findings(START_NS, START_NS + 10**12, DATABASE) == []


def test_a_course_streams(state: State, history: History) -> None:
    lived(state, history, 600)
    with serving(state, history) as address, QueryClient(address) as client:
        course = list(client.course(GATE, DATABASE, START_NS, START_NS + 600 * TICK_NS))
        coarse = list(client.course(GATE, None, START_NS, START_NS + 600 * TICK_NS, step_ns=100 * TICK_NS))

    assert len(course) == 600
    assert [point.at_ns for point in coarse] == [START_NS + k * 100 * TICK_NS for k in range(6)]


def test_the_span_tells_what_there_is(state: State, history: History) -> None:
    lived(state, history)
    with serving(state, history) as address, QueryClient(address) as client:
        span = client.span()

    assert (span.first_ns, span.last_ns) == (START_NS, START_NS + 39 * TICK_NS)
    assert GATE in span.hosts


def test_questions_that_make_no_sense_are_refused(state: State, history: History) -> None:
    lived(state, history)
    with serving(state, history) as address, QueryClient(address) as client:
        with pytest.raises(Refused, match="in the future"):
            client.fleet(START_NS + 10**15)
        with pytest.raises(Refused, match="name of a host"):
            client.offset("")
        with pytest.raises(Refused, match="since before until"):
            list(client.course(GATE, None, 5, 5))


def test_before_the_history_begins_there_is_no_data(state: State, history: History) -> None:
    lived(state, history)
    with serving(state, history) as address, QueryClient(address) as client, pytest.raises(NoData) as told:
        client.fleet(START_NS - SECOND_NS)

    assert "the history begins at 2026-11-25T06:55:03Z" in str(told.value)


def test_without_a_history_the_past_is_no_data(state: State) -> None:
    state.publish(ferry())
    with serving(state) as address, QueryClient(address) as client:
        with pytest.raises(NoData, match="keeps no history"):
            client.fleet(START_NS - SECOND_NS)
        assert client.fleet(START_NS).at_ns == START_NS


def test_a_damaged_history_is_one_line(state: State) -> None:
    class Damaged:
        def __getattr__(self, name: str) -> object:
            def broken(*_: object, **__: object) -> object:
                raise HistoryError("host 3, span 7: stored bytes are damaged")

            return broken

    state.publish(ferry(START_NS + SECOND_NS))
    damaged: object = Damaged()
    with serving(state, damaged) as address, QueryClient(address) as client:  # type: ignore[arg-type]
        with pytest.raises(NoData, match="cannot be read: host 3, span 7"):
            client.fleet(START_NS)
        assert client.fleet().hosts


def test_nobody_there() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        with (
            QueryClient(address, timeout_seconds=5) as client,
            pytest.raises(NobodyThere, match=f"answers at {address}"),
        ):
            client.fleet()
