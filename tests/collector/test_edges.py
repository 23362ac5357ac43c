"""From probe records to paths and walls, against loops over single probes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, stamped, taken

from noonmark.collector import pairing as pairing_module
from noonmark.collector.corridors import Walls
from noonmark.collector.edges import Limits, end_point, envelope, points, raise_walls
from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.frames import Frames
from noonmark.collector.pairing import pair_up

CLOCKS = [Clock(3_000_000, 5e-6), Clock(-700_000, -20e-6), Clock(0, 0.0), Clock(40 * SECOND_NS, 80e-6)]
ASKED = [(0, 1), (1, 0), (2, 0), (3, 2), (1, 3)]


def fleet(seed: int = 0) -> ProbeColumns:
    return stamped(CLOCKS, ASKED, roads=Roads(30_000, 18_000, 9_000.0), exchanges=12, seed=seed)


def true_frames() -> Frames:
    offset = np.array([clock.offset_ns for clock in CLOCKS])
    return Frames(EPOCH_NS, offset, np.array([clock.drift for clock in CLOCKS]))


def test_points_limit_the_true_difference_of_residual_clocks() -> None:
    probes = fleet(4)
    tick = np.ones(4, np.int64)
    data = points(*pair_up(probes), true_frames(), tick)
    # Against true frames nothing is left but delays: y is 0.
    assert (data.upper_ns >= 17_990).all()
    assert (data.lower_ns <= -17_990).all()
    assert (np.abs(data.upper_s + 30.0) <= 31.0).all()


def test_probe_says_the_same_whichever_end_is_called_the_asker() -> None:
    probes, pairing = pair_up(fleet(5))
    # Of the same four instants: what the second host sent and the first received, told as if the first had asked.
    turned = replace(
        probes,
        source=probes.destination,
        destination=probes.source,
        t1_ns=probes.t3_ns,
        t2_ns=probes.t4_ns,
        t3_ns=probes.t1_ns,
        t4_ns=probes.t2_ns,
    )
    tick = np.ones(4, np.int64)
    one = points(probes, pairing, true_frames(), tick)
    other = points(*pair_up(turned), true_frames(), tick)
    for name in ("upper_s", "upper_ns", "lower_s", "lower_ns"):
        assert (getattr(one, name) == getattr(other, name)).all(), name


def test_points_of_a_ticking_clock_are_half_a_tick_later() -> None:
    probes = stamped(
        [Clock(), Clock(tick_ns=1_000)], [(0, 1)], roads=Roads(20_000, 20_000, 3_000.0), exchanges=4_000, seconds=4_000
    )
    frames = Frames(EPOCH_NS, np.zeros(2, np.int64), np.zeros(2))
    data = points(*pair_up(probes), frames, np.array([1, 1_000]))
    middle = (data.upper_ns + data.lower_ns) / 2
    # Mean of 4,000 readings, each rectangular over a tick and exponential by 3 us.
    assert abs(middle.mean()) < 4 * np.sqrt(1_000**2 / 12 + 3_000**2 / 2) / np.sqrt(4_000)
    plain = points(*pair_up(probes), frames, np.ones(2, np.int64))
    assert ((data.upper_ns - plain.upper_ns) == 500).all()
    assert ((data.lower_ns - plain.lower_ns) == 500).all()


@pytest.mark.parametrize("block", [1, 30, 1_000])
def test_walls_hold_each_slots_best_points(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pairing_module, "PROBES_A_BLOCK", block)
    probes, pairing = pair_up(fleet(6))
    limits = Limits(probes, pairing, true_frames(), np.ones(4, np.int64))
    data = points(probes, pairing, true_frames(), np.ones(4, np.int64))
    # A little of what there is lies outside.
    start = min(data.upper_s.min(), data.lower_s.min()) + 0.1
    end = max(data.upper_s.max(), data.lower_s.max()) - 0.1
    walls, found = raise_walls(limits, start, end, 6)
    assert (found.upper_start_s, found.upper_end_s) == (data.upper_s.min(), data.upper_s.max())
    assert found.upper_mean_s == pytest.approx(data.upper_s.mean())
    length = (end - start) / 6
    for path in range(len(pairing)):
        own = pairing.path == path
        assert found.newest_s[path] == max(data.upper_s[own].max(), data.lower_s[own].max())
        for slot in range(6):
            for seconds, height, when, wall, pick in (
                (data.upper_s, data.upper_ns, walls.upper_s, walls.upper_ns, min),
                (data.lower_s, data.lower_ns, walls.lower_s, walls.lower_ns, max),
            ):
                number = np.clip((seconds - start) // length, 0, 5)
                rows = np.flatnonzero((pairing.path == path) & (number == slot))
                if len(rows) == 0:
                    assert np.isinf(wall[path, slot])
                    assert when[path, slot] == 0.0
                    continue
                best = pick(rows, key=lambda row: height[row])
                assert wall[path, slot] == height[best]
                assert when[path, slot] == seconds[best]


def test_walls_do_not_depend_on_the_order_of_rows() -> None:
    probes = fleet(7)
    shuffled = taken(probes, np.random.default_rng(0).permutation(len(probes)))
    walls = []
    for some in (probes, shuffled):
        limits = Limits(*pair_up(some), true_frames(), np.ones(4, np.int64))
        walls.append(raise_walls(limits, -20.0, 20.0, 8)[0])
    for name in ("upper_s", "upper_ns", "lower_s", "lower_ns"):
        assert (getattr(walls[0], name) == getattr(walls[1], name)).all()


def test_end_point_is_the_lowest_and_the_mean_gap_of_the_lowest_third() -> None:
    rng = np.random.default_rng(2)
    heights = rng.exponential(1_000, (50, 24))
    heights[rng.random(heights.shape) < 0.3] = np.inf
    heights[7] = np.inf
    heights[7, 3] = 42.0
    lowest, spread = end_point(heights)
    for row, values in enumerate(heights):
        known = np.sort(values[np.isfinite(values)])
        assert lowest[row] == known[0]
        if len(known) == 1:
            assert spread[row] == np.inf
            continue
        among = min((len(known) + 2) // 3, len(known) - 1)
        # If gaps were all g, the k-th point after the lowest would lie k g above it.
        above = known[1 : among + 1] - known[0]
        assert spread[row] == pytest.approx(above.mean() / np.arange(1, among + 1).mean())


def test_end_points_spread_is_the_expected_distance_from_the_least_delay() -> None:
    # The least of n exponential delays of mean a lies a/n above 0 on average; the gaps' mean must tell that.
    heights = np.random.default_rng(3).exponential(24_000.0, (20_000, 24))
    lowest, spread = end_point(heights)
    assert lowest.mean() == pytest.approx(1_000.0, rel=0.03)
    assert spread.mean() == pytest.approx(1_000.0, rel=0.25)


def test_envelope_takes_the_drift_out_first() -> None:
    rng = np.random.default_rng(4)
    when = np.sort(rng.uniform(-60, 0, (30, 24)), axis=1)
    above, below = rng.exponential(5_000, (2, 30, 24))
    slope = rng.uniform(-1e4, 1e4, 30)
    flat = envelope(Walls(when, above, when, -below), np.zeros(30))
    leaning = slope[:, None] * when
    sheared = envelope(Walls(when, above + leaning, when, leaning - below), slope)
    for name in ("upper_ns", "lower_ns", "upper_spread_ns", "lower_spread_ns"):
        assert getattr(sheared, name) == pytest.approx(getattr(flat, name), abs=1e-6)


def test_envelope_of_paths_with_one_probe_each_has_no_known_spread() -> None:
    one = np.array([[10.0, np.inf]])
    ends = envelope(Walls(np.zeros((1, 2)), one, np.zeros((1, 2)), -one), np.zeros(1))
    assert ends.upper_ns[0] == 10.0
    assert ends.lower_ns[0] == -10.0
    assert np.isinf(ends.upper_spread_ns[0])
