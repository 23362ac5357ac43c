"""Small steps, found from all of a host's paths together."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from stamped import all_pairs

from noonmark.collector import joint_steps as joint
from noonmark.collector.change import Change, Ends
from noonmark.collector.corridors import Walls
from noonmark.collector.joint_steps import Fitted, joint_steps
from noonmark.collector.jump_evidence import log_chance_bound, sides_of, weighed
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate

NODES, SLOTS = 10, 24
PAIRS = np.array(all_pairs(NODES))
ENDS = Ends(PAIRS[:, 0], PAIRS[:, 1], NODES)
SLOT_S = 2.5
SECONDS = (np.arange(SLOTS) + 0.5) * SLOT_S - 60.0
WAIT_NS = 1_000.0
JUMPED = 4
"""The node that does in these tests; neither first nor last of its paths."""


def mesh(rng: np.random.Generator, clock_ns: np.ndarray | None = None) -> Walls:
    """All pairs, a point each way a slot, exponential waits; clocks follow rows of `clock_ns` (NODES, SLOTS)."""
    clock_ns = np.zeros((NODES, SLOTS)) if clock_ns is None else clock_ns
    y = clock_ns[PAIRS[:, 1]] - clock_ns[PAIRS[:, 0]]
    when = np.broadcast_to(SECONDS, y.shape).copy()
    wait = rng.exponential(WAIT_NS, (2, *y.shape))
    return Walls(when, y + 20_000 + wait[0], when, y - 20_000 - wait[1])


def found(walls: Walls, slope: np.ndarray | None = None, ends: Ends = ENDS, blameless: int = 0) -> list[Change]:
    spread = np.full(len(walls.upper_ns), WAIT_NS / SLOTS)
    slope = np.zeros(len(spread)) if slope is None else slope
    return joint_steps(Fitted(walls, slope, spread, spread, np.zeros(len(spread)), 0.0), ends, blameless)


def stepped(size_ns: float, slot: int) -> np.ndarray:
    clocks = np.zeros((NODES, SLOTS))
    clocks[JUMPED, slot:] += size_ns
    return clocks


@pytest.mark.parametrize("slot", [6, 12, 16, 20])
@pytest.mark.parametrize("sign", [-1, 1])
def test_steps_like_a_paths_waits_are_found_with_host_time_and_size(slot: int, sign: int) -> None:
    # Four points a path after the latest: each least delay is then good to a quarter of a wait.
    for seed in range(3):
        walls = mesh(np.random.default_rng([seed, slot]), stepped(sign * 1.5 * WAIT_NS, slot))
        (change,) = found(walls)
        assert (change.node, change.step) == (JUMPED, True)
        assert abs(change.boundary_s - (slot * SLOT_S - 60.0)) <= 2.0 * SLOT_S
        assert change.size == pytest.approx(sign * 1.5 * WAIT_NS, rel=0.5)


def test_a_drift_that_took_up_a_good_part_of_the_step_hides_nothing() -> None:
    walls = mesh(np.random.default_rng(3), stepped(1_500.0, 14))
    own = (PAIRS == JUMPED).any(axis=1)
    outward = np.where(PAIRS[:, 1] == JUMPED, 1.0, -1.0)
    tilted = own * outward * 1_500.0 / 60.0
    (change,) = found(walls, tilted)
    assert change.node == JUMPED
    assert change.size == pytest.approx(1_500.0, rel=0.2)


def test_straight_clocks_do_not_jump() -> None:
    for seed in range(25):
        assert found(mesh(np.random.default_rng(seed))) == []


@pytest.mark.parametrize("towards", [True, False])
@pytest.mark.parametrize("late", [True, False])
def test_a_hosts_busy_line_is_no_step(towards: bool, late: bool) -> None:
    busy = np.arange(SLOTS) >= 18 if late else np.arange(SLOTS) < 18
    for seed in range(4):
        rng = np.random.default_rng(seed)
        walls = mesh(rng)
        queue = busy * (3_000.0 + rng.exponential(500.0, (len(PAIRS), SLOTS)))
        for number, second in enumerate(PAIRS[:, 1] == JUMPED):
            if JUMPED not in PAIRS[number]:
                continue
            # Towards the host is forward on the paths where it is the second, and backward on the others.
            if second == towards:
                walls.upper_ns[number] += queue[number]
            else:
                walls.lower_ns[number] -= queue[number]
        assert found(walls) == []


def test_a_line_busy_towards_the_host_and_then_away_from_it_is_no_step() -> None:
    # The middles move as by a step; round trips do not stay as they were.
    for seed in range(4):
        walls = mesh(np.random.default_rng(seed))
        second = (PAIRS[:, 1] == JUMPED)[:, None]
        own = (PAIRS == JUMPED).any(axis=1)[:, None]
        before = np.arange(SLOTS) < 18
        walls.lower_ns[:] -= np.where(own & second & before, 4_000.0, 0.0) + np.where(
            own & ~second & ~before, 9_000.0, 0.0
        )
        walls.upper_ns[:] += np.where(own & ~second & before, 4_000.0, 0.0) + np.where(
            own & second & ~before, 9_000.0, 0.0
        )
        assert found(walls) == []


@pytest.mark.parametrize("slot", [8, 12, 16])
@pytest.mark.parametrize("ppb", [-40.0, 40.0])
def test_a_change_of_rate_is_no_step(slot: int, ppb: float) -> None:
    for seed in range(4):
        clocks = np.zeros((NODES, SLOTS))
        clocks[JUMPED] = ppb * np.maximum(SECONDS - SECONDS[slot], 0.0)
        assert [one for one in found(mesh(np.random.default_rng(seed), clocks)) if one.step] == []


@pytest.mark.parametrize("slot", [8, 12, 16])
@pytest.mark.parametrize("ppb", [-150.0, 150.0])
def test_a_clear_change_of_rate_is_told_for_what_it_is(slot: int, ppb: float) -> None:
    for seed in range(4):
        clocks = np.zeros((NODES, SLOTS))
        clocks[JUMPED] = ppb * np.maximum(SECONDS - SECONDS[slot], 0.0)
        for one in found(mesh(np.random.default_rng(seed), clocks)):
            assert (one.node, one.step) == (JUMPED, False)
            assert one.size == pytest.approx(ppb, rel=0.4)
            assert one.boundary_s == pytest.approx(SECONDS[slot], abs=2.0 * one.slot_s)


def test_of_fewer_than_four_paths_nobody_can_tell_who_jumped() -> None:
    ends = Ends(np.array([0, 0, 0]), np.array([1, 2, 3]), 4)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        wait = rng.exponential(WAIT_NS, (2, 3, SLOTS))
        when = np.broadcast_to(SECONDS, (3, SLOTS)).copy()
        jump = np.where(np.arange(SLOTS) >= 18, 50_000.0, 0.0)
        walls = Walls(when, 20_000 - jump + wait[0], when, -20_000 - jump - wait[1])
        assert found(walls, ends=ends, blameless=1) == []


def test_one_line_that_changed_does_not_hide_a_jump_that_all_others_show() -> None:
    for seed in range(3):
        walls = mesh(np.random.default_rng(seed), stepped(30_000.0, 20))
        own = np.flatnonzero((PAIRS == JUMPED).any(axis=1))[2]
        walls.upper_ns[own, 20:] += 25_000.0
        (change,) = found(walls)
        assert change.node == JUMPED
        assert change.size == pytest.approx(30_000.0, rel=0.03)


def test_reference_time_does_not_jump() -> None:
    walls = mesh(np.random.default_rng(0), stepped(5_000.0, 18))
    assert JUMPED not in [change.node for change in found(walls, blameless=JUMPED)]


def test_large_fleets_find_the_same_among_suspects(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(joint, "THOROUGH", 0)
    for seed in range(5):
        (change,) = found(mesh(np.random.default_rng(seed), stepped(1_500.0, 20)))
        assert change.node == JUMPED
        assert found(mesh(np.random.default_rng(seed))) == []


@pytest.mark.parametrize("terms", [1, 8, 40])
def test_bound_of_chance_holds_and_nears_the_normal_law(terms: int) -> None:
    """Against scipy's Laplace distribution: exactly for one term, by 400,000 sums of more."""
    deviations = np.array([1.0, 2.0, 3.0, 4.0])
    bound = np.exp(log_chance_bound(deviations, np.full(4, float(terms)), np.ones(4, dtype=bool)))
    one = stats.laplace(scale=np.sqrt(0.5))
    if terms == 1:
        chance = one.sf(deviations)
    else:
        sums = one.rvs((400_000, terms), random_state=1).sum(axis=1) / np.sqrt(terms)
        chance = (sums[:, None] > deviations).mean(axis=0)
    assert (bound >= chance).all()
    assert (bound < 20.0 * chance).all()
    assert np.exp(log_chance_bound(np.array([4.0]), np.array([1e6]), np.array([True])))[0] == pytest.approx(
        np.exp(-8.0), rel=0.01
    )


