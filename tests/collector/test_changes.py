"""Steps and changes of rate, found from the changed host's own paths."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import all_pairs
from stepped_clock import stepped

from noonmark.collector.change import Change, Ends, shape_of
from noonmark.collector.changes import find_changes
from noonmark.collector.corridors import Walls, widest
from noonmark.collector.estimate import FindingKind
from noonmark.collector.pipeline import step
from noonmark.collector.slots import steady_slope
from noonmark.lab.simulate import simulate

NODES, SLOTS = 8, 24
PAIRS = np.array(all_pairs(NODES))
ENDS = Ends(PAIRS[:, 0], PAIRS[:, 1], NODES)
SECONDS = (np.arange(SLOTS) + 0.5) * 2.5 - 60.0


def walls_of(clock_ns: np.ndarray, rng: np.random.Generator, wait_ns: float = 500.0) -> Walls:
    """A mesh of all pairs whose clocks follow rows of `clock_ns` (NODES, SLOTS)."""
    y = clock_ns[PAIRS[:, 1]] - clock_ns[PAIRS[:, 0]]
    when = np.broadcast_to(SECONDS, y.shape).copy()
    wait = rng.exponential(wait_ns, (2, *y.shape))
    return Walls(when, y + 20_000 + wait[0], when, y - 20_000 - wait[1])


def found(walls: Walls, blameless: int = 0) -> list[Change]:
    corridor = widest(walls)
    slope = np.where(corridor.width_ns < 0, steady_slope(walls, corridor.slope), corridor.slope)
    return find_changes(walls, slope, ENDS, blameless)


def straight(rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(-1e6, 1e6, (NODES, 1)) + rng.uniform(-5e3, 5e3, (NODES, 1)) * SECONDS


@pytest.mark.parametrize("seed", range(20))
def test_straight_clocks_show_no_change(seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert found(walls_of(straight(rng), rng)) == []


@pytest.mark.parametrize("size", [-3e7, -40_000.0, 40_000.0, 2e6])
@pytest.mark.parametrize("slot", [6, 12, 20])
def test_step_is_found_with_host_time_and_size(size: float, slot: int) -> None:
    rng = np.random.default_rng([slot, abs(int(size))])
    clocks = straight(rng)
    clocks[5, slot:] += size
    (change,) = found(walls_of(clocks, rng))
    assert (change.node, change.step) == (5, True)
    assert change.boundary_s == pytest.approx((SECONDS[slot - 1] + SECONDS[slot]) / 2, abs=1.3 * change.slot_s)
    assert change.size == pytest.approx(size, rel=0.02, abs=3_000.0)
    assert change.certainty > 6.0


@pytest.mark.parametrize("ppb", [-20_000.0, 3_000.0])
def test_change_of_rate_is_found_with_host_time_and_size(ppb: float) -> None:
    rng = np.random.default_rng(3)
    clocks = straight(rng)
    clocks[3] += ppb * np.maximum(SECONDS + 25.0, 0.0)
    (change,) = found(walls_of(clocks, rng))
    assert (change.node, change.step) == (3, False)
    assert change.boundary_s == pytest.approx(-25.0, abs=6.0)
    assert change.size == pytest.approx(ppb, rel=0.25)


def test_two_hosts_that_step_are_both_named() -> None:
    rng = np.random.default_rng(4)
    clocks = straight(rng)
    clocks[2, 8:] += 300_000.0
    clocks[6, 15:] -= 500_000.0
    changes = {change.node: change for change in found(walls_of(clocks, rng))}
    assert set(changes) == {2, 6}
    assert changes[2].size == pytest.approx(300_000.0, rel=0.05)
    assert changes[6].size == pytest.approx(-500_000.0, rel=0.05)


@pytest.mark.parametrize("side", ["upper", "lower"])
def test_standing_congestion_on_all_of_a_hosts_lines_one_way_is_no_step(side: str) -> None:
    rng = np.random.default_rng(5)
    walls = walls_of(straight(rng), rng)
    own = (PAIRS == 4).any(axis=1)
    # Everything that host 4 receives waits 80 us more from the middle of the window on.
    inward = PAIRS[:, 1] == 4
    late = np.arange(SLOTS) >= 12
    if side == "upper":
        walls.upper_ns[np.ix_(own & inward, late)] += 80_000.0
        walls.lower_ns[np.ix_(own & ~inward, late)] -= 80_000.0
    else:
        walls.lower_ns[np.ix_(own & inward, late)] -= 80_000.0
        walls.upper_ns[np.ix_(own & ~inward, late)] += 80_000.0
    assert found(walls) == []


def test_where_two_hosts_alone_meet_the_reference_is_not_blamed() -> None:
    rng = np.random.default_rng(6)
    y = np.where(np.arange(SLOTS) >= 12, 5e5, 0.0)[None, :]
    when = SECONDS[None, :].copy()
    wait = rng.exponential(300.0, (2, 1, SLOTS))
    walls = Walls(when, y + 20_000 + wait[0], when, y - 20_000 - wait[1])
    ends = Ends(np.array([0]), np.array([1]), 2)
    for blameless, sign in ((0, 1.0), (1, -1.0)):
        (change,) = find_changes(walls, np.zeros(1), ends, blameless)
        assert change.node == 1 - blameless
        assert change.size == pytest.approx(sign * 5e5, rel=0.01)


def test_too_few_slots_tell_nothing() -> None:
    when = np.array([[-3.0, -2.0, -1.0, 0.0]])
    y = np.array([[0.0, 0.0, 1e9, 1e9]])
    assert find_changes(Walls(when, y + 10, when, y - 10), np.zeros(1), Ends(np.array([0]), np.array([1]), 2), 0) == []


def test_shapes_are_unit_steps_and_ramps() -> None:
    seconds = np.array([-3.0, -1.0, 1.0])
    assert shape_of(True, -1.0, seconds).tolist() == [0.0, 1.0, 1.0]
    assert shape_of(False, -1.0, seconds).tolist() == [0.0, 0.0, 2.0]


@pytest.mark.parametrize("size", [-5e7, 5e7])
@pytest.mark.parametrize("place", [-0.4, -0.2, 0.2, 0.4])
@pytest.mark.parametrize("slot", [4, 13, 19])
def test_step_is_found_wherever_in_its_slot_it_lies(size: float, place: float, slot: int) -> None:
    rng = np.random.default_rng(slot)
    before = straight(rng)
    rate = np.diff(before[:, :2], axis=1) / 2.5
    after = before.copy()
    before[5, slot + 1 :] += size
    after[5, slot:] += size
    early, late = walls_of(before, rng), walls_of(after, rng)
    # The slot of the step holds probes of both its sides: of each wall it keeps whichever lies nearer.
    upper, lower = np.minimum(early.upper_ns, late.upper_ns), np.maximum(early.lower_ns, late.lower_ns)
    when = early.upper_s.copy()
    when[:, 0], when[:, -1] = -60.0, 0.0
    when[:, slot] += place * 2.5
    moved = (rate[PAIRS[:, 1]] - rate[PAIRS[:, 0]]) * (when - early.upper_s)
    upper, lower = upper + moved, lower + moved
    (change,) = found(Walls(when, upper, when, lower))
    assert (change.node, change.step) == (5, True)
    assert change.boundary_s == pytest.approx(SECONDS[slot], abs=1.1 * change.slot_s / 2)
    assert change.size == pytest.approx(size, rel=0.02)


@pytest.mark.parametrize(("seed", "ago_s"), [(1, 6.4), (3, 7.6), (3, 8.8), (4, 5.2), (4, 7.0)])
def test_a_jump_in_the_last_slot_but_one_is_told_though_it_looks_like_a_bend(seed: int, ago_s: float) -> None:
    """Of twelve exchanges a minute, slots are five seconds long: some paths have a slot's only probes before the jump,
    and some after it."""
    probes, truth = simulate("kernel-lan", hosts=16, seed=seed)
    size_ns, at_ns = 10_000_000, truth.start_ns + 60 * 10**9
    estimate = step(
        stepped(probes, truth, truth.hosts[4], at_ns - round(ago_s * 1e9), size_ns),
        references=truth.references,
        at_ns=at_ns,
    )
    (finding,) = estimate.findings
    assert (finding.kind, finding.host) == (FindingKind.STEP, truth.hosts[4])
    assert finding.size_ns == pytest.approx(size_ns, rel=0.02)
    true_ns = truth.offsets_ns(at_ns) + np.where(np.arange(16) == 4, size_ns, 0)
    assert (estimate.lower_ns <= true_ns).all()
    assert (estimate.upper_ns >= true_ns).all()
