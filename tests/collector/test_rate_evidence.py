"""Changes of rate that all of a host's paths show together, long before each of them does."""

from __future__ import annotations

import numpy as np
import pytest
from stepped_clock import hastened

from noonmark.collector.corridors import Walls
from noonmark.collector.estimate import FindingKind
from noonmark.collector.jump_evidence import sides_of
from noonmark.collector.pipeline import step
from noonmark.collector.rate_evidence import RateChanges, rate_changes
from noonmark.lab.simulate import simulate

PATHS, SLOTS, WAIT_NS = 8, 24, 3_000.0
SECONDS = (np.arange(SLOTS) + 0.5) * 2.5 - 60.0
OUTWARD = np.where(np.arange(PATHS) % 2, 1.0, -1.0)


def evidence(
    seed: int, *, ppb: float = 0.0, busy_ns: float = 0.0, both_ways: bool = False, slot: int = 20
) -> RateChanges:
    """Of one host whose clock runs faster from `slot` on, and whose line's queue towards it grows to `busy_ns`."""
    rng = np.random.default_rng(seed)
    since = np.maximum(SECONDS - SECONDS[slot] + 1.25, 0.0)
    y = OUTWARD[:, None] * ppb * since
    queue = busy_ns * since / since.max()
    towards, away = (rng.exponential(WAIT_NS, (PATHS, SLOTS)) for _ in range(2))
    towards = towards + queue
    away = away + queue * both_ways
    second = OUTWARD[:, None] > 0
    upper, lower = y + 20_000 + np.where(second, towards, away), y - 20_000 - np.where(second, away, towards)
    when = np.broadcast_to(SECONDS, y.shape)
    sides = sides_of(Walls(when, upper, when, lower), np.zeros(PATHS))
    owner = np.zeros(PATHS, dtype=np.int64)
    return rate_changes(sides, np.zeros(PATHS), owner, OUTWARD, 1, slot, float(SECONDS[slot]) - 1.25)


@pytest.mark.parametrize("ppb", [-3_000.0, 2_000.0])
@pytest.mark.parametrize("slot", [8, 16, 20])
def test_size_and_how_sure_it_is(ppb: float, slot: int) -> None:
    told = [evidence(seed, ppb=ppb, slot=slot) for seed in range(40)]
    size, deviations = (np.array([getattr(one, name)[0] for one in told]) for name in ("size_ppb", "deviations"))
    assert np.mean([bool(one.borne[0]) for one in told]) > 0.9
    borne = deviations > 0
    off = (size[borne] - ppb) / (np.abs(size[borne]) / deviations[borne])
    # Four slots tell a rate within a third of its standard deviation or so.
    assert np.sqrt(np.mean(off**2)) < 1.6
    assert np.median(deviations) > 6.0


def test_straight_clocks_show_little() -> None:
    deviations = np.array([evidence(seed).deviations[0] for seed in range(300)])
    assert deviations.max() < 5.0


@pytest.mark.parametrize("both_ways", [False, True])
def test_a_queue_that_grows_is_no_change_of_rate(both_ways: bool) -> None:
    told = [evidence(seed, busy_ns=60_000.0, both_ways=both_ways) for seed in range(100)]
    assert not any(one.borne[0] for one in told)


@pytest.mark.parametrize(("ppb", "ago_s"), [(1_000.0, 9.0), (-1_000.0, 12.0), (3_000.0, 7.0)])
def test_a_fresh_change_of_rate_leaves_no_host_too_sure(ppb: float, ago_s: float) -> None:
    for seed in range(2):
        probes, truth = simulate("kernel-lan", hosts=24, seed=seed, interval_s=1.0)
        at_ns, host = truth.start_ns + 60 * 10**9, truth.hosts[4]
        changed = hastened(probes, truth, host, at_ns - round(ago_s * 1e9), ppb)
        estimate = step(changed, references=truth.references, at_ns=at_ns)
        true_ns = truth.offsets_ns(at_ns)[4] + ppb * ago_s
        assert abs(estimate.offset_ns[4] - true_ns) < 3.0 * estimate.uncertainty_ns[4]
        assert estimate.lower_ns[4] <= true_ns <= estimate.upper_ns[4]
        assert {finding.kind for finding in estimate.findings} <= {FindingKind.FREQUENCY_CHANGE, FindingKind.STEP}


def test_a_change_of_rate_half_a_window_ago_is_not_told_as_a_jump() -> None:
    """Less the parabola that follows most of it, it looks like one."""
    for seed in range(3):
        probes, truth = simulate("kernel-lan", hosts=24, seed=seed, interval_s=1.0)
        at_ns, host = truth.start_ns + 60 * 10**9, truth.hosts[4]
        changed = hastened(probes, truth, host, at_ns - 25 * 10**9, 3_000.0)
        estimate = step(changed, references=truth.references, at_ns=at_ns)
        (finding,) = estimate.findings
        assert (finding.kind, finding.host) == (FindingKind.FREQUENCY_CHANGE, host)
        assert finding.evidence["change_ppb"] == pytest.approx(3_000.0, rel=0.1)
        assert abs(estimate.offset_ns[4] - truth.offsets_ns(at_ns)[4] - 75_000) < 3.0 * estimate.uncertainty_ns[4]
