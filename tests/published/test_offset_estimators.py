"""Offsets and lines of single paths, against worked and published cases.

Sources: RFC 5905 section 8 (offset, delay, and the error that unequal delays leave); Jeske, "On maximum-likelihood
estimation of clock offset", IEEE Transactions on Communications, 2005 (least of exponential delays; its variance
a^2/(2 n^2) and bias (a - b)/(2 n) derived from the law of the least of n); Moon, Skelly and Towsley, INFOCOM 1999
(lower envelope by linear programme); Zhang, Liu and Xia, INFOCOM 2002 (the same line is the hull's edge over the mean
time); Lundelius and Lynch, Information and Control 62, 1984 (no algorithm can do better than u (1 - 1/n)).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from networks import plain_network
from scipy.optimize import linprog
from scipy.spatial import ConvexHull
from stamped import all_pairs

from noonmark.collector.corridors import Walls, height_ranges, widest
from noonmark.collector.edges import envelope
from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.linefit import _middle
from noonmark.collector.network import solve
from noonmark.collector.pairing import pair_up, rough_paths

MS = 1_000_000


def exchange(t1: int, t2: int, t3: int, t4: int) -> ProbeColumns:
    none = np.zeros(1, np.int64)
    source = none.astype(np.int32)
    times = (np.array([t]) for t in (t1, t2, t3, t4))
    return ProbeColumns(("a", "b"), source, source + 1, *times, none.astype(np.uint16), none, none)


@pytest.mark.parametrize(
    ("stamps_ms", "offset_ms", "delay_ms"),
    [
        # T1 = 100.000 s, T2 = 105.020, T3 = 105.030, T4 = 100.040: theta 5.005 s, delta 0.030 s.
        ((100_000, 105_020, 105_030, 100_040), 5_005, 30),
        # True offset 5 ms, 2 ms there, 6 ms back: theta 3 ms, off by (2 - 6) / 2.
        ((0, 7, 8, 9), 3, 8),
    ],
)
def test_rfc_5905_offset_and_delay(stamps_ms: tuple[int, ...], offset_ms: int, delay_ms: int) -> None:
    t1, t2, t3, t4 = (stamp * MS for stamp in stamps_ms)
    probe = exchange(t1, t2, t3, t4)
    rough = rough_paths(*pair_up(probe))
    assert rough.difference_ns.tolist() == [offset_ms * MS]
    assert rough.round_trip_ns.tolist() == [delay_ms * MS]


def test_ptp_offset_and_mean_path_delay() -> None:
    # IEEE 1588, two-step by hand: sync takes 10.5 us by the two clocks, the delay request 1.5 us; the slave is 4.5 us
    # ahead, the mean path delay is 6.0 us.
    probe = exchange(0, 10_500, 100_000, 101_500)
    rough = rough_paths(*pair_up(probe))
    assert rough.difference_ns.tolist() == [4_500]
    assert rough.round_trip_ns.tolist() == [12_000]


def exponential_walls(there: float, back: float, probes: int, paths: int = 40_000) -> Walls:
    rng = np.random.default_rng(2005)
    when = np.zeros((paths, probes))
    up, down = rng.standard_exponential((2, paths, probes))
    return Walls(when, there * up, when, -back * down)


def test_least_delays_middle_has_the_variance_of_the_maximum_likelihood_estimate() -> None:
    ends = envelope(exponential_walls(1_000.0, 1_000.0, 20), np.zeros(40_000))
    middle = (ends.upper_ns + ends.lower_ns) / 2
    assert middle.var() == pytest.approx(1_000.0**2 / (2 * 20**2), rel=0.05)
    assert middle.mean() == pytest.approx(0.0, abs=1.0)


def test_unequal_loads_bias_the_least_delays_middle_and_ours_hardly() -> None:
    ends = envelope(exponential_walls(1_000.0, 3_000.0, 20), np.zeros(40_000))
    assert ((ends.upper_ns + ends.lower_ns) / 2).mean() == pytest.approx((1_000 - 3_000) / (2 * 20), rel=0.05)
    # Each end point is moved back by what its own gaps tell.
    assert abs(_middle(ends).mean()) < 0.3 * (3_000 - 1_000) / (2 * 20)


def test_lower_envelopes_worked_example() -> None:
    # t = 0..5, delays 3, 1, 4, 2.5, 2, 6: slope 1/3, intercept 2/3, objective 9.5.
    seconds, delay = np.arange(6.0), np.array([3.0, 1.0, 4.0, 2.5, 2.0, 6.0])
    programme = linprog(
        [-seconds.sum(), -6.0], np.stack([seconds, np.ones(6)], axis=1), delay, bounds=[(None, None)] * 2
    )
    assert programme.x == pytest.approx([1 / 3, 2 / 3])
    assert delay.sum() + programme.fun == pytest.approx(9.5)
    # The sum of distances is least where the line is highest at the mean time; one far lower point there asks for that.
    walls = Walls(seconds[None, :], delay[None, :], np.array([[2.5]]), np.array([[-1e3]]))
    corridor = widest(walls, 10.0)
    assert corridor.slope[0] == pytest.approx(1 / 3, abs=1e-6)
    _, height = height_ranges(walls.shifted(2.5), np.array([-10.0]), np.array([10.0]))
    assert height[0] - 2.5 * corridor.slope[0] == pytest.approx(2 / 3, abs=1e-3)
    assert delay.sum() - 6 * height[0] == pytest.approx(9.5, abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_lower_envelope_is_the_hulls_edge_over_the_mean_time(seed: int) -> None:
    rng = np.random.default_rng(seed)
    seconds, delay = np.sort(rng.uniform(0, 60, 40)), rng.exponential(1e4, 40)
    mean = seconds.mean()
    hull = ConvexHull(np.stack([seconds, delay], axis=1))
    edges = []
    for (a, b), (_, downwards, _) in zip(hull.simplices, hull.equations, strict=True):
        if downwards < 0 and min(seconds[a], seconds[b]) <= mean <= max(seconds[a], seconds[b]):
            edges.append((delay[b] - delay[a]) / (seconds[b] - seconds[a]))
    (expected,) = edges
    walls = Walls(seconds[None, :], delay[None, :], np.array([[mean]]), np.array([[-1e6]]))
    assert widest(walls).slope[0] == pytest.approx(expected, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("hosts", [2, 3, 4, 6])
def test_complete_graph_reaches_the_bound_of_lundelius_and_lynch(hosts: int) -> None:
    """Delays uncertain by u: each two-way path errs by u/2 at most, and no two clocks then by more than u (1 - 1/n)."""
    u = 1_000.0
    pairs = all_pairs(hosts)
    network = plain_network(hosts, pairs)
    worst = 0.0
    signs = itertools.product((-1.0, 1.0), repeat=len(pairs)) if hosts <= 4 else ()
    # The worst case for hosts 0 and 1: all paths that lead from the one to the other err that way.
    aligned = [1.0 if a == 0 or b == 1 else -1.0 if a == 1 else 0.0 for a, b in pairs]
    for sign in (*signs, aligned):
        found = solve(network, np.array(sign) * u / 2, np.ones(len(pairs)), np.empty(0)).unknowns
        worst = max(worst, float(np.ptp(found)))
    assert worst == pytest.approx(u * (1 - 1 / hosts))