@pytest.mark.parametrize("slots", [12, 24])
@pytest.mark.parametrize("slower", [1.0, 30.0])
def test_a_host_whose_stamps_err_more_than_all_others_is_no_surer_to_have_jumped(slower: float, slots: int) -> None:
    """Its standard deviations are such, whatever waits are usual in the fleet."""
    own = (PAIRS == JUMPED).any(axis=1)
    # Every path stands twice, once for each of its hosts.
    owner = np.concatenate([PAIRS[:, 0], PAIRS[:, 1]])
    outward = np.repeat([-1.0, 1.0], len(PAIRS))
    deviations = []
    for seed in range(60):
        wait = np.random.default_rng(seed).exponential(WAIT_NS, (2, len(PAIRS), slots))
        wait[:, own] *= slower
        when = np.broadcast_to(SECONDS[:slots], wait.shape[1:])
        walls = Walls(when, 20_000 + wait[0], when, -20_000 - wait[1])
        sides = sides_of(walls.rows(np.tile(np.arange(len(PAIRS)), 2)), np.zeros(len(owner)))
        for told in weighed(sides, np.zeros(len(owner)), owner, outward, NODES, range(4, 7), 0.0):
            deviations.append(told.deviations[JUMPED])
    assert 0.6 < np.sqrt(np.mean(np.square(deviations))) < 1.15


@pytest.mark.parametrize("slots", [1, 2, 3, 4, 5])
def test_few_slots_show_nothing_and_break_nothing(slots: int) -> None:
    walls = mesh(np.random.default_rng(0))
    some = Walls(*(side[:, :slots] for side in (walls.upper_s, walls.upper_ns, walls.lower_s, walls.lower_ns)))
    assert found(some) == []


def test_of_a_few_wandering_clocks_none_jumps_because_the_others_happen_to_wander_less() -> None:
    probes, truth = simulate("wandering-clocks", hosts=8, seed=200298)
    assert step(probes, references=truth.references).findings == ()
