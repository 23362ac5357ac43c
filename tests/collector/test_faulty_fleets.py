"""Simulated fleets with something wrong: found, named rightly, and nobody else blamed; limits of the others hold."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from fleets import FAULTY_KINDS, Solved, solved
from stepped_clock import stepped

from noonmark.collector.estimate import FindingKind, HostState
from noonmark.collector.pairs import compare
from noonmark.collector.pipeline import step
from noonmark.collector.rows import choose
from noonmark.lab.faults import Event, Fault, FaultKind, Lie
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate

SEEDS = range(3)
STEPPED = ["one-step", "noticed-steps", "suspended", "slewed"]
LIARS = ["liar-random", "liar-two-faced", "liar-late-transmit", "liar-early-receipt"]


def culprits(case: Solved) -> set[str]:
    return {end for event in case.truth.events for end in ((event.host,) if event.host else event.path or ())}


@pytest.mark.parametrize("kind", FAULTY_KINDS)
def test_only_culprits_are_named(kind: str) -> None:
    for seed in SEEDS:
        case = solved(kind, seed)
        if kind == "disconnected":
            blamed = {f.host for f in case.found() if f.kind is not FindingKind.NO_ROUTE}
        else:
            blamed = {end for f in case.found() for end in ((f.host,) if f.host else f.path or ())}
        assert blamed <= culprits(case), [f.text for f in case.found()]


@pytest.mark.parametrize("kind", FAULTY_KINDS)
def test_truth_of_every_innocent_host_lies_within_its_limits(kind: str) -> None:
    for seed in SEEDS:
        case = solved(kind, seed)
        guilty = np.array([host in culprits(case) for host in case.estimate.hosts])
        known = case.estimate.component == case.estimate.component[0]
        assert case.inside[~guilty & known].all()


@pytest.mark.parametrize("kind", [kind for kind in FAULTY_KINDS if kind != "leap-second"])
def test_innocent_hosts_are_measured_as_well_as_ever(kind: str) -> None:
    covered, errors = [], []
    for seed in SEEDS:
        case = solved(kind, seed)
        guilty = np.array([host in culprits(case) for host in case.estimate.hosts])
        chosen = case.measured & ~guilty
        covered.append((np.abs(case.error_ns) <= 2 * case.estimate.uncertainty_ns)[chosen])
        errors.append(case.error_ns[chosen])
    assert np.concatenate(covered).mean() >= 0.85
    # Fleets of these kinds are local networks with kernel stamps: an honest one is good to some 200 ns.
    assert np.sqrt(np.mean(np.concatenate(errors).astype(float) ** 2)) < 500.0


@pytest.mark.parametrize("kind", ["one-step", "noticed-steps", "suspended"])
@pytest.mark.parametrize("seed", SEEDS)
def test_steps_are_found_with_their_host_time_and_size(kind: str, seed: int) -> None:
    case = solved(kind, seed)
    (event,) = case.truth.events
    (found,) = case.found(FindingKind.STEP, FindingKind.SUSPEND)
    assert found.host == event.host
    # A slot of the window is 2.5 s; of a suspended host nothing is heard until it wakes.
    assert abs(found.at_ns - event.at_ns) < (12e9 if event.kind is FaultKind.SUSPEND else 5e9)
    assert found.size_ns is not None
    # Beside the step the clock goes on drifting by up to some tens of ppm through the slot.
    assert found.size_ns == pytest.approx(event.size, rel=0.02, abs=30_000.0)


@pytest.mark.parametrize("kind", STEPPED)
def test_after_a_step_the_clock_is_measured_from_what_follows_alone(kind: str) -> None:
    for seed in SEEDS:
        case = solved(kind, seed)
        (event,) = case.truth.events
        row = case.estimate.index(str(event.host))
        assert abs(case.error_ns[row]) <= 4 * case.estimate.uncertainty_ns[row]


@pytest.mark.parametrize("kind", ["one-step", "suspended"])
def test_step_that_the_host_itself_tells_needs_no_finding_to_be_right(kind: str) -> None:
    case = solved(kind, 0, epochs=True)
    (event,) = case.truth.events
    row = case.estimate.index(str(event.host))
    assert abs(case.error_ns[row]) < 5_000.0
    assert case.inside[row]


@pytest.mark.parametrize("seed", SEEDS)
def test_change_of_rate_is_found_with_its_size(seed: int) -> None:
    case = solved("frequency-change", seed)
    (event,) = case.truth.events
    (found,) = case.found()
    assert (found.kind, found.host) == (FindingKind.FREQUENCY_CHANGE, event.host)
    assert abs(found.at_ns - event.at_ns) < 6e9
    assert found.evidence["change_ppb"] == pytest.approx(event.size * 1e9, rel=0.2, abs=300.0)


@pytest.mark.parametrize("kind", LIARS)
@pytest.mark.parametrize("seed", SEEDS)
def test_liar_is_named_and_set_aside(kind: str, seed: int) -> None:
    case = solved(kind, seed)
    (event,) = case.truth.events
    (found,) = case.found()
    assert (found.kind, found.host) == (FindingKind.LIAR, event.host)
    assert found.evidence["contradicted_paths"] > 0 or found.evidence["negative_share"] > 0.3
    assert case.estimate.state[case.estimate.index(str(event.host))] is HostState.UNKNOWN


@pytest.mark.parametrize("seed", range(4))
def test_several_liars_are_named_and_nobody_else(seed: int) -> None:
    """Each shows every peer another clock, milliseconds apart, where honest paths agree within a few hundred ns."""
    fault = Fault(FaultKind.LIAR, count=3, size=(200e3, 20e6), lie=Lie.TWO_FACED)
    scenario = replace(KINDS["kernel-lan"], name="three-liars", faults=(fault,))
    probes, truth = simulate(scenario, hosts=40, seed=seed)
    estimate = step(probes, references=truth.references)
    guilty = {str(event.host) for event in truth.events}
    assert {finding.host for finding in estimate.findings} == guilty
    innocent = np.array([host not in guilty for host in estimate.hosts])
    error = (estimate.offset_ns - truth.offsets_ns(estimate.at_ns))[innocent]
    assert np.sqrt(np.mean(error.astype(float) ** 2)) < 400.0


@pytest.mark.parametrize("seed", SEEDS)
def test_asymmetric_path_is_named_with_its_direction_and_size(seed: int) -> None:
    case = solved("asymmetric-path", seed)
    (event,) = case.truth.events
    (found,) = case.found()
    assert found.kind is FindingKind.ASYMMETRIC_PATH
    assert event.path is not None
    assert set(found.path or ()) == set(event.path)
    # Half of the extra delay shows; positive where the way from first to second takes longer.
    turned = 1.0 if found.path == event.path else -1.0
    assert found.size_ns == pytest.approx(turned * event.size / 2, rel=0.1, abs=2_000.0)
    assert f"from {event.path[0]} to {event.path[1]} takes about" in found.text


@pytest.mark.parametrize("seed", SEEDS)
def test_smearing_hosts_are_named_as_a_group(seed: int) -> None:
    case = solved("smeared-group", seed)
    found = case.found()
    assert {finding.kind for finding in found} == {FindingKind.LEAP_OR_SMEAR}
    assert {finding.host for finding in found} == {event.host for event in case.truth.events}
    for finding in found:
        row = case.estimate.index(str(finding.host))
        assert finding.size_ns == pytest.approx(case.true_ns[row], abs=5_000.0)


@pytest.mark.parametrize("seed", SEEDS)
def test_missed_leap_second_is_told_as_a_step_where_it_was_put_right_else_as_a_leap(seed: int) -> None:
    case = solved("leap-missed", seed)
    kinds = {finding.host: finding.kind for finding in case.found()}
    for event in case.truth.events:
        assert kinds[event.host] is (FindingKind.STEP if event.size < 0 else FindingKind.LEAP_OR_SMEAR)


@pytest.mark.parametrize("seed", SEEDS)
def test_disconnected_part_is_solved_apart_and_said_to_have_no_route(seed: int) -> None:
    case = solved("disconnected", seed)
    estimate = case.estimate
    assert Counter(estimate.component.tolist()).most_common(1)[0][1] < 24
    lost = estimate.component != estimate.component[estimate.index("reference-1")]
    assert lost.any()
    assert {f.host for f in case.found(FindingKind.NO_ROUTE)} == {estimate.hosts[row] for row in np.flatnonzero(lost)}
    assert all(estimate.state[row] is HostState.NO_ROUTE for row in np.flatnonzero(lost))
    # Among themselves they are measured all the same.
    error = case.error_ns[lost]
    assert np.std(error.astype(float)) < 500.0


@pytest.mark.parametrize("seed", SEEDS)
def test_wrong_reference_is_named_and_dropped(seed: int) -> None:
    case = solved("references-disagree", seed)
    (event,) = case.truth.events
    (found,) = case.found()
    assert (found.kind, found.host) == (FindingKind.REFERENCE_DISAGREES, event.host)
    assert found.size_ns == pytest.approx(event.size, abs=1_000.0)


def test_events_of_the_lab_are_what_these_tests_take_them_for() -> None:
    events: list[Event] = [event for kind in STEPPED for event in solved(kind, 0).truth.events]
    assert {event.kind for event in events} == {FaultKind.STEP, FaultKind.SUSPEND, FaultKind.SLEW}


@pytest.mark.parametrize("kind", ["kernel-lan", "heavy-tails"])
def test_steps_of_five_local_uncertainties_are_named_two_ticks_later(kind: str) -> None:
    """Local: what the probes since the step alone would give. By default: a tick of 5 s, a window of a minute, an
    exchange a second."""
    window_s, since_s, named, others = 60, 10, 0, 0
    for seed in range(8):
        probes, truth = simulate(kind, hosts=30, seconds=window_s, seed=seed, interval_s=1.0)
        host = truth.hosts[5 + seed]
        at_ns = truth.start_ns + (window_s - since_s) * 10**9
        local = step(choose(probes, probes.t1_ns >= at_ns), references=truth.references)
        by_ns = round(5 * float(local.uncertainty_ns[truth.hosts.index(host)])) * (1 if seed % 2 else -1)
        seen = step(stepped(probes, truth, host, at_ns, by_ns), references=truth.references)
        named += any(finding.kind is FindingKind.STEP and finding.host == host for finding in seen.findings)
        others += sum(finding.host != host for finding in seen.findings)
    assert named >= 7
    assert others == 0


@pytest.mark.parametrize("since_s", [2, 4])
def test_a_step_too_fresh_for_a_rate_is_told_and_widens_its_hosts_uncertainty_by_no_more_than_itself(
    since_s: int,
) -> None:
    for seed in range(3):
        probes, truth = simulate("kernel-lan", hosts=24, seconds=60, seed=seed, interval_s=1.0)
        host, by_ns = 5 + seed, 3_000
        at_ns = truth.start_ns + (60 - since_s) * 10**9
        seen = step(stepped(probes, truth, truth.hosts[host], at_ns, by_ns), references=truth.references)
        (found,) = (finding for finding in seen.findings if finding.host == truth.hosts[host])
        assert found.kind is FindingKind.STEP
        assert seen.uncertainty_ns[host] < by_ns
        error_ns = seen.offset_ns[host] - float(truth.offsets_ns(seen.at_ns)[host]) - by_ns
        assert abs(error_ns) < 4 * seen.uncertainty_ns[host]


def test_a_step_left_in_the_window_is_told_once_while_the_window_is_cut_for_another() -> None:
    for seed in range(4):
        probes, truth = simulate("kernel-lan", hosts=24, seconds=60, seed=seed, interval_s=1.0)
        early, fresh = truth.hosts[5], truth.hosts[9]
        end_ns = truth.start_ns + 60 * 10**9
        probes = stepped(probes, truth, early, end_ns - 20 * 10**9, 40_000)
        probes = stepped(probes, truth, fresh, end_ns - 4 * 10**9, 30_000)
        seen = step(probes, references=truth.references)
        assert sorted(finding.host or "" for finding in seen.findings) == [early, fresh]


@pytest.mark.parametrize("seed", [0, 1, 5])
def test_limits_of_pairs_hold_a_step_that_is_left_in_the_window(seed: int) -> None:
    probes, truth = simulate("kernel-lan", hosts=16, seconds=60, seed=seed, interval_s=1.0)
    host, by_ns = 5 + seed, 10_000 if seed % 2 else -10_000
    at_ns = truth.start_ns + 58 * 10**9
    seen = step(stepped(probes, truth, truth.hosts[host], at_ns, by_ns), references=truth.references)
    assert FindingKind.STEP in {finding.kind for finding in seen.findings if finding.host == truth.hosts[host]}
    offset_ns = truth.offsets_ns(seen.at_ns).astype(float)
    offset_ns[host] += by_ns
    for other, name in enumerate(truth.hosts):
        if other != host:
            pair = compare(seen, truth.hosts[host], name)
            assert pair.lower_ns <= offset_ns[host] - offset_ns[other] <= pair.upper_ns
