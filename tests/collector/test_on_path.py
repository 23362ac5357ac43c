"""What somebody on the way can do to honest hosts' probes by holding them up, and what he cannot; on simulated roads.

He sees every packet, can hold up or drop each as long as he likes, and can change none (authenticated probes). Holding
up is all: no packet arrives before it was sent. So limits stay true whatever he does; the estimate he can move by half
of what he adds to one way alone; and in a mesh that shows in the loops, unless he holds up every path of a host alike.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stamped import EPOCH_NS, Clock, Roads, all_pairs, stamped, taken

from noonmark.collector.estimate import FindingKind, FleetEstimate, Int64, ProbeColumns, Reference
from noonmark.collector.pipeline import step

HOSTS = 8
CLOCKS = [Clock(500 * number, 1e-6 * number) for number in range(HOSTS)]
ROADS = Roads(20_000, 20_000, 800.0)
DELAY_NS = 1_000_000


def held_up(probes: ProbeColumns, there_ns: Int64, back_ns: Int64) -> ProbeColumns:
    """The same exchanges with each request and each reply so much later."""
    return replace(
        probes,
        t2_ns=probes.t2_ns + there_ns,
        t3_ns=probes.t3_ns + there_ns,
        t4_ns=probes.t4_ns + there_ns + back_ns,
    )


def one_way(probes: ProbeColumns, sender: int, receiver: int | None, delay_ns: int = DELAY_NS) -> ProbeColumns:
    """Held up is what goes from `sender` to `receiver` (None: to anybody), be it a request or a reply."""
    whither = lambda ends: np.ones(len(probes), bool) if receiver is None else ends == receiver  # noqa: E731
    there = np.where((probes.source == sender) & whither(probes.destination), delay_ns, 0)
    back = np.where((probes.destination == sender) & whither(probes.source), delay_ns, 0)
    return held_up(probes, there, back)


def estimated(probes: ProbeColumns) -> FleetEstimate:
    return step(probes, references=[Reference("host-0")], at_ns=EPOCH_NS)


def errors_ns(estimate: FleetEstimate) -> Int64:
    return estimate.offset_ns - np.array([round(clock.error_ns(EPOCH_NS)) for clock in CLOCKS[: len(estimate.hosts)]])


def truths_within_limits(estimate: FleetEstimate) -> bool:
    truth = np.array([clock.error_ns(EPOCH_NS) for clock in CLOCKS[: len(estimate.hosts)]])
    return bool(((estimate.lower_ns <= truth) & (truth <= estimate.upper_ns)).all())


def test_on_a_single_path_one_way_delay_moves_the_estimate_by_half_and_nobody_can_see_it() -> None:
    probes = stamped(CLOCKS[:2], [(0, 1)], roads=ROADS, exchanges=60)
    before, after = estimated(probes), estimated(one_way(probes, 0, 1))
    assert abs(errors_ns(before)[1]) < 1_000
    assert errors_ns(after)[1] == pytest.approx(DELAY_NS / 2, abs=2_000)
    assert after.findings == ()
    assert truths_within_limits(after)
    # What was added shows in the limits' width. The uncertainty grows too, but speaks of networks that mean no harm.
    assert after.upper_ns[1] - after.lower_ns[1] > DELAY_NS
    assert after.uncertainty_ns[1] > 10 * before.uncertainty_ns[1]
    assert 2 * after.uncertainty_ns[1] < DELAY_NS / 2


@pytest.mark.parametrize("sender", [2, 5])
def test_in_a_mesh_a_delayed_way_is_named_and_moves_little(sender: int) -> None:
    probes = stamped(CLOCKS, all_pairs(HOSTS), roads=ROADS, exchanges=30)
    estimate = estimated(one_way(probes, sender, 7 - sender))
    (finding,) = estimate.findings
    assert finding.kind is FindingKind.ASYMMETRIC_PATH
    assert set(finding.path or ()) == {"host-2", "host-5"}
    assert abs(finding.size_ns or 0) == pytest.approx(DELAY_NS / 2, rel=0.02)
    assert f"from host-{sender} to host-{7 - sender} takes about" in finding.text
    assert np.abs(errors_ns(estimate)).max() < DELAY_NS / 100
    assert truths_within_limits(estimate)


def test_all_ways_out_of_a_host_delayed_alike_close_every_loop_and_only_the_limits_tell() -> None:
    """Whoever sits at a host's only cable: no pair of honest clocks can tell this from an offset. Limits stay true."""
    probes = stamped(CLOCKS, all_pairs(HOSTS), roads=ROADS, exchanges=30)
    estimate = estimated(one_way(probes, 3, None))
    assert errors_ns(estimate)[3] == pytest.approx(-DELAY_NS / 2, abs=5_000)
    others = np.delete(errors_ns(estimate), 3)
    assert np.abs(others).max() < 5_000
    assert not [finding for finding in estimate.findings if finding.kind is FindingKind.LIAR]
    assert truths_within_limits(estimate)
    assert estimate.upper_ns[3] - estimate.lower_ns[3] > DELAY_NS


def test_both_ways_held_up_alike_move_nothing() -> None:
    probes = stamped(CLOCKS[:2], [(0, 1)], roads=ROADS, exchanges=60)
    estimate = estimated(one_way(one_way(probes, 0, 1), 1, 0))
    assert abs(errors_ns(estimate)[1]) < 2_000
    assert truths_within_limits(estimate)


def test_quick_packets_dropped_are_as_packets_held_up() -> None:
    """He lets only the slowest third of one way pass."""
    probes = stamped(CLOCKS[:2], [(0, 1)], roads=Roads(20_000, 20_000, 50_000.0), exchanges=300)
    forward = probes.t2_ns - probes.t1_ns
    estimate = estimated(taken(probes, forward >= np.quantile(forward, 2 / 3)))
    assert errors_ns(estimate)[1] > 5_000
    assert truths_within_limits(estimate)


@settings(max_examples=15)
@given(data=st.data(), seed=st.integers(0, 2**32 - 1))
def test_no_holding_up_whatever_makes_a_limit_wrong(data: st.DataObject, seed: int) -> None:
    rng = np.random.default_rng(seed)
    probes = stamped(CLOCKS[:5], all_pairs(5), roads=ROADS, exchanges=8, seed=seed % 1000)
    largest = data.draw(st.sampled_from([10_000, 1_000_000, 2_000_000_000]))
    there, back = (rng.integers(0, largest, len(probes)) * (rng.random(len(probes)) < rng.random()) for _ in range(2))
    estimate = estimated(held_up(probes, there, back))
    assert truths_within_limits(estimate)
    kept = rng.random(len(probes)) < 0.7
    assert truths_within_limits(estimated(taken(held_up(probes, there, back), kept)))
