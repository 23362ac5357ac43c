from __future__ import annotations

import select

from noonmark.agent.kernel_clock import MAXIMUM_ERROR_NS, SetNotice, read_discipline


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
