"""From a fitted window to the published numbers."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, joined, stamped, taken

from noonmark.collector.assemble import _whole
from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Reference
from noonmark.collector.pipeline import step
from noonmark.collector.stampquality import STAMP_UNCERTAINTY_NS
from noonmark.proto.records import StampSource

CLOCKS = [Clock(10_000 * number, 2e-6 * number) for number in range(6)]
ROADS = Roads(20_000, 20_000, 1_000.0)


def estimated(at_s: float = 0.0, *, pairs: list[tuple[int, int]] | None = None) -> FleetEstimate:
    probes = stamped(CLOCKS, pairs or all_pairs(6), roads=ROADS)
    return step(probes, references=[Reference("host-0")], at_ns=EPOCH_NS + round(at_s * SECOND_NS))


def test_limits_are_rounded_outwards_and_missing_ones_say_so() -> None:
    base = np.array([10**15 + 1, -5, 0, 0])
    residual = np.array([-0.25, 7.5, np.inf, -np.inf])
    assert _whole(residual, base, np.floor).tolist() == [10**15, 2, UNBOUNDED_NS, -UNBOUNDED_NS]
    assert _whole(residual, base, np.ceil).tolist() == [10**15 + 1, 3, UNBOUNDED_NS, -UNBOUNDED_NS]


def test_window_and_its_middle_are_those_of_the_probes() -> None:
    estimate = estimated()
    assert estimate.window_ns == pytest.approx(60 * SECOND_NS, rel=0.1)
    assert abs(estimate.centre_ns - (EPOCH_NS - 30 * SECOND_NS)) < 4 * SECOND_NS
    assert estimate.at_ns == EPOCH_NS


def test_newest_instants_are_reference_time_of_each_hosts_last_probe() -> None:
    probes = stamped(CLOCKS, all_pairs(6), roads=ROADS)
    estimate = step(probes, references=[Reference("host-0")], at_ns=EPOCH_NS)
    for host in range(6):
        mine = (probes.source == host, probes.destination == host)
        last = max(stamps.max(initial=0) for stamps in (probes.t4_ns[mine[0]], probes.t3_ns[mine[1]]))
        assert abs(int(estimate.newest_ns[host]) - (int(last) - estimate.offset_ns[host])) < 2_000


def test_a_reference_is_exact_and_no_other_host_surer_than_its_stamps() -> None:
    estimate = estimated()
    assert estimate.offset_ns[0] == 0
    assert estimate.uncertainty_ns[0] == 0.0
    assert (estimate.uncertainty_ns[1:] >= STAMP_UNCERTAINTY_NS[StampSource.KERNEL]).all()


def test_uncertainty_holds_the_drifts_over_the_time_since_the_probes() -> None:
    now, later = estimated(), estimated(600.0)
    away = 600.0 - (estimated().centre_ns - EPOCH_NS) / SECOND_NS
    grown = later.uncertainty_ns[1:] ** 2 - now.uncertainty_ns[1:] ** 2
    assert (grown > 0).all()
    # No more than the whole drift uncertainty, of which a part is for what comes after the window.
    assert (grown <= (later.drift_uncertainty[1:] * away * SECOND_NS) ** 2).all()


def test_asked_tells_who_began() -> None:
    estimate = estimated(pairs=[(0, 1), (2, 1), (4, 3), (3, 0), (5, 4)])
    ends = list(zip(estimate.paths.first.tolist(), estimate.paths.second.tolist(), strict=True))
    assert ends == [(0, 1), (0, 3), (1, 2), (3, 4), (4, 5)]
    assert estimate.paths.asked.tolist() == [[True, False], [False, True], [False, True], [False, True], [False, True]]


def test_probes_of_both_directions_count_together() -> None:
    there, back = (stamped(CLOCKS, [pair], roads=ROADS, exchanges=9) for pair in ((0, 1), (1, 0)))
    estimate = step(joined(there, taken(back, np.arange(4))), references=[Reference("host-0")])
    assert estimate.paths.probes.tolist() == [13]
    assert estimate.paths.asked.tolist() == [[True, True]]


def test_round_trip_is_the_sum_of_the_least_delays_each_way() -> None:
    estimate = estimated()
    # 20 us each way fixed, and a hundred or so ns of waiting at the quickest.
    assert (estimate.paths.min_round_trip_ns >= 40_000 - 5).all()
    assert (estimate.paths.min_round_trip_ns < 41_000).all()
