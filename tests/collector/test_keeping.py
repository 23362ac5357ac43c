"""Behind the tick: nothing is called kept before it is stored, whatever the store does."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest
import small_estimates

from noonmark.collector.directory import Directory
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.ingest import Ingest
from noonmark.collector.keeping import Keeper, Marks, size_of
from noonmark.collector.window import Window
from noonmark.proto.control import Hello


class Store:
    """A history whose faults are the test's."""

    def __init__(self) -> None:
        self.kept: list[int] = []
        self.refuses: set[int] = set()
        self.full = False
        self.gate = threading.Event()
        self.gate.set()

    def append(self, estimate: FleetEstimate, places: object) -> None:
        assert self.gate.wait(20)
        if self.full or estimate.at_ns in self.refuses:
            raise OSError("no space left on device")
        self.kept.append(estimate.at_ns)


class Bench:
    def __init__(self, max_bytes: int = 1 << 30) -> None:
        self.store = Store()
        self.told: list[int] = []
        self.keeper = Keeper(self.store, on_kept=self.take, retry_after=0.001, max_bytes=max_bytes)

    def take(self, marks: Marks) -> None:
        self.told.append(marks["quay"][1])

    def offer(self, number: int) -> None:
        self.keeper.offer(replace(ESTIMATE, at_ns=number), {}, {"quay": (7, number)})


ESTIMATE = small_estimates.estimate(1.0)


def run(test: Callable[[Bench], Awaitable[None]], bench: Bench | None = None) -> Bench:
    bench = bench or Bench()

    async def main() -> None:
        async with asyncio.timeout(30):
            keeping = asyncio.create_task(bench.keeper.run())
            await test(bench)
            keeping.cancel()

    asyncio.run(main())
    return bench


async def until(condition: Callable[[], object]) -> None:
    while not condition():
        await asyncio.sleep(0.001)


def test_what_is_stored_is_told_in_order() -> None:
    async def test(bench: Bench) -> None:
        for number in range(1, 6):
            bench.offer(number)
        await bench.keeper.drain(10)

    bench = run(test)
    assert bench.store.kept == bench.told == [1, 2, 3, 4, 5]


def test_a_full_disk_loses_nothing_and_nothing_is_told_meanwhile() -> None:
    async def test(bench: Bench) -> None:
        bench.offer(1)
        await bench.keeper.drain(10)
        bench.store.full = True
        for number in (2, 3, 4):
            bench.offer(number)
        await until(lambda: bench.keeper.statistics().failures > 10)
        assert bench.told == [1]
        assert bench.keeper.statistics().last_error == "no space left on device"
        bench.store.full = False
        await bench.keeper.drain(10)

    bench = run(test)
    assert bench.store.kept == bench.told == [1, 2, 3, 4]
    assert bench.keeper.statistics().given_up == 0


def test_an_estimate_that_cannot_be_stored_does_not_hold_up_the_others() -> None:
    async def test(bench: Bench) -> None:
        bench.store.refuses = {2}
        for number in (1, 2, 3, 4):
            bench.offer(number)
        await bench.keeper.drain(10)

    bench = run(test)
    assert sorted(bench.store.kept) == [1, 3, 4]
    assert bench.told == [1, 3, 4], "and each is told of in its turn, once"
    assert bench.keeper.statistics().given_up == 1


def test_a_slow_store_delays_nobody_and_is_not_told_of_early() -> None:
    async def test(bench: Bench) -> None:
        bench.store.gate.clear()
        bench.offer(1)
        bench.offer(2)
        await asyncio.sleep(0.02)
        assert (bench.told, bench.keeper.statistics().waiting) == ([], 2)
        await bench.keeper.drain(0.01)
        bench.store.gate.set()
        await bench.keeper.drain(10)

    assert run(test).told == [1, 2]


def test_what_waits_is_bounded_and_what_is_given_up_is_counted() -> None:
    async def test(bench: Bench) -> None:
        bench.store.full = True
        for number in range(1, 21):
            bench.offer(number)
            await asyncio.sleep(0)
        assert bench.keeper.statistics().waiting <= 4
        bench.store.full = False
        await bench.keeper.drain(10)

    bench = run(test, Bench(max_bytes=4 * size_of(ESTIMATE)))
    assert bench.told[-1] == 20
    assert bench.keeper.statistics().given_up == 20 - len(bench.store.kept) > 0


@pytest.mark.parametrize("keeps", [False, True])
def test_reports_are_marked_as_kept_only_by_what_was_in_the_window(keeps: bool) -> None:
    directory = Directory()
    ingest = Ingest(Window(), directory, keeps=keeps)
    entry = directory.greet(Hello("quay", 7), now=0.0)
    assert entry.is_new(1)
    assert entry.is_new(2)
    marks = ingest.marks()
    assert marks == {"quay": (7, 2)}
    assert entry.is_new(3), "came after the estimate began"
    ingest.kept(marks)
    assert (entry.kept_sequence, ingest.marks()) == (2, {"quay": (7, 3)})
    directory.greet(Hello("quay", 8), now=1.0)
    ingest.kept({"quay": (7, 3), "gone": (1, 9)})
    assert (entry.kept_sequence, entry.kept[7]) == (0, 3), "of a new process nothing is kept yet"
