from __future__ import annotations

import select

from noonmark.agent.clocks import ErrorInjectedClock, SystemClock
from noonmark.agent.kernel_clock import (
    MAXIMUM_ERROR_NS,
    STA_CLOCKERR,
    STA_UNSYNC,
    SetNotice,
    read_discipline,
    read_kernel_clock,
)


def test_discipline_is_read_without_any_right_to_change_it() -> None:
    discipline = read_discipline()
    assert 0 <= discipline.maximum_error_ns <= 4 * MAXIMUM_ERROR_NS
    assert 30 < discipline.tai_minus_utc_s < 60


def test_notice_is_silent_while_nobody_sets_the_clock() -> None:
    notice = SetNotice.open()
    assert notice is not None, "Linux since 3.0 has it"
    try:
        for _ in range(2):
            assert select.select([notice.fileno()], [], [], 0) == ([], [], [])
            notice.acknowledge()
    finally:
        notice.close()


def test_the_kernels_whole_view_is_read() -> None:
    clock = read_kernel_clock()
    assert clock is not None, "adjtimex needs no right to be read"
    assert clock.maximum_error_ns >= 0
    assert clock.synchronized == (not clock.status & STA_UNSYNC) or clock.status & STA_CLOCKERR
    assert SystemClock().kernel_clock() is not None


def test_an_injected_error_is_owned_up_to() -> None:
    plain = read_kernel_clock()
    wrong = ErrorInjectedClock(-4_000_000, 0.0, 0).kernel_clock()
    assert plain is not None
    assert wrong is not None
    assert wrong.estimated_error_ns >= 4_000_000
