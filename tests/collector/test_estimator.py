"""The tick: what it publishes, whom it tells, and that nothing which goes wrong ends it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.daemon_thread import in_daemon_thread
from noonmark.collector.estimate import (
    Finding,
    FindingKind,
    FleetEstimate,
    HostState,
    Paths,
    ProbeColumns,
    Reference,
)
from noonmark.collector.estimator import Estimator
from noonmark.collector.keeping import Keeper
from noonmark.collector.state import HostFacts, State
from noonmark.collector.told import with_events
from noonmark.collector.window import HostEvent, Window
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord, RecordBatch, StampSource

KERNEL = (StampSource.KERNEL,) * 4
NONE = np.zeros(0, dtype=np.int64)
NO_PATHS = Paths(
    first=NONE.astype(np.int32),
    second=NONE.astype(np.int32),
    probes=NONE,
    asked=np.zeros((0, 2), dtype=bool),
    min_round_trip_ns=NONE,
    offset_ns=NONE.astype(float),
    base_ns=NONE,
    variance_ns2=NONE.astype(float),
    lower_ns=NONE,
    upper_ns=NONE,
    residual_ns=NONE.astype(float),
    state=(),
)


def estimate_of(hosts: tuple[str, ...], references: Sequence[Reference], at_ns: int) -> FleetEstimate:
    """Every host is ahead by its number in microseconds."""
    count = len(hosts)
    offset = np.arange(count, dtype=np.int64) * 1000
    return FleetEstimate(
        at_ns=at_ns,
        window_ns=1,
        hosts=hosts,
        references=tuple(references),
        offset_ns=offset,
        drift=np.zeros(count),
        uncertainty_ns=np.full(count, 10.0),
        drift_uncertainty=np.zeros(count),
        lower_ns=offset - 100,
        upper_ns=offset + 100,
        newest_ns=np.full(count, at_ns),
        state=(HostState.MEASURED,) * count,
        component=np.zeros(count, dtype=np.int32),
        paths=NO_PATHS,
        findings=(),
    )


class Steps:
    """A stand-in for the calculation, which remembers what it was given."""

    def __init__(self) -> None:
        self.references: list[tuple[str, ...]] = []
        self.previous: list[FleetEstimate | None] = []
        self.fail_with: Exception | None = None

    def __call__(
        self, probes: ProbeColumns, *, references: Sequence[Reference], previous: FleetEstimate | None
    ) -> FleetEstimate:
        self.references.append(tuple(reference.host for reference in references))
        self.previous.append(previous)
        if self.fail_with is not None:
            raise self.fail_with
        return estimate_of(probes.hosts, references, int(probes.t4_ns.max()))


class Store:
    def __init__(self) -> None:
        self.kept: list[FleetEstimate] = []
        self.full = False

    def append(self, estimate: FleetEstimate, places: Mapping[str, tuple[str, str]]) -> None:
        if self.full:
            raise OSError("no space left")
        self.kept.append(estimate)


RUNNERS: list[asyncio.Runner] = []


class Bench:
    """An estimator with everything around it."""

    def __init__(self, *references: str, budgets: Sequence[str] = ()) -> None:
        self.window, self.state, self.steps, self.store = Window(), State(), Steps(), Store()
        self.delivered: list[Mapping[str, pb.HostEstimate]] = []
        self.now = 100.0
        self.runner = asyncio.Runner()
        RUNNERS.append(self.runner)
        self.keeper = Keeper(self.store)
        self.estimator = Estimator(
            self.window,
            self.state,
            step=self.steps,
            references=[Reference(host) for host in references],
            keeper=self.keeper,
            deliver=self.delivered.append,
            facts=lambda: {"holm": HostFacts(zone="holm", role="ticket gate")},
            budgets=Budgets(tuple(map(parse_rule, budgets))),
            monotonic=lambda: self.now,
        )

    def measure(self, source: str, destination: str) -> None:
        record = ProbeRecord(destination, 1, 2, 3, 4, KERNEL, 1, 1, True)
        self.window.add(source, RecordBatch.from_records(1, [record]), self.now)

    def tick(self) -> None:
        async def one() -> None:
            keeping = asyncio.create_task(self.keeper.run())
            await self.estimator.tick(self.now - 0.5)
            await self.keeper.drain(0.05 if self.store.full else 10.0)
            keeping.cancel()

        self.runner.run(one())


@pytest.fixture(autouse=True)
def loops_are_closed() -> Iterator[None]:
    """A runner that is only collected some day would be closed within another test's loop."""
    yield
    while RUNNERS:
        RUNNERS.pop().close()


