"""Clocks set by seconds and hours within the window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector.estimate import FindingKind, FleetEstimate, ProbeColumns, Reference
from noonmark.collector.jumps import without_jumps
from noonmark.collector.pipeline import step

HOSTS = 8
WHEN_NS = EPOCH_NS - 25 * SECOND_NS
MINUTE_AGO_NS = EPOCH_NS - 60 * SECOND_NS


@dataclass(frozen=True)
class SetClock(Clock):
    """A clock that is set by so much at WHEN_NS, or at another instant."""

    by_ns: int = 0
    when_ns: int = WHEN_NS

    def read(self, true_ns: np.ndarray) -> np.ndarray:
        """With what it was set by."""
        return super().read(true_ns) + np.where(true_ns >= self.when_ns, self.by_ns, 0)


def clocks(seed: int) -> list[Clock]:
    rng = np.random.default_rng(seed)
    drawn = zip(rng.integers(-(10**7), 10**7, HOSTS).tolist(), rng.uniform(-5e-5, 5e-5, HOSTS).tolist(), strict=True)
    return [Clock(), *(Clock(offset, drift) for offset, drift in drawn)][:HOSTS]


def set_by(clock: Clock, by_ns: int, when_ns: int = WHEN_NS) -> SetClock:
    return SetClock(clock.offset_ns, clock.drift, clock.tick_ns, by_ns, when_ns)


def probes(own: list[Clock]) -> ProbeColumns:
    pairs = [pair if sum(pair) % 2 else pair[::-1] for pair in all_pairs(HOSTS)]
    return stamped(own, pairs, roads=Roads(400_000, 400_000, 50_000.0), exchanges=60, seed=1)


def error_ns(estimate: FleetEstimate, own: list[Clock], host: int) -> float:
    clock = own[host]
    by = clock.by_ns if isinstance(clock, SetClock) and estimate.at_ns >= clock.when_ns else 0
    return float(estimate.offset_ns[host]) - clock.error_ns(estimate.at_ns) - by


@pytest.mark.parametrize("by_ns", [-7_200 * SECOND_NS, -(10**9), 10**9, 3_300_000_000, 86_400 * SECOND_NS])
@pytest.mark.parametrize("at_ns", [None, MINUTE_AGO_NS + 10 * SECOND_NS])
def test_clock_set_within_the_window_is_told_and_estimated_on_the_asked_side(by_ns: int, at_ns: int | None) -> None:
    own = clocks(2)
    own[5] = set_by(own[5], by_ns)
    columns = probes(own)
    estimate = step(columns, references=(Reference(columns.hosts[0]),), at_ns=at_ns)
    steps = [finding for finding in estimate.findings if finding.kind is FindingKind.STEP]
    assert [finding.host for finding in steps] == [columns.hosts[5]]
    assert steps[0].size_ns == pytest.approx(by_ns, abs=3e6)
    assert steps[0].at_ns == pytest.approx(WHEN_NS, abs=2 * SECOND_NS)
    assert {finding.kind for finding in estimate.findings} <= {FindingKind.STEP, FindingKind.LEAP_OR_SMEAR}
    for host in range(1, HOSTS):
        assert abs(error_ns(estimate, own, host)) < 30_000, host


def test_two_clocks_set_at_different_times() -> None:
    own = clocks(3)
    own[2], own[6] = set_by(own[2], 3_600 * SECOND_NS), set_by(own[6], 3_600 * SECOND_NS, WHEN_NS - 20 * SECOND_NS)
    columns = probes(own)
    estimate = step(columns, references=(Reference(columns.hosts[0]),))
    steps = {finding.host for finding in estimate.findings if finding.kind is FindingKind.STEP}
    assert steps == {columns.hosts[2], columns.hosts[6]}
    for host in range(1, HOSTS):
        assert abs(error_ns(estimate, own, host)) < 30_000, host


def test_reference_that_is_set_is_told_and_all_offsets_move_against_it() -> None:
    own = clocks(4)
    own[0] = set_by(own[0], 600 * SECOND_NS)
    columns = probes(own)
    estimate = step(columns, references=(Reference(columns.hosts[0]),))
    assert [f.host for f in estimate.findings if f.kind is FindingKind.STEP] == [columns.hosts[0]]
    true_ns = estimate.at_ns - 600 * SECOND_NS
    for host in range(1, HOSTS):
        assert abs(float(estimate.offset_ns[host]) + 600e9 - own[host].error_ns(true_ns)) < 30_000, host


@pytest.mark.parametrize("seed", range(5))
def test_clocks_that_were_not_set_are_left_alone(seed: int) -> None:
    columns = probes([*clocks(seed)[:-1], Clock(5 * 10**12, 5e-4)])
    kept, jumps = without_jumps(columns, np.ones(HOSTS, dtype=np.int64), np.zeros(1, dtype=np.int64), None)
    assert len(kept) == len(columns)
    assert jumps == ()


def test_stamps_that_jump_all_the_time_are_no_clock_that_was_set() -> None:
    columns = probes(clocks(0))
    lies = np.random.default_rng(0).choice([0, 20 * SECOND_NS], len(columns))
    for stamps in (columns.t2_ns, columns.t3_ns):
        stamps += np.where(columns.destination == 3, lies, 0)
    kept, jumps = without_jumps(columns, np.ones(HOSTS, dtype=np.int64), np.zeros(1, dtype=np.int64), None)
    assert len(kept) == len(columns)
    assert jumps == ()
