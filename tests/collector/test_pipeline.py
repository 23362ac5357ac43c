"""The whole arrow, and what must not change its answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fleets import solved
from stamped import (
    EPOCH_NS,
    SECOND_NS,
    Clock,
    Roads,
    all_pairs,
    joined,
    relabelled,
    shifted_clocks,
    stamped,
    taken,
)

from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, HostState, ProbeColumns, Reference
from noonmark.collector.pairs import compare
from noonmark.collector.pipeline import Settings, step, with_defaults

HOSTS = 9
CLOCKS = [Clock(1_000 * number**2, 1e-6 * number) for number in range(HOSTS)]
REFERENCE = [Reference("host-0")]
YEAR_NS = 365 * 86_400 * SECOND_NS


def fleet(seed: int = 0, wait_ns: float = 3_000.0, clocks: list[Clock] = CLOCKS) -> ProbeColumns:
    return stamped(clocks, all_pairs(len(clocks)), roads=Roads(20_000, 20_000, wait_ns), exchanges=24, seed=seed)


def estimated(probes: ProbeColumns, references: list[Reference] = REFERENCE, at_ns: int = EPOCH_NS) -> FleetEstimate:
    return step(probes, references=references, at_ns=at_ns)


def alike(one: FleetEstimate, two: FleetEstimate, place: np.ndarray | None = None, ns: float = 2.0) -> None:
    """The same numbers host by host; host i of the first is host place[i] of the second."""
    rows = np.arange(len(one.hosts)) if place is None else place
    for name in ("offset_ns", "uncertainty_ns", "lower_ns", "upper_ns"):
        assert getattr(two, name)[rows] == pytest.approx(getattr(one, name), abs=ns), name
    assert [two.state[row] for row in rows] == list(one.state)


def test_shuffled_rows_give_the_same_estimate() -> None:
    probes = fleet()
    alike(estimated(probes), estimated(taken(probes, np.random.default_rng(1).permutation(len(probes)))))


@pytest.mark.parametrize("seed", range(3))
def test_relabelled_hosts_give_the_same_estimate_in_another_order(seed: int) -> None:
    probes = fleet(seed)
    place = np.random.default_rng(seed).permutation(HOSTS)
    one, two = estimated(probes), estimated(relabelled(probes, place))
    assert [two.hosts[row] for row in place] == list(one.hosts)
    # Roundings grow in the robust rounds, but stay well below the uncertainty.
    alike(one, two, place, ns=0.25 * float(one.uncertainty_ns[1:].min()))


def test_direction_of_asking_changes_nothing() -> None:
    probes = fleet()
    # The same four packets' stamps, told as exchanges that the other end began.
    half = np.arange(len(probes)) % 2 == 0
    turned = replace(
        probes,
        source=np.where(half, probes.destination, probes.source),
        destination=np.where(half, probes.source, probes.destination),
        t1_ns=np.where(half, probes.t3_ns, probes.t1_ns),
        t2_ns=np.where(half, probes.t4_ns, probes.t2_ns),
        t3_ns=np.where(half, probes.t1_ns + 10_000_000, probes.t3_ns),
        t4_ns=np.where(half, probes.t2_ns + 10_000_000, probes.t4_ns),
    )
    alike(estimated(probes), estimated(turned), ns=600.0)
    assert [sum(row) for row in estimated(turned).paths.asked.tolist()] == [2] * 36


@pytest.mark.parametrize("reference", ["host-0", "host-5"])
def test_constant_added_to_a_clock_moves_that_clock_alone(reference: str) -> None:
    probes = fleet()
    by_ns = np.zeros(HOSTS, np.int64)
    by_ns[3] = 7 * YEAR_NS + 123_456_789
    by_ns[7] = -11 * 3_600 * SECOND_NS - 1
    one = estimated(probes, [Reference(reference)])
    two = estimated(shifted_clocks(probes, by_ns), [Reference(reference)])
    # Not one nanosecond is lost over years.
    assert np.abs(two.offset_ns - one.offset_ns - by_ns).max() <= 1
    assert np.abs(two.lower_ns - one.lower_ns - by_ns).max() <= 1
    assert np.abs(two.upper_ns - one.upper_ns - by_ns).max() <= 1
    assert two.uncertainty_ns == pytest.approx(one.uncertainty_ns, rel=1e-3)


def test_constant_added_to_the_reference_moves_all_others_back() -> None:
    probes = fleet()
    by_ns = np.zeros(HOSTS, np.int64)
    by_ns[0] = 3_600 * SECOND_NS
    one = estimated(probes)
    two = estimated(shifted_clocks(probes, by_ns), at_ns=EPOCH_NS + 3_600 * SECOND_NS)
    assert np.abs(two.offset_ns - one.offset_ns + np.where(np.arange(HOSTS) == 0, 0, by_ns[0])).max() <= 1


def test_choice_of_reference_changes_no_pair() -> None:
    probes = fleet()
    one, two = estimated(probes), estimated(probes, [Reference("host-4")])
    for a, b in [("host-1", "host-7"), ("host-3", "host-8")]:
        first, second = compare(one, a, b), compare(two, a, b)
        assert second.offset_ns == pytest.approx(first.offset_ns, abs=30)
        assert second.lower_ns == pytest.approx(first.lower_ns, abs=40)
        # How much nine hosts' clocks usually bend is known only roughly, and by their differences to the reference.
        assert 0.4 < second.uncertainty_ns / first.uncertainty_ns < 2.5


def test_without_reference_differences_are_those_with_one() -> None:
    probes = fleet()
    free, anchored = estimated(probes, []), estimated(probes)
    difference = free.offset_ns - anchored.offset_ns
    assert np.abs(difference - difference[0]).max() <= 30
    assert free.references == ()
    assert set(free.state) == {HostState.MEASURED}
    assert free.findings == ()


def test_disconnected_fleet_is_a_result() -> None:
    probes = stamped(CLOCKS[:7], [(0, 1), (1, 2), (3, 4), (4, 5), (3, 5)], roads=Roads(20_000, 20_000, 500.0))
    estimate = estimated(probes)
    assert [str(state) for state in estimate.state] == [
        "reference",
        "measured",
        "measured",
        "no-route",
        "no-route",
        "no-route",
        "unknown",
    ]
    assert estimate.component[0] == estimate.component[2] != estimate.component[3] == estimate.component[5]
    assert (estimate.lower_ns[3:] == -UNBOUNDED_NS).all()
    assert (estimate.upper_ns[3:] == UNBOUNDED_NS).all()
    # Apart from the reference, but compared with each other.
    pair = compare(estimate, "host-5", "host-3")
    true = CLOCKS[5].offset_ns - CLOCKS[3].offset_ns
    assert pair.known
    assert abs(pair.offset_ns - true) < 3 * pair.uncertainty_ns
    assert pair.lower_ns <= true <= pair.upper_ns
    assert not compare(estimate, "host-5", "host-1").known


def test_clock_epochs_are_never_mixed() -> None:
    """A host that told of its own step: only the new epoch counts, whatever the window holds of the old one."""
    before, after = list(CLOCKS), list(CLOCKS)
    after[2] = Clock(CLOCKS[2].offset_ns + 5 * SECOND_NS, CLOCKS[2].drift)
    late = fleet(1, clocks=after)
    early = taken(fleet(0, clocks=before), np.arange(len(late)) < len(late) // 2)
    late = taken(late, np.arange(len(late)) >= len(late) // 2)
    told = []
    for probes, epoch in ((early, 1), (late, 2)):
        told.append(
            replace(
                probes,
                source_epoch=np.where(probes.source == 2, epoch, 0).astype(np.int64),
                destination_epoch=np.where(probes.destination == 2, epoch, 0).astype(np.int64),
            )
        )
    estimate = estimated(joined(*told))
    assert estimate.findings == ()
    assert estimate.offset_ns[2] == pytest.approx(after[2].offset_ns, abs=4 * estimate.uncertainty_ns[2])
    alone = estimated(joined(taken(told[0], (told[0].source != 2) & (told[0].destination != 2)), told[1]))
    alike(alone, estimate, ns=1.0)


def test_coarse_clocks_are_measured_to_a_fraction_of_their_tick() -> None:
    clocks = [Clock(), *(Clock(37_123 * n, 3e-6 * n, tick_ns=1_000) for n in range(1, HOSTS))]
    estimate = estimated(fleet(clocks=clocks, wait_ns=300.0))
    truth = np.array([clock.offset_ns for clock in clocks])
    # What a clock shows lags what it holds by half a tick on average.
    assert np.abs(estimate.offset_ns - truth).max() < 1_000
    assert ((estimate.lower_ns <= truth) & (truth <= estimate.upper_ns)).all()


def test_warm_start_changes_nothing_but_the_way() -> None:
    previous = step(fleet(3), references=REFERENCE, at_ns=EPOCH_NS - 10 * SECOND_NS)
    now = fleet(4)
    cold = estimated(now)
    warm = step(now, references=REFERENCE, at_ns=EPOCH_NS, previous=previous)
    assert np.abs(warm.offset_ns - cold.offset_ns).max() <= 0.2 * cold.uncertainty_ns[1:].min()
    assert warm.state == cold.state


def test_same_input_gives_the_same_output() -> None:
    one, two = estimated(fleet()), estimated(fleet())
    assert (one.offset_ns == two.offset_ns).all()
    assert (one.uncertainty_ns == two.uncertainty_ns).all()
    assert (one.lower_ns == two.lower_ns).all()


def test_unknown_reference_and_no_usable_probe_are_refused() -> None:
    with pytest.raises(ValueError, match="'nowhere' takes part in no probe"):
        step(fleet(), references=[Reference("nowhere")])
    probes = fleet()
    with pytest.raises(ValueError, match="no usable probe"):
        step(replace(probes, t4_ns=probes.t1_ns - 1), references=REFERENCE)


def test_several_references_without_uncertainty_get_the_usual_one() -> None:
    settings = Settings(shared_reference_ns=80.0)
    one, two = with_defaults((Reference("a"), Reference("b", 5.0, 9.0)), settings)
    assert (one.uncertainty_ns, one.limit_ns) == (80.0, 400.0)
    assert (two.uncertainty_ns, two.limit_ns) == (5.0, 9.0)
    assert with_defaults((Reference("a"),), settings) == (Reference("a"),)
    assert with_defaults((), settings) == ()


def test_declared_uncertainty_of_an_only_reference_is_in_every_hosts() -> None:
    probes = fleet()
    exact, declared = estimated(probes), estimated(probes, [Reference("host-0", 3_000.0, 9_000.0)])
    assert declared.uncertainty_ns[1:] == pytest.approx(np.hypot(exact.uncertainty_ns[1:], 3_000.0), rel=0.05)
    assert declared.lower_ns[1:] == pytest.approx(exact.lower_ns[1:] - 9_000, abs=300)


def test_uncertainty_grows_away_from_the_probes() -> None:
    near = [estimated(fleet(), at_ns=EPOCH_NS + away * SECOND_NS).uncertainty_ns[3] for away in (-30, 0, 300, 3_000)]
    assert near == sorted(near)
    assert near[-1] > 3 * near[0]


def test_path_table_agrees_with_the_hosts() -> None:
    estimate = solved("kernel-lan", 0).estimate
    paths = estimate.paths
    said = paths.base_ns + paths.offset_ns
    fitted = estimate.offset_ns[paths.second] - estimate.offset_ns[paths.first]
    assert said - fitted == pytest.approx(paths.residual_ns, abs=2.0)
    assert (paths.probes > 0).all()
    assert paths.asked.any(axis=1).all()
    assert (paths.first < paths.second).all()
    assert paths.probes.sum() == len(solved("kernel-lan", 0).probes)


def test_hosts_that_nobody_probed_are_unknown() -> None:
    probes = stamped([*CLOCKS[:3], Clock()], all_pairs(3))
    estimate = estimated(probes)
    assert estimate.state[3] is HostState.UNKNOWN
    assert estimate.newest_ns[3] == 0
    assert (estimate.newest_ns[:3] > EPOCH_NS - 60 * SECOND_NS).all()


@pytest.mark.parametrize("by_s", [3_600, -3_600, 1])
def test_warm_start_is_forgotten_where_a_clock_was_set(by_s: int) -> None:
    """Drifts of microseconds a second, times an hour, would be milliseconds."""
    probes = fleet()
    by_ns = np.zeros(HOSTS, np.int64)
    by_ns[7] = by_s * SECOND_NS
    previous = estimated(probes)
    # Its own agent noticed and began anew, so that the window holds only what came since.
    cold = step(shifted_clocks(probes, by_ns), references=REFERENCE)
    warm = step(shifted_clocks(probes, by_ns), references=REFERENCE, previous=previous)
    assert warm.at_ns == cold.at_ns
    assert warm.offset_ns == pytest.approx(cold.offset_ns, abs=2)
    assert warm.lower_ns == pytest.approx(cold.lower_ns, abs=20)
    assert warm.upper_ns == pytest.approx(cold.upper_ns, abs=20)
