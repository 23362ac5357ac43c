from __future__ import annotations

import random

import pytest
from fakenet import START_NS, VirtualClock

from noonmark.agent.clock_watch import SMALLEST_STEP_NS, ClockWatch
from noonmark.agent.clocks import ErrorInjectedClock, SystemClock
from noonmark.proto.records import ClockEventKind

SECOND = 1_000_000_000


def watched() -> tuple[VirtualClock, ClockWatch]:
    clock = VirtualClock()
    return clock, ClockWatch(clock, random.Random(1))


@pytest.mark.parametrize("size_ns", [2 * SMALLEST_STEP_NS, -5_000_000, 3600 * SECOND, -50 * 365 * 86400 * SECOND])
def test_step_begins_an_epoch_and_is_told_once(size_ns: int) -> None:
    clock, watch = watched()
    before = watch.epoch
    clock.now = 7 * SECOND
    assert watch.check() == ()
    clock.error_ns += size_ns
    (event,) = watch.check()
    assert event.kind is ClockEventKind.STEP
    assert event.size_ns == size_ns
    assert event.epoch == watch.epoch == before + 1
    assert event.at_ns == START_NS + 7 * SECOND + size_ns
    assert watch.check() == ()


def test_slewing_is_no_step() -> None:
    clock, watch = watched()
    clock.rate = 500e-6
    for clock.now in range(0, 100 * SECOND, SECOND):
        assert watch.check() == ()


def test_small_steps_add_up() -> None:
    clock, watch = watched()
    events = []
    for _ in range(10):
        clock.error_ns += 300
        events += watch.check()
    assert sum(event.size_ns for event in events) >= 3000 - SMALLEST_STEP_NS


def test_slow_reading_is_no_step() -> None:
    clock, watch = watched()
    for late in (5_000, 3_000_000, SECOND):
        clock.late_reads = [0, late]  # held up between the two clocks
        assert watch.check() == ()
        clock.late_reads = [0, *[late] * 30]  # and whenever it looks again
        assert watch.check() == ()
        clock.late_reads = []
        assert watch.check() == ()


def test_step_is_found_though_every_reading_is_slow() -> None:
    clock, watch = watched()
    clock.error_ns = SECOND
    clock.late_reads = [100_000] * 40
    (event,) = watch.check()
    assert abs(event.size_ns - SECOND) <= 100_000


def test_sleep_is_told_as_sleep() -> None:
    clock, watch = watched()
    clock.slept_ns = 600 * SECOND
    (event,) = watch.check()
    assert (event.kind, event.size_ns) == (ClockEventKind.SUSPEND, 600 * SECOND)
    assert watch.check() == ()


def test_sleep_and_a_step_on_waking_are_two_events() -> None:
    clock, watch = watched()
    before = watch.epoch
    clock.slept_ns = 600 * SECOND
    clock.error_ns = -250_000_000
    sleep, step = watch.check()
    assert (sleep.kind, sleep.size_ns, sleep.epoch) == (ClockEventKind.SUSPEND, 600 * SECOND, before + 1)
    assert (step.kind, step.size_ns, step.epoch) == (ClockEventKind.STEP, -250_000_000, before + 2)


def test_epochs_are_never_zero_and_start_at_random() -> None:
    clock, watch = watched()
    watch.epoch = 2**32 - 1
    clock.error_ns = SECOND
    watch.check()
    assert watch.epoch == 1
    assert len({ClockWatch(clock, random.Random(seed)).epoch for seed in range(50)}) == 50


def test_injected_step_is_noticed_like_a_true_one() -> None:
    true = VirtualClock()
    clock = ErrorInjectedClock(5_000_000, 30e-6, START_NS, true)
    watch = ClockWatch(clock, random.Random(1))
    true.now = 50 * SECOND
    assert watch.check() == ()
    clock.inject_slew(1_000_000, SECOND)
    true.now = 60 * SECOND
    assert watch.check() == ()
    clock.inject_step(40_000)
    assert [event.size_ns for event in watch.check()] == [40_000]


def test_rate_is_told_against_the_bare_oscillator() -> None:
    clock, watch = watched()
    assert watch.rate_against_raw() is None
    clock.rate = 25e-6
    clock.now = 10 * SECOND
    assert watch.rate_against_raw() == pytest.approx(25e-6, rel=1e-6)
    clock.now = 20 * SECOND
    assert watch.rate_against_raw() == pytest.approx(25e-6, rel=1e-6)


def test_check_tells_the_time_it_was_made() -> None:
    clock, watch = watched()
    clock.now = 3 * SECOND
    watch.check()
    assert (watch.realtime_ns, watch.monotonic_ns) == (START_NS + 3 * SECOND, 3 * SECOND)


def test_hosts_own_clock_is_watched_without_an_event() -> None:
    watch = ClockWatch(SystemClock(), random.Random(1))
    assert [event for _ in range(1000) for event in watch.check()] == []
