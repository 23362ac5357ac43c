from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from noonmark.collector.pressure import (
    CALM,
    DRAIN,
    FULL,
    LONGEST_CALM,
    MOST_LEVELS,
    REPORT_LEVELS,
    SETTLE,
    STRAINED,
    STREAMS,
    Pressure,
)

LOOK = 0.25


def run(
    pressure: Pressure, late_part: Callable[[int], float], *, start: float, seconds: float
) -> list[tuple[float, int]]:
    """Looks as the collector takes them, the loop late for a part of the time that follows from the level."""
    changes = []
    now = start
    while now < start + seconds:
        lateness = LOOK * late_part(pressure.level) / (1 - late_part(pressure.level))
        now += LOOK + lateness
        if pressure.note(elapsed=LOOK + lateness, lateness=lateness, fill=0.0, now=now):
            changes.append((now, pressure.level))
    return changes


def test_at_ease_nothing_is_asked() -> None:
    pressure = Pressure()
    assert run(pressure, lambda level: STRAINED * 0.9, start=0.0, seconds=1000.0) == []
    assert (pressure.slowdown, pressure.stretch, pressure.tell_every) == (1, 0, 1)


def test_one_long_hold_up_is_no_strain_but_many_are() -> None:
    pressure = Pressure()
    assert not pressure.note(elapsed=4.0, lateness=3.75, fill=0.0, now=4.0)
    run(pressure, lambda level: 0.01, start=4.0, seconds=60.0)
    assert pressure.raised == 0
    run(pressure, lambda level: 0.8, start=64.0, seconds=14.0)
    assert pressure.level == 1


def test_levels_rise_one_by_one_with_time_between_to_take_effect_and_end_somewhere() -> None:
    pressure = Pressure()
    changes = run(pressure, lambda level: 0.9, start=0.0, seconds=1000.0)
    assert [level for _, level in changes] == list(range(1, MOST_LEVELS + 1))
    assert all(after - before >= SETTLE for (before, _), (after, _) in itertools.pairwise(changes))


def test_what_is_asked_grows_with_the_level_reports_first_probes_then() -> None:
    pressure = Pressure()
    asked = []
    for number in range(MOST_LEVELS):
        pressure.note(elapsed=100.0, lateness=100.0, fill=0.0, now=number * 100.0)
        asked.append((pressure.slowdown, pressure.stretch))
    assert asked == [(2, 0), (4, 0), (8, 0), (8, 1), (8, 2), (8, 3)]
    assert pressure.tell_every == 2**REPORT_LEVELS


def test_level_that_is_enough_is_kept_and_not_swung_about() -> None:
    pressure = Pressure()
    changes = run(pressure, lambda level: 0.9 if level < 2 else 0.1, start=0.0, seconds=4 * 3600.0)
    below = [at for at, level in changes if level < 2]
    assert len(below) < 16, "each try of a lower level comes later than the one before"
    late = [at for at in below if at > 7200.0]
    assert all(after - before > LONGEST_CALM / 2 for before, after in itertools.pairwise(late))


def test_calm_takes_levels_away_one_by_one() -> None:
    pressure = Pressure()
    run(pressure, lambda level: 0.9, start=0.0, seconds=8 * SETTLE)
    reached = pressure.level
    assert reached > 2
    pressure.strain = 0.0
    changes = run(pressure, lambda level: 0.0, start=200.0, seconds=20 * CALM)
    assert [level for _, level in changes] == list(reversed(range(reached)))


@pytest.mark.parametrize(("fill", "stretch"), [(FULL - 0.01, 0), (FULL + 0.01, 1)])
def test_window_nearly_full_slows_probes_at_once(fill: float, stretch: int) -> None:
    pressure = Pressure()
    pressure.note(elapsed=LOOK, lateness=0.0, fill=fill, now=0.0)
    assert pressure.stretch == stretch
    for now in range(1, int(DRAIN)):
        pressure.note(elapsed=1.0, lateness=0.0, fill=fill, now=float(now))
    assert pressure.stretch == stretch, "old records must leave before it can be told whether that was enough"


@pytest.mark.parametrize(
    ("streams", "level"),
    [(0, 0), (1, 0), (STREAMS, 0), (STREAMS + 1, 1), (2 * STREAMS, 1), (20_000, 2), (10**6, REPORT_LEVELS)],
)
def test_so_many_agents_are_asked_to_report_less_often_before_any_strain(streams: int, level: int) -> None:
    pressure = Pressure()
    pressure.note(elapsed=LOOK, lateness=0.0, fill=0.0, now=0.0, streams=streams)
    assert pressure.level == level
    assert streams / pressure.slowdown <= STREAMS or level == REPORT_LEVELS
    for now in range(1, int(CALM) * 4):
        pressure.note(elapsed=1.0, lateness=0.0, fill=0.0, now=float(now), streams=streams)
    assert pressure.level == level, "no calm takes it away while they are there"
    for now in range(int(CALM) * 4, int(CALM) * 12):
        pressure.note(elapsed=1.0, lateness=0.0, fill=0.0, now=float(now), streams=10)
    assert pressure.level == 0
