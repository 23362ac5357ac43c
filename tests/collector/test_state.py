from __future__ import annotations

import asyncio
import threading

from builders import START_NS, Host, build

from noonmark.collector.state import HostFacts, State


class Monotonic:
    def __init__(self) -> None:
        self.now = 7_000

    def __call__(self) -> int:
        return self.now


def test_nothing_is_known_before_the_first_estimate() -> None:
    state = State()

    assert state.latest() is None
    assert state.now_ns() is None


def test_reference_time_runs_on_monotonic_time_from_the_estimate() -> None:
    monotonic = Monotonic()
    state = State(monotonic)
    state.publish(build([Host("quay-db")]), {"quay-db": HostFacts("quay", "database", 6_500)})

    monotonic.now += 250

    assert state.now_ns() == START_NS + 250
    latest = state.latest()
    assert latest is not None
    assert latest.facts["quay-db"].zone == "quay"


def test_reference_time_counts_from_when_the_estimate_was_true() -> None:
    monotonic = Monotonic()
    state = State(monotonic)
    state.publish(build([Host("quay-db")]), measured_monotonic_ns=monotonic.now - 90)

    assert state.now_ns() == START_NS + 90


def test_a_waiting_reader_gets_each_newer_estimate() -> None:
    async def scenario() -> list[int]:
        state = State()
        seen = []
        waiting = asyncio.ensure_future(state.newer())
        await asyncio.sleep(0)
        state.publish(build([Host("quay-db")]))
        seen.append((await waiting).sequence)
        thread = threading.Thread(target=state.publish, args=(build([Host("quay-db")]),))
        waiting = asyncio.ensure_future(state.newer(seen[-1]))
        await asyncio.sleep(0)
        thread.start()
        seen.append((await waiting).sequence)
        thread.join()
        return seen

    assert asyncio.run(scenario()) == [1, 2]


def test_a_late_reader_gets_the_newest_at_once() -> None:
    state = State()
    state.publish(build([Host("quay-db")]))
    newest = state.publish(build([Host("quay-db", 5)]))

    assert asyncio.run(state.newer(1)) is newest


def test_a_reader_that_gives_up_leaves_nothing_behind() -> None:
    async def scenario() -> int:
        state = State()
        waiting = asyncio.ensure_future(state.newer())
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        return len(state._waiting)

    assert asyncio.run(scenario()) == 0


def test_a_reader_of_a_closed_loop_does_not_stop_the_writer() -> None:
    state = State()
    loop = asyncio.new_event_loop()
    future = loop.create_future()
    state._waiting.append((loop, future))
    loop.close()

    assert state.publish(build([Host("quay-db")])).sequence == 1