def test_an_estimate_is_published_stored_and_sent_to_its_hosts() -> None:
    bench = Bench("quay")
    bench.measure("quay", "holm")
    bench.tick()
    published = bench.state.latest()
    assert published is not None
    assert published.estimate.hosts == ("quay", "holm")
    assert published.lateness_seconds == 0.5
    assert published.published_monotonic_ns == 100 * 10**9
    assert bench.store.kept == [published.estimate]
    assert {host: message.offset_ns for host, message in bench.delivered[0].items()} == {"quay": 0, "holm": 1000}
    bench.tick()
    assert bench.steps.previous == [None, published.estimate]
    assert bench.estimator.statistics().ticks == 2


def test_each_host_is_told_its_budget_and_how_it_is_held() -> None:
    bench = Bench("quay", budgets=["gates:1500ns=role:ticket gate"])
    bench.measure("quay", "holm")
    bench.tick()
    told = bench.delivered[0]
    assert (told["quay"].budget, told["quay"].budget_ns, told["quay"].budget_answer) == ("", 0, "")
    # Ahead by 1000 ns, certain within 900 to 1100.
    assert (told["holm"].budget, told["holm"].budget_ns, told["holm"].budget_answer) == ("gates", 1500, "within")
    for budget, answer in (("1050ns", "cannot-be-shown"), ("800ns", "out")):
        bench = Bench("quay", budgets=[budget])
        bench.measure("quay", "holm")
        bench.tick()
        assert bench.delivered[0]["holm"].budget_answer == answer


def test_nothing_measured_is_no_estimate() -> None:
    bench = Bench()
    bench.tick()
    assert bench.state.latest() is None
    assert (bench.estimator.statistics().empty, bench.steps.references) == (1, [])


def test_a_reference_is_waited_for_and_never_replaced_by_the_mean() -> None:
    bench = Bench("quay", "skerry")
    bench.measure("holm", "berth")
    bench.tick()
    assert bench.state.latest() is None
    assert (bench.estimator.statistics().waiting, bench.steps.references) == (1, [])
    bench.measure("holm", "skerry")
    bench.tick()
    assert bench.steps.references == [("skerry",)]


def test_a_reference_whose_probes_are_all_too_old_is_not_there() -> None:
    bench = Bench("quay")
    bench.measure("quay", "holm")
    bench.now += 50.0
    bench.measure("holm", "berth")
    bench.now += 50.0
    bench.tick()
    assert "quay" in bench.window.columns(bench.now).hosts
    assert bench.estimator.statistics().waiting == 1


