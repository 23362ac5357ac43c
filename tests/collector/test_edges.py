"""From probe records to paths and walls, against loops over single probes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, stamped, taken

from noonmark.collector import edges
from noonmark.collector.corridors import Walls
from noonmark.collector.edges import end_point, envelope, least, pair_up, points, raise_walls, rough_paths, select
from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.frames import Frames

CLOCKS = [Clock(3_000_000, 5e-6), Clock(-700_000, -20e-6), Clock(0, 0.0), Clock(40 * SECOND_NS, 80e-6)]
ASKED = [(0, 1), (1, 0), (2, 0), (3, 2), (1, 3)]


def fleet(seed: int = 0) -> ProbeColumns:
    return stamped(CLOCKS, ASKED, roads=Roads(30_000, 18_000, 9_000.0), exchanges=12, seed=seed)


def true_frames() -> Frames:
    offset = np.array([clock.offset_ns for clock in CLOCKS])
    return Frames(EPOCH_NS, offset, np.array([clock.drift for clock in CLOCKS]))


@pytest.mark.parametrize("table", [edges.DENSE_TABLE, 0])
def test_pairs_are_numbered_whichever_end_asked(table: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(edges, "DENSE_TABLE", table)
    probes = fleet()
    pairing = pair_up(probes)
    assert list(zip(pairing.first.tolist(), pairing.second.tolist(), strict=True)) == [(0, 1), (0, 2), (1, 3), (2, 3)]
    for row in range(len(probes)):
        ends = sorted((int(probes.source[row]), int(probes.destination[row])))
        path = pairing.path[row]
        assert ends == [pairing.first[path], pairing.second[path]]
        assert pairing.forward[row] == (probes.source[row] == ends[0])


def test_selected_pairing_keeps_the_numbers_of_paths() -> None:
    pairing = pair_up(fleet())
    rows = pairing.path != 1
    some = select(pairing, rows)
    assert len(some) == len(pairing) == 4
    assert (some.path == pairing.path[rows]).all()
    assert 1 not in some.path


@pytest.mark.parametrize("kind", [np.int64, np.float64])
def test_least_finds_each_paths_lowest_value_and_its_row(kind: type) -> None:
    rng = np.random.default_rng(1)
    path = rng.integers(0, 9, 200)
    path[path == 4] = 5
    values = rng.permutation(200).astype(kind)
    lowest, row = least(values, path, 9)
    for number in range(9):
        rows = np.flatnonzero(path == number)
        if number == 4:
            assert row[number] == -1
            continue
        assert lowest[number] == values[rows].min()
        assert row[number] == rows[values[rows].argmin()]


def test_rough_path_is_the_quickest_exchange_of_either_direction() -> None:
    probes = fleet(3)
    pairing = pair_up(probes)
    rough = rough_paths(probes, pairing)
    for path in range(len(pairing)):
        trips = []
        for row in np.flatnonzero(pairing.path == path):
            t1, t2, t3, t4 = (int(getattr(probes, name)[row]) for name in ("t1_ns", "t2_ns", "t3_ns", "t4_ns"))
            offset = ((t2 - t1) + (t3 - t4)) / 2
            trips.append(((t4 - t1) - (t3 - t2), offset if pairing.forward[row] else -offset))
        trip, offset = min(trips)
        assert rough.round_trip_ns[path] == trip
        assert abs(rough.difference_ns[path] - offset) <= 0.5


def test_points_limit_the_true_difference_of_residual_clocks() -> None:
    probes = fleet(4)
    tick = np.ones(4, np.int64)
    data = points(probes, pair_up(probes), true_frames(), tick)
    # Against true frames nothing is left but delays: y is 0.
    assert (data.upper_ns >= 17_990).all()
    assert (data.lower_ns <= -17_990).all()
    assert (np.abs(data.upper_s + 30.0) <= 31.0).all()


def test_probe_says_the_same_whichever_end_is_called_the_asker() -> None:
    probes = fleet(5)
    pairing = pair_up(probes)
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
    other = points(turned, pair_up(turned), true_frames(), tick)
    for name in ("upper_s", "upper_ns", "lower_s", "lower_ns"):
        assert (getattr(one, name) == getattr(other, name)).all(), name


def test_points_of_a_ticking_clock_are_half_a_tick_later() -> None:
    probes = stamped(
        [Clock(), Clock(tick_ns=1_000)], [(0, 1)], roads=Roads(20_000, 20_000, 3_000.0), exchanges=4_000, seconds=4_000
    )
    frames = Frames(EPOCH_NS, np.zeros(2, np.int64), np.zeros(2))
    data = points(probes, pair_up(probes), frames, np.array([1, 1_000]))
    middle = (data.upper_ns + data.lower_ns) / 2
    # Mean of 4,000 readings, each rectangular over a tick and exponential by 3 us.
    assert abs(middle.mean()) < 4 * np.sqrt(1_000**2 / 12 + 3_000**2 / 2) / np.sqrt(4_000)
    plain = points(probes, pair_up(probes), frames, np.ones(2, np.int64))
    assert ((data.upper_ns - plain.upper_ns) == 500).all()
    assert ((data.lower_ns - plain.lower_ns) == 500).all()


def test_walls_hold_each_slots_best_points() -> None:
    probes = fleet(6)
    pairing = pair_up(probes)
    data = points(probes, pairing, true_frames(), np.ones(4, np.int64))
    walls = raise_walls(data, pairing.path, len(pairing), 6)
    start = min(data.upper_s.min(), data.lower_s.min())
    length = (max(data.upper_s.max(), data.lower_s.max()) - start) / 6
    for path in range(len(pairing)):
        for slot in range(6):
            for seconds, height, when, wall, pick in (
                (data.upper_s, data.upper_ns, walls.upper_s, walls.upper_ns, min),
                (data.lower_s, data.lower_ns, walls.lower_s, walls.lower_ns, max),
            ):
                number = np.minimum((seconds - start) // length, 5)
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
        pairing = pair_up(some)
        walls.append(raise_walls(points(some, pairing, true_frames(), np.ones(4, np.int64)), pairing.path, 4, 8))
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
