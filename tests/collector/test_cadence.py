from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from small_estimates import HOSTS, estimate

from noonmark.collector.cadence import (
    FASTER_AFTER_S,
    LEAST_A_WINDOW,
    TRAILING_FROM_NS,
    Cadence,
    CadenceSettings,
    advance,
    intervals_ns,
)
from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate

BASE = 1_000_000_000
ADAPTIVE = CadenceSettings(BASE, BASE // 4, 4 * BASE)
TICK = 5.0


class Course:
    """A fleet's estimates, one a tick."""

    def __init__(self, settings: CadenceSettings = ADAPTIVE, tolerance_ns: float = np.inf) -> None:
        self.settings = settings
        self.tolerance = np.full(len(HOSTS), tolerance_ns)
        self.cadence = Cadence()
        self.previous: FleetEstimate | None = None
        self.now = 0.0
        self.changes = 0

    def tick(self, times: int = 1, offsets_ns: tuple[int, ...] = (0, 0, 0, 0), *findings: Finding) -> list[int]:
        for _ in range(times):
            self.now += TICK
            newest = estimate(self.now, offsets_ns, *findings)
            before = self.cadence.of(HOSTS)
            self.cadence = advance(self.cadence, newest, self.previous, self.tolerance, self.settings, now=self.now)
            self.changes += int((self.cadence.of(HOSTS) != before).sum())
            self.previous = newest
        return [int(level) for level in self.cadence.of(HOSTS)]


def test_steady_clocks_are_probed_less_often_one_step_a_window_and_references_are_not() -> None:
    course = Course()
    assert course.tick(11) == [0, 0, 0, 0]
    assert course.tick(3) == [1, 1, 1, 0]
    assert course.tick(14) == [2, 2, 2, 0]
    assert course.tick(100) == [2, 2, 2, 0]
    assert course.changes == 6


def test_trouble_is_probed_at_once_as_often_as_may_be_and_wears_off() -> None:
    course = Course()
    course.tick(40)
    step = Finding(FindingKind.STEP, 0, "quay's clock was set", host="quay")
    assert course.tick(1, (0, 0, 0, 0), step) == [-2, 2, 2, 0]
    assert course.tick(11) == [-2, 2, 2, 0]
    assert course.tick(2)[0] == -1
    assert course.tick(60) == [2, 2, 2, 0]


def test_findings_that_more_probes_do_not_help_change_nothing() -> None:
    course = Course()
    course.tick(40)
    path = Finding(FindingKind.ASYMMETRIC_PATH, 0, "", path=("quay", "holm"))
    silent = Finding(FindingKind.STALE, 0, "", host="skerry")
    assert course.tick(5, (0, 0, 0, 0), path, silent) == [2, 2, 2, 0]


@pytest.mark.parametrize(
    ("offset_ns", "level"),
    [
        (0, 2),
        (200, 2),  # 200 + 2 * 100 of 1000: less than half is filled
        (500, 0),  # between steady and wanting nothing moves
        (750, -2),  # 950 of 1000: more probes could tell
        (1100, -2),  # perhaps out
        (5000, 2),  # out for certain: more probes tell nothing new
    ],
)
def test_level_follows_how_much_of_the_budget_is_filled(offset_ns: int, level: int) -> None:
    course = Course(tolerance_ns=1000.0)
    assert course.tick(60, (offset_ns, 0, 0, 0))[0] == level


def test_wanting_host_gets_faster_step_by_step() -> None:
    course = Course(tolerance_ns=1000.0)
    levels = [course.tick(1, (900, 0, 0, 0))[0] for _ in range(12)]
    assert levels[-1] == -2
    assert {after - before for before, after in itertools.pairwise(levels)} <= {0, -1}
    assert levels.index(-2) - levels.index(-1) >= FASTER_AFTER_S / TICK


def test_clock_that_wanders_off_what_was_foretold_returns_to_the_base() -> None:
    course = Course()
    assert course.tick(40)[0] == 2
    assert course.tick(1, (1000, 0, 0, 0)) == [0, 2, 2, 0]


def test_small_noise_around_a_threshold_does_not_make_levels_flap() -> None:
    course = Course(tolerance_ns=1000.0)
    for _ in range(100):
        course.tick(1, (299, 0, 0, 0))
        course.tick(1, (301, 0, 0, 0))
    assert course.changes <= 6


def test_fixed_rate_stays_fixed_whatever_happens() -> None:
    course = Course(CadenceSettings(), tolerance_ns=1000.0)
    step = Finding(FindingKind.STEP, 0, "", host="quay")
    assert course.tick(50, (900, 0, 0, 0), step) == [0, 0, 0, 0]
    assert not course.settings.adaptive


def test_window_bounds_the_slowest_interval() -> None:
    wide = CadenceSettings(BASE, BASE, 60 * BASE, window_s=60.0)
    assert BASE * 2**wide.slowest <= 60e9 / LEAST_A_WINDOW < BASE * 2 ** (wide.slowest + 1)


def test_host_unknown_before_starts_at_the_base_and_others_keep_their_level() -> None:
    course = Course()
    course.tick(40)
    cadence = course.cadence
    newest = replace(estimate(course.now + TICK), hosts=("new", "skerry", "holm", "reference"))
    after = advance(cadence, newest, course.previous, course.tolerance, ADAPTIVE, now=course.now + TICK)
    assert after.of(("new", "skerry", "nobody")).tolist() == [0, 2, 0]


# --- intervals of paths

STAR_ASKER = np.array([0, 1, 2, 3], np.int32)
STAR_ASKED = np.array([1, 0, 0, 0], np.int32)


def test_path_follows_the_more_urgent_end() -> None:
    found = intervals_ns(STAR_ASKER, STAR_ASKED, np.array([2, 2, -1, 2]), ADAPTIVE)
    assert (found / BASE).tolist() == [4, 4, 0.5, 4]


def test_budget_slows_paths_of_the_busy_host_only() -> None:
    asker = np.array([1, 2, 3, 4, 5, 6, 7, 8, 8, 9], np.int32)
    asked = np.array([0, 0, 0, 0, 0, 0, 0, 0, 9, 8], np.int32)
    tight = replace(ADAPTIVE, packets_per_second=8.0)
    found = intervals_ns(asker, asked, np.zeros(10, np.int64), tight)
    assert (found / BASE).tolist() == [2] * 8 + [1, 1]
    sent = (2 / (found / 1e9))[asked == 0].sum()
    assert sent <= 8.0


@pytest.mark.parametrize("budget", [2.0, 7.0, 30.0, 100.0])
def test_no_host_sends_more_than_its_budget(budget: float) -> None:
    rng = np.random.default_rng(3)
    hosts = 40
    asker = np.repeat(np.arange(hosts), 8).astype(np.int32)
    asked = ((asker + rng.integers(1, hosts, asker.size)) % hosts).astype(np.int32)
    level = rng.integers(-2, 3, hosts)
    found = intervals_ns(asker, asked, level, replace(ADAPTIVE, packets_per_second=budget))
    packets = np.where(found > TRAILING_FROM_NS, 3, 2) / (found / 1e9)
    sent = np.bincount(asker, packets, hosts) + np.bincount(asked, packets, hosts)
    assert (sent <= budget + 1e-9).all()


def test_without_a_budget_nobody_sends_more_than_twice_the_usual() -> None:
    found = intervals_ns(STAR_ASKER, STAR_ASKED, np.full(4, -2), ADAPTIVE)
    assert (found / BASE).tolist() == [0.5] * 4


def test_stretch_slows_everybody_beyond_the_slowest() -> None:
    found = intervals_ns(STAR_ASKER, STAR_ASKED, np.array([2, 2, 0, 0]), ADAPTIVE, stretch=2)
    assert (found / BASE).tolist() == [16, 16, 4, 4]
