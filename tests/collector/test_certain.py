"""What the probes prove of every clock, with all that is allowed for."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector import certain
from noonmark.collector.estimate import FleetEstimate, Reference
from noonmark.collector.pipeline import Settings, step
from noonmark.collector.rows import choose
from noonmark.lab.simulate import simulate

CLOCKS = [Clock(), Clock(40_000, 3e-6), Clock(-90_000, -7e-6), Clock(1_000, 1e-6), Clock(5, 2e-6)]
REFERENCE = [Reference("host-0")]


def solved(
    *, clocks: list[Clock] = CLOCKS, wait_ns: float = 5_000.0, wander_ppb: float = 1.0, at_s: int = 0, seed: int = 0
) -> FleetEstimate:
    probes = stamped(clocks, all_pairs(len(clocks)), roads=Roads(20_000, 20_000, wait_ns), exchanges=24, seed=seed)
    at_ns = EPOCH_NS + at_s * SECOND_NS
    return step(probes, references=REFERENCE, at_ns=at_ns, settings=Settings(wander_ppb=wander_ppb))


def truth(at_s: int = 0, clocks: list[Clock] = CLOCKS) -> np.ndarray:
    return np.array([clock.error_ns(EPOCH_NS + at_s * SECOND_NS) for clock in clocks])


@pytest.mark.parametrize("at_s", [-500, -60, -30, 0, 500])
@pytest.mark.parametrize("seed", range(3))
def test_truth_lies_within_the_limits_at_any_instant(at_s: int, seed: int) -> None:
    estimate = solved(at_s=at_s, seed=seed)
    assert (estimate.lower_ns <= truth(at_s)).all()
    assert (truth(at_s) <= estimate.upper_ns).all()


def test_limits_are_never_narrower_than_the_round_trip_allows() -> None:
    """Two clocks alone, in the middle of their probes: the corridor is as wide as the round trip, however many."""
    estimate = solved(clocks=CLOCKS[:2], wait_ns=0.0, wander_ppb=0.0, at_s=-30)
    width = int(estimate.upper_ns[1] - estimate.lower_ns[1])
    # Least round trip 40 us, both clocks' ticks of 1 ns on each side, rounding outwards.
    assert 40_000 <= width <= 40_030


def test_reference_is_exactly_itself() -> None:
    estimate = solved()
    assert (estimate.lower_ns[0], estimate.upper_ns[0]) == (0, 0)


def test_more_wander_allowed_is_wider_by_its_time() -> None:
    narrow = solved(wander_ppb=0.0, at_s=60)
    wide = solved(wander_ppb=50.0, at_s=60)
    grown = (wide.upper_ns - wide.lower_ns - narrow.upper_ns + narrow.lower_ns)[1:]
    # Nearest probes are 60 s away: 50 ppb there is 3 us on either side, and more through the slopes.
    assert (grown >= 2 * 50 * 60 - 10).all()


def test_many_paths_use_the_asked_instant_alone_and_stay_true(monkeypatch: pytest.MonkeyPatch) -> None:
    tight = solved()
    monkeypatch.setattr(certain, "MANY_PATHS", 0)
    quick = solved()
    assert (quick.lower_ns <= tight.lower_ns + 1).all()
    assert (quick.upper_ns >= tight.upper_ns - 1).all()
    assert (quick.lower_ns <= truth()).all()
    assert (truth() <= quick.upper_ns).all()


def test_ticks_are_allowed_for() -> None:
    clocks = [Clock(), Clock(40_500, tick_ns=1_000), Clock(-90_000, tick_ns=10_000)]
    for seed in range(3):
        estimate = solved(clocks=clocks, wait_ns=500.0, seed=seed)
        true = np.array([0, 40_500, -90_000])
        assert ((estimate.lower_ns <= true) & (true <= estimate.upper_ns)).all()


def test_references_that_declare_limits_lend_them_to_all() -> None:
    probes = stamped(CLOCKS, all_pairs(5), roads=Roads(20_000, 20_000, 2_000.0))
    both = [Reference("host-0", 50.0, 300.0), Reference("host-4", 50.0, 300.0)]
    estimate = step(probes, references=both, at_ns=EPOCH_NS)
    assert (estimate.lower_ns[[0, 4]] >= -301).all()
    assert (estimate.upper_ns[[0, 4]] <= 301).all()
    assert ((estimate.lower_ns <= truth() + 0) & (truth() <= estimate.upper_ns)).all()


def test_path_limits_hold_the_true_difference_and_the_whole_is_no_wider() -> None:
    estimate = solved()
    paths = estimate.paths
    difference = truth()[paths.second] - truth()[paths.first]
    assert ((paths.lower_ns <= difference) & (difference <= paths.upper_ns)).all()
    direct = paths.first == 0
    hosts = paths.second[direct]
    assert (estimate.upper_ns[hosts] <= paths.upper_ns[direct] + 1).all()
    assert (estimate.lower_ns[hosts] >= paths.lower_ns[direct] - 1).all()


@pytest.mark.parametrize("seed", [8, 9, 15, 17])
def test_limits_hold_while_a_change_of_rate_is_too_new_to_be_found(seed: int) -> None:
    """Ticks after a sudden change of rate: walls that no straight line fits say that a clock did not run straight.

    Before a probe contradicts the line nothing can say so, and limits may be wrong by what the change moved.
    """
    probes, true_clocks = simulate("frequency-change", hosts=8, seconds=240, seed=seed)
    changed = round((true_clocks.events[0].at_ns - true_clocks.start_ns) / 1e9)
    for at_s in range(changed + 5, changed + 22, 4):
        at_ns = true_clocks.start_ns + at_s * 10**9
        window = choose(probes, (probes.t1_ns >= at_ns - 60 * 10**9) & (probes.t4_ns < at_ns))
        estimate = step(window, references=true_clocks.references)
        true = true_clocks.offsets_ns(estimate.at_ns)
        assert (estimate.lower_ns <= true).all()
        assert (true <= estimate.upper_ns).all()
