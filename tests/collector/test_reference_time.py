from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.reference_time import TICKS, ReferenceTime

S = 10**9
START = 1_795_589_703 * S


def test_before_the_first_tick_there_is_no_time() -> None:
    assert ReferenceTime().at(5) is None
    assert ReferenceTime().doubt_ns(5) is None


def test_the_tick_whose_reports_came_soonest_counts() -> None:
    time = ReferenceTime()
    for number, late in enumerate((40, 3, 90, 55)):
        time.add(START + number * 5 * S, number * 5 * S + late)

    assert time.at(100) == START + 100 - 3
    assert time.doubt_ns(5 * S + 3) == 55 - 3


def test_two_ticks_are_too_few_to_tell_a_doubt() -> None:
    time = ReferenceTime()
    time.add(START, 10)
    time.add(START + S, S + 20)

    assert time.doubt_ns(S) is None


def test_old_ticks_are_forgotten_and_a_changed_reference_begins_anew() -> None:
    time = ReferenceTime()
    time.add(START, 0)
    for number in range(1, TICKS + 1):
        time.add(START + number * S, number * S + 70)
    assert time.at(0) == START - 70

    time.add(START + 3600 * S, 60 * S)
    assert time.at(60 * S) == START + 3600 * S


@pytest.mark.parametrize("law", ["exponential", "uniform"])
def test_the_doubt_is_of_the_size_of_the_error(law: str) -> None:
    random = np.random.default_rng(4)
    covered = 0
    for _ in range(400):
        time = ReferenceTime()
        late = getattr(random, law)(size=TICKS) * 200e6
        for number, delay in enumerate(late.tolist()):
            time.add(START + number * 5 * S, number * 5 * S + round(delay))
        told, doubt = time.at(60 * S), time.doubt_ns(60 * S)
        assert told is not None
        assert doubt is not None
        error = START + 60 * S - told
        assert 0 <= error <= max(late)
        covered += error <= doubt

    # Order statistics of the exponential law: P(minimum <= gap of the next two) is about 3/4.
    assert covered > 0.65 * 400
