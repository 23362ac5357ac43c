from __future__ import annotations

import time

import pytest
from fakenet import START_NS, VirtualClock

from noonmark.agent.clocks import Clock, ErrorInjectedClock, SystemClock

SECOND = 1_000_000_000


def test_system_clock_is_the_hosts() -> None:
    clock = SystemClock()
    for read, identifier in (
        (clock.realtime_ns, time.CLOCK_REALTIME),
        (clock.monotonic_ns, time.CLOCK_MONOTONIC),
        (clock.monotonic_raw_ns, time.CLOCK_MONOTONIC_RAW),
        (clock.boottime_ns, time.CLOCK_BOOTTIME),
    ):
        before = time.clock_gettime_ns(identifier)
        value = read()
        assert before <= value <= time.clock_gettime_ns(identifier)
    assert clock.kernel_to_clock(5) == 5
    assert clock.discipline().maximum_error_ns >= 0


def test_injected_error_grows_from_its_epoch_on() -> None:
    true = VirtualClock()
    clock: Clock = ErrorInjectedClock(1000, 20e-6, START_NS, true)
    assert clock.realtime_ns() == START_NS + 1000
    true.now = 10 * SECOND
    assert clock.realtime_ns() == START_NS + 10 * SECOND + 1000 + 200_000
    assert clock.kernel_to_clock(START_NS + SECOND) == START_NS + SECOND + 1000 + 20_000
    assert clock.monotonic_ns() == 10 * SECOND + 200_000
    assert clock.monotonic_raw_ns() == 10 * SECOND


def test_injected_step_leaves_earlier_stamps_and_the_monotonic_clock_alone() -> None:
    true = VirtualClock()
    clock = ErrorInjectedClock(0, 0.0, START_NS, true)
    true.now = 2 * SECOND
    clock.inject_step(-5_000_000)
    assert clock.kernel_to_clock(START_NS + 2 * SECOND - 1) == START_NS + 2 * SECOND - 1
    assert clock.error_at(START_NS + 2 * SECOND) == -5_000_000
    assert clock.realtime_ns() == START_NS + 2 * SECOND - 5_000_000
    assert clock.monotonic_ns() == 2 * SECOND


def test_injected_slew_moves_both_clocks_evenly_and_ends() -> None:
    true = VirtualClock()
    clock = ErrorInjectedClock(0, 0.0, START_NS, true)
    clock.inject_slew(1_000_000, 10 * SECOND)
    for seconds, error in ((0, 0), (5, 500_000), (10, 1_000_000), (100, 1_000_000)):
        true.now = seconds * SECOND
        assert clock.error_at(START_NS + true.now) == error
        assert clock.realtime_ns() - START_NS == clock.monotonic_ns() == true.now + error
    with pytest.raises(ValueError, match="duration"):
        clock.inject_slew(1, 0)


def test_injected_error_is_owned_up_to() -> None:
    clock = ErrorInjectedClock(-3 * SECOND, 0.0, START_NS, VirtualClock())
    assert clock.discipline().maximum_error_ns == VirtualClock().discipline().maximum_error_ns + 3 * SECOND