def test_a_calculation_that_fails_is_counted_and_the_next_one_is_tried(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    bench.measure("quay", "holm")
    bench.steps.fail_with = RuntimeError("singular")
    bench.tick()
    assert (bench.state.latest(), bench.estimator.statistics().failed) == (None, 1)
    assert "singular" in caplog.text
    bench.steps.fail_with = None
    bench.tick()
    assert bench.estimator.statistics().ticks == 1


def test_a_store_that_fails_does_not_keep_the_numbers_from_readers() -> None:
    bench = Bench()
    bench.measure("quay", "holm")
    bench.store.full = True
    bench.tick()
    assert bench.state.latest() is not None
    assert (bench.keeper.statistics().failures, bench.keeper.statistics().waiting) == (1, 1)
    bench.store.full = False
    bench.tick()
    assert (len(bench.store.kept), bench.keeper.statistics().waiting) == (2, 0), "nothing is missing in the past"


def test_what_a_host_told_of_its_clock_is_among_the_findings_in_reference_time() -> None:
    bench = Bench()
    bench.measure("quay", "holm")
    bench.window.add_event("holm", ClockEvent(ClockEventKind.STEP, 2, 5_000_000, -2500), bench.now)
    bench.tick()
    published = bench.state.latest()
    assert published is not None
    (finding,) = published.estimate.findings
    assert (finding.kind, finding.host, finding.at_ns, finding.size_ns) == (FindingKind.STEP, "holm", 4_999_000, -2500)
    assert finding.text == "holm says that its clock was set back by 2.5 µs"


def test_what_the_probes_showed_already_is_not_told_twice() -> None:
    known = Finding(FindingKind.STEP, 10**9, "seen", host="quay", size_ns=100)
    estimate = replace(estimate_of(("quay",), (), 0), findings=(known,))
    near = HostEvent("quay", ClockEvent(ClockEventKind.STEP, 2, 2 * 10**9, 100), 0.0)
    far = HostEvent("quay", ClockEvent(ClockEventKind.SUSPEND, 3, 10**12, 30 * 10**9), 0.0)
    findings = with_events(estimate, [near, far], {}).findings
    assert [finding.kind for finding in findings] == [FindingKind.STEP, FindingKind.SUSPEND]
    assert findings[1].text == "quay says that it slept for 30 s"
    assert with_events(estimate, [], {}) is estimate


def test_an_event_is_told_at_one_instant_while_it_is_told() -> None:
    told: dict[HostEvent, Finding] = {}
    event = HostEvent("holm", ClockEvent(ClockEventKind.STEP, 2, 10**9, 5), 0.0)
    first = with_events(estimate_of(("quay", "holm"), (), 0), [event], told).findings
    moved = replace(estimate_of(("quay", "holm"), (), 0), offset_ns=np.array([0, 1003]))
    assert with_events(moved, [event], told).findings == first
    with_events(moved, [], told)
    assert told == {}


def test_a_slow_calculation_leaves_ticks_out_and_says_so() -> None:
    """Time stands still but for sleeping and for the first calculation, which takes 12 s of an interval of 5."""
    bench = Bench()
    bench.measure("quay", "holm")
    begun: list[float] = []
    start = bench.now

    class EnoughError(Exception):
        pass

    async def sleep(span: float) -> None:
        if len(begun) == 3:
            raise EnoughError
        bench.now += span

    def slow(probes: ProbeColumns, *, references: Sequence[Reference], previous: FleetEstimate | None) -> FleetEstimate:
        begun.append(bench.now - start)
        bench.now += 12.0 if len(begun) == 1 else 0.0
        return estimate_of(probes.hosts, references, 0)

    estimator = Estimator(bench.window, bench.state, step=slow, interval=5.0, monotonic=lambda: bench.now, sleep=sleep)
    with pytest.raises(EnoughError):
        asyncio.run(estimator.run())
    assert begun == [5.0, 20.0, 25.0]
    assert estimator.statistics().overrun == 2


def test_work_in_a_thread_gives_back_its_result_or_its_exception() -> None:
    async def main() -> None:
        assert await in_daemon_thread(lambda: threading.current_thread().daemon, "test") is True
        with pytest.raises(KeyError, match="lost"):
            await in_daemon_thread(lambda: {}["lost"], "test")
        used = {await in_daemon_thread(threading.get_ident, "again and again") for _ in range(20)}
        assert len(used) == 1, "no thread is made where one rests"

    asyncio.run(main())


def test_a_tick_that_hangs_is_trouble_and_one_that_takes_long_is_not() -> None:
    bench = Bench("quay")
    assert bench.estimator.trouble() == ""
    bench.now += 299.0
    assert bench.estimator.trouble() == ""
    bench.now += 2.0
    assert "hung for 301 s" in bench.estimator.trouble()
