"""The window is cut where a clock changed, and halved while clocks do not run straight."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, joined, stamped, taken

from noonmark.collector.change import Change
from noonmark.collector.estimate import ProbeColumns, Reference
from noonmark.collector.linefit import anchoring
from noonmark.collector.pipeline import step
from noonmark.collector.settle import Settled, _Seen, changes_in, crookedness, settle
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import Survey, survey_window
from noonmark.lab.simulate import simulate

HOSTS = 7
ROADS = Roads(20_000, 20_000, 800.0)


def fit_of(probes: ProbeColumns, at_ns: int = EPOCH_NS) -> partial[Survey]:
    anchors = anchoring(probes.hosts, (Reference("host-0"),))
    return partial(survey_window, anchors=anchors, tick_ns=granularity(probes), at_ns=at_ns, previous=None, slots=24)


def settled(probes: ProbeColumns, at_ns: int = EPOCH_NS) -> Settled:
    return settle(probes, fit_of(probes, at_ns))


def stepping(size_ns: int, ago_s: float, *, host: int = 4, seed: int = 0) -> ProbeColumns:
    """A fleet in which one clock steps `ago_s` before EPOCH_NS."""
    before = [Clock(1_000 * number, 1e-6 * number) for number in range(HOSTS)]
    after = list(before)
    after[host] = Clock(before[host].offset_ns + size_ns, before[host].drift)
    one, other = (stamped(clocks, all_pairs(HOSTS), roads=ROADS, exchanges=48, seed=seed) for clocks in (before, after))
    # The same instants and delays in both: which rows belong to which side is told by an unaffected clock.
    asked = np.where(one.source == host, one.t2_ns - 20_000, one.t1_ns)
    early = asked < EPOCH_NS - ago_s * SECOND_NS
    return joined(taken(one, early), taken(other, ~early))


def test_quiet_fleet_is_left_whole() -> None:
    probes = stamped([Clock(9 * n, 1e-6 * n) for n in range(HOSTS)], all_pairs(HOSTS), roads=ROADS, exchanges=48)
    result = settled(probes)
    assert result.changes == ()
    assert len(result.survey.probes) == len(probes)
    assert not result.restless_ppb.any()
    assert not result.unseen_ns.any()
    assert not result.undecided_ns.any()


@pytest.mark.parametrize("size_ns", [-20_000_000, 60_000])
def test_only_what_follows_a_step_is_kept_of_the_stepping_host(size_ns: int) -> None:
    probes = stepping(size_ns, 25.0)
    result = settled(probes)
    (change,) = result.changes
    assert (change.node, change.step) == (4, True)
    kept = result.survey
    own = (kept.probes.source == 4) | (kept.probes.destination == 4)
    assert own.any()
    assert kept.points().upper_s[own].min() > -26.5
    # Of all others everything is kept.
    others = (probes.source != 4) & (probes.destination != 4)
    assert (~own).sum() == others.sum()
    offset = kept.frames.offset_ns + kept.fit.offset_ns
    assert offset[4] == pytest.approx(4_000 + size_ns, abs=500.0)
    assert offset[3] == pytest.approx(3_000, abs=500.0)


def test_before_a_step_the_earlier_clock_is_told() -> None:
    result = settled(stepping(3_000_000, 25.0), EPOCH_NS - 50 * SECOND_NS)
    offset = result.survey.frames.offset_ns + result.survey.fit.offset_ns
    assert offset[4] == pytest.approx(4_000 - 50 * 4_000, abs=1_000.0)


def test_asked_within_a_slot_of_a_step_both_sides_stay_possible() -> None:
    result = settled(stepping(3_000_000, 25.0), EPOCH_NS - 25 * SECOND_NS)
    assert result.undecided_ns[4] == pytest.approx(3_000_000, rel=0.05)
    assert np.flatnonzero(result.undecided_ns).tolist() == [4]


def test_changes_are_none_in_a_settled_window() -> None:
    assert changes_in(settled(stepping(5_000_000, 30.0)).survey) == []


def wavy(amplitude_ns: float) -> ProbeColumns:
    """A fleet whose clocks all wave with periods of about 30 s."""
    probes = stamped([Clock() for _ in range(HOSTS)], all_pairs(HOSTS), roads=ROADS, exchanges=160)
    phase = np.random.default_rng(1).uniform(0, 6.28, HOSTS)
    phase[0] = np.nan

    def waved(host: np.ndarray, stamp: np.ndarray) -> np.ndarray:
        wave = amplitude_ns * np.sin((stamp - EPOCH_NS) / 30e9 * 6.28 + phase[host])
        return stamp + np.rint(np.nan_to_num(wave)).astype(np.int64)

    return ProbeColumns(
        probes.hosts,
        probes.source,
        probes.destination,
        waved(probes.source, probes.t1_ns),
        waved(probes.destination, probes.t2_ns),
        waved(probes.destination, probes.t3_ns),
        waved(probes.source, probes.t4_ns),
        probes.flags,
        probes.source_epoch,
        probes.destination_epoch,
    )


def test_waving_clocks_shorten_the_window_and_are_said_to_be_restless() -> None:
    probes = wavy(20_000.0)
    ratio, rough_ns = crookedness(fit_of(probes)(probes))
    assert ratio > 2.0
    assert rough_ns > 3_000.0
    result = settled(probes)
    assert result.survey.fit.window.span_s < 35.0
    assert (result.restless_ppb[1:HOSTS] > 0).all()
    assert (result.unseen_ns[1:HOSTS] > 0).all()
    # The reference is straight by definition.
    assert result.restless_ppb[HOSTS] == 0.0
    assert result.unseen_ns[HOSTS] == 0.0


def test_straight_clocks_are_not_crooked_whatever_their_queues() -> None:
    for wait in (100.0, 3_000.0, 50_000.0):
        probes = stamped(
            [Clock(n, 1e-6 * n) for n in range(HOSTS)],
            all_pairs(HOSTS),
            roads=Roads(20_000, 20_000, wait),
            exchanges=60,
        )
        assert crookedness(fit_of(probes)(probes))[0] < 2.0


@pytest.mark.parametrize("seed", [3, 9, 15])
def test_limits_hold_for_an_instant_within_a_hosts_sleep(seed: int) -> None:
    probes, truth = simulate("suspended", hosts=60, seed=seed)
    at_ns = truth.start_ns + (truth.end_ns - truth.start_ns) * 2 // 3

    estimate = step(probes, references=truth.references, at_ns=at_ns)

    true = truth.offsets_ns(at_ns)
    assert ((estimate.lower_ns <= true) & (true <= estimate.upper_ns)).all()


def test_hosts_that_all_bend_alike_show_the_references_bend_and_no_jump_of_their_own() -> None:
    probes, truth = simulate("quiet-rack", hosts=5, seed=308000)
    assert step(probes, references=truth.references).findings == ()


@pytest.mark.parametrize(("bend_s", "told"), [(-10.0, True), (-15.0, True), (-25.0, False), (-3.0, False)])
def test_a_bend_where_a_jump_would_look_like_one_is_that_jump(bend_s: float, told: bool) -> None:
    """A bend half as far again from the end fits a jump best: the ramp a - t from 0 to a, by its root of a^3 / 3."""
    bend = Change(4, False, bend_s, 124.0, 6.7, 2.5)
    jump = Change(4, True, -8.8, 1_283.0, 10.2, 2.5)
    assert _Seen([bend], [jump]).clearest(False) == [jump if told else bend]
    assert _Seen([bend], [jump]).clearest(True) == [bend]
