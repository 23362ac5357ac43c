"""Simulated fleets: repeatable, honest where they are said to be, and wrong exactly where they are said to be wrong."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.clocks import NS
from noonmark.lab.faults import Fault, FaultKind
from noonmark.lab.networks import NetworkModel, Queue
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth
from noonmark.proto.records import MEASURING_BIT, StampSource

SLACK_NS = 2
"""Both clocks are read as whole nanoseconds."""
COARSE = {"coarse-clocks": 1_000, "very-coarse-clocks": NS}
WITHIN_EXCHANGE = {"one-step", "noticed-steps", "suspended", "leap-missed"}
"""An exchange during which a clock is set may break its limits: a few rows at each such instant."""


def true_difference(probes: ProbeColumns, truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    """Destination's clock minus source's, ns: least and greatest over the instants of t1 and t4."""
    both = []
    for stamp in (probes.t1_ns, probes.t4_ns):
        leaped = 0 if truth.leap_ns is None else NS * (stamp >= truth.leap_ns - NS // 2)
        elapsed = stamp - truth.start_ns + leaped
        for _ in range(3):
            whole, rest = truth.clocks.time_error(probes.source, elapsed)
            elapsed = stamp - truth.start_ns + leaped - whole - np.rint(rest).astype(np.int64)
        (wa, ra), (wb, rb) = (truth.clocks.time_error(end, elapsed) for end in (probes.source, probes.destination))
        both.append((wb - wa) + (rb - ra))
    return np.minimum(*both), np.maximum(*both)


@pytest.mark.parametrize("kind", KINDS)
def test_limits_of_every_honest_stamp_hold(kind: str) -> None:
    probes, truth = simulate(kind, hosts=120, seconds=60, seed=11)
    least, greatest = true_difference(probes, truth)
    slack = SLACK_NS + 2 * COARSE.get(kind, 0)
    broken = (probes.t2_ns - probes.t1_ns < least - slack) | (probes.t3_ns - probes.t4_ns > greatest + slack)
    if truth.leap_ns is not None:
        broken[np.abs(probes.t1_ns - truth.leap_ns) < 3 * NS] = False
    liars = [event.host for event in truth.events if event.kind is FaultKind.LIAR]
    if liars:
        (liar,) = (truth.hosts.index(host) for host in liars)
        about = (probes.source == liar) | (probes.destination == liar)
        assert broken.any()
        assert not broken[~about].any()
    elif kind in WITHIN_EXCHANGE:
        assert broken.sum() <= 3 * len(truth.events)
    else:
        assert not broken.any()


@pytest.mark.parametrize("kind", KINDS)
def test_same_seed_makes_the_same_fleet_and_another_seed_another(kind: str) -> None:
    first, truth = simulate(kind, hosts=20, seconds=20, seed=4)
    second, same = simulate(kind, hosts=20, seconds=20, seed=4)
    other, _ = simulate(kind, hosts=20, seconds=20, seed=5)
    for field in dataclasses.fields(ProbeColumns)[1:]:
        assert np.array_equal(getattr(first, field.name), getattr(second, field.name))
    assert truth.events == same.events
    assert np.array_equal(truth.offsets_ns(truth.end_ns), same.offsets_ns(truth.end_ns))
    assert not np.array_equal(first.t1_ns, other.t1_ns)


def test_still_network_and_quiet_stamps_give_the_true_offset() -> None:
    still = NetworkModel(path_asymmetry_ns=0.0, queue=Queue(mean_ns=0.0), loss=0.0)
    scenario = dataclasses.replace(
        KINDS["kernel-lan"], name="still", network=still, stamps=((1.0, StampSource.HARDWARE),)
    )
    probes, truth = simulate(scenario, hosts=30, seconds=30, seed=2)
    least, greatest = true_difference(probes, truth)
    middle = (probes.t2_ns - probes.t1_ns + probes.t3_ns - probes.t4_ns) / 2
    kernel_stamped = (probes.source == 0) | (probes.destination == 0)
    assert np.abs(middle - (least + greatest) / 2)[~kernel_stamped].max() < 100


def test_truth_at_an_instant_is_what_the_clock_shows_then() -> None:
    probes, truth = simulate("large-offsets", hosts=40, seconds=30, seed=3)
    host, at = 17, truth.start_ns + 12 * NS + 345
    (offset,) = truth.offset_ns(host, at)
    assert truth.offsets_ns(at)[host] == offset
    reading = truth.clocks.read(np.array([host], np.int32), np.array([at - truth.start_ns]), truth.start_ns)
    assert abs(int(reading[0]) - at - int(offset)) <= 1
    assert truth.drifts(at)[host] == truth.drift(host, at)[0]
    assert len(probes) > 0


def test_reference_is_true_time_in_every_kind_but_those_of_several() -> None:
    for kind, scenario in KINDS.items():
        _, truth = simulate(kind, hosts=10, seconds=5)
        given = scenario.references
        errors = np.abs(truth.offsets_ns(truth.end_ns)[: given.count])
        assert errors[: given.count - given.wrong].max() <= given.error_ns
        assert (errors[given.count - given.wrong :] == given.wrong_ns).all()


def test_exchange_is_a_pair_of_packets_and_the_first_errs_more() -> None:
    probes, _ = simulate("kernel-lan", hosts=200, seconds=60, seed=9)
    measuring = probes.flags & MEASURING_BIT != 0
    round_trip = (probes.t4_ns - probes.t1_ns) - (probes.t3_ns - probes.t2_ns)
    assert 0.49 < measuring.mean() < 0.51
    assert np.median(round_trip[~measuring]) > np.median(round_trip[measuring]) + 8_000


def test_mixed_stamps_are_told_in_the_flags_and_err_accordingly() -> None:
    probes, truth = simulate("mixed-stamps", hosts=300, seconds=60, seed=9)
    worst = np.max([probes.flags >> shift & 3 for shift in (0, 2, 4, 6)], axis=0)
    round_trip = (probes.t4_ns - probes.t1_ns) - (probes.t3_ns - probes.t2_ns)
    medians = [np.median(round_trip[worst == source]) for source in StampSource]
    assert medians[StampSource.HARDWARE] < medians[StampSource.KERNEL] < medians[StampSource.USER]
    assert len(truth.hosts) == 300


def test_few_probes_and_heavy_loss_leave_the_promised_numbers() -> None:
    probes, truth = simulate("few-probes", hosts=200, seconds=60)
    measuring = probes.flags & MEASURING_BIT != 0
    per_path = measuring.sum() / len(truth.network.source)
    assert 4.3 < per_path < 4.7
    lossy, truth = simulate("heavy-loss", hosts=200, seconds=60)
    assert len(lossy) / (24 * len(truth.network.source)) == pytest.approx(0.36, abs=0.02)


def test_rows_come_twice_where_the_kind_says_so() -> None:
    probes, _ = simulate("untidy-network", hosts=100, seconds=60)
    rows = np.stack([probes.source, probes.destination, probes.t1_ns, probes.t2_ns, probes.t3_ns, probes.t4_ns])
    assert len(probes) / np.unique(rows, axis=1).shape[1] == pytest.approx(1.02, abs=0.005)


def test_interval_sets_the_number_of_exchanges() -> None:
    few, truth = simulate("quiet-rack", hosts=30, seconds=60, interval_s=20.0)
    assert len(few) == 2 * 3 * len(truth.network.source)


def test_events_tell_who_suffered_and_spare_references() -> None:
    _, truth = simulate("noticed-steps", hosts=200, seconds=60, seed=8)
    assert len(truth.events) == 10
    assert len({event.host for event in truth.events}) == 10
    assert not {event.host for event in truth.events} & {reference.host for reference in truth.references}
    for event in truth.events:
        assert event.host is not None
        host = truth.hosts.index(event.host)
        before, after = (int(truth.offset_ns(host, event.at_ns + shift)[0]) for shift in (-1, 0))
        assert after - before == pytest.approx(event.size, abs=2)


def test_noticed_steps_begin_epochs_only_if_asked_to_tell() -> None:
    told, truth = simulate("noticed-steps", hosts=60, seconds=60, seed=8, epochs=True)
    silent, _ = simulate("noticed-steps", hosts=60, seconds=60, seed=8)
    stepped = [truth.hosts.index(event.host) for event in truth.events if event.host]
    assert set(told.source[told.source_epoch == 2].tolist()) <= set(stepped)
    assert set(told.source_epoch.tolist()) == {1, 2}
    assert not silent.source_epoch.any()


def test_sleeping_host_neither_asks_nor_answers() -> None:
    probes, truth = simulate("suspended", hosts=60, seconds=120, seed=8, interval_s=1.0)
    (event,) = truth.events
    assert event.host is not None
    host = truth.hosts.index(event.host)
    ordinary = truth.hosts.index("host-000001" if event.host != "host-000001" else "host-000002")

    def longest_pause(index: int) -> int:
        mine = np.sort(
            np.concatenate([probes.t2_ns[probes.destination == index], probes.t1_ns[probes.source == index]])
        )
        return int(np.diff(mine).max())

    assert longest_pause(host) > 5 * NS
    assert longest_pause(ordinary) < 3 * NS


def test_asymmetric_path_is_longer_in_the_named_direction() -> None:
    _, truth = simulate("asymmetric-path", hosts=60, seconds=20, seed=1)
    (event,) = truth.events
    source, destination, fixed = truth.fixed_delays_ns(truth.start_ns)
    names = [(truth.hosts[a], truth.hosts[b]) for a, b in zip(source, destination, strict=True)]
    assert event.path is not None
    row, column = (names.index(event.path), 0) if event.path in names else (names.index(event.path[::-1]), 1)
    assert fixed[row, column] - fixed[row, 1 - column] == pytest.approx(event.size, abs=3_000)


def test_smear_is_one_ramp_for_its_group() -> None:
    _, truth = simulate("smeared-group", hosts=200, seconds=60, seed=2)
    group = [truth.hosts.index(event.host) for event in truth.events if event.host]
    assert len(group) == 40
    rest = np.setdiff1d(np.arange(200), group)
    drifts = truth.drifts(truth.end_ns)
    # One second in 86,400 s is 11.574 ppm; oscillators differ by 20 ppm around it.
    assert abs(np.mean(drifts[group]) - np.mean(drifts[rest])) == pytest.approx(11.574e-6, abs=6e-6)
    assert len({event.size for event in truth.events}) == 1


def test_leap_second_is_counted_twice_by_all_good_clocks() -> None:
    probes, truth = simulate("leap-second", hosts=60, seconds=60, seed=2, interval_s=1.0)
    assert truth.leap_ns == truth.start_ns + 36 * NS
    reference = np.sort(probes.t2_ns[probes.destination == 0] - truth.start_ns)
    per_second = np.bincount((reference // NS).astype(int), minlength=60)
    assert per_second[34:37].max() == per_second.max()
    assert reference.max() < 59.2 * NS
    smeared = {event.host for event in truth.events}
    good = [index for index, host in enumerate(truth.hosts) if host not in smeared]
    assert np.abs(truth.offsets_ns(truth.end_ns)[good]).max() < 3_000_000
    smearing = [index for index, host in enumerate(truth.hosts) if host in smeared]
    before, after = truth.offsets_ns(truth.leap_ns - 2 * NS)[smearing], truth.offsets_ns(truth.leap_ns)[smearing]
    assert np.abs(before + NS // 2).max() < 3_000_000
    assert np.abs(after - NS // 2).max() < 3_000_000


def test_fault_of_a_share_strikes_that_share() -> None:
    scenario = dataclasses.replace(
        KINDS["kernel-lan"], name="half", faults=(Fault(FaultKind.FREQUENCY_CHANGE, share=0.5, size=(1e-6, 1e-5)),)
    )
    _, truth = simulate(scenario, hosts=100, seconds=20)
    assert len(truth.events) == 50
    assert all(1e-6 <= abs(event.size) <= 1e-5 for event in truth.events)


def test_too_few_hosts_or_no_time_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 5 hosts"):
        simulate("references-disagree", hosts=4)
    with pytest.raises(ValueError, match="span"):
        simulate("kernel-lan", hosts=4, seconds=0)
    with pytest.raises(KeyError):
        simulate("no-such-kind", hosts=4)


def test_fleet_without_any_path_has_no_records() -> None:
    fleets = [simulate("disconnected", hosts=2, seconds=3, seed=seed) for seed in range(8)]
    empty = [probes for probes, truth in fleets if not len(truth.network.source)]
    assert empty
    assert {len(probes) for probes in empty} == {0}
