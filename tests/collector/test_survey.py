"""One window, cut up and fitted: frames settle, and starts warm or cold end alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector.estimate import FleetEstimate, ProbeColumns, Reference
from noonmark.collector.linefit import anchoring
from noonmark.collector.pairing import outer_stamps, pair_up
from noonmark.collector.pipeline import step
from noonmark.collector.rows import choose
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import Survey, survey_window, warm_frames
from noonmark.lab.simulate import simulate

CLOCKS = [Clock(), Clock(3_600 * SECOND_NS, 200e-6), Clock(-(10**8), -150e-6), Clock(5, 1e-6), Clock(77, -3e-6)]
REFERENCE = Reference("host-0")


def surveyed(probes: ProbeColumns, at_ns: int | None = EPOCH_NS, previous: FleetEstimate | None = None) -> Survey:
    return survey_window(
        probes, anchoring(probes.hosts, (REFERENCE,)), granularity(probes), at_ns=at_ns, previous=previous, slots=24
    )


def fleet(seed: int = 0) -> ProbeColumns:
    return stamped(CLOCKS, all_pairs(5), roads=Roads(20_000, 20_000, 300.0), exchanges=40, seed=seed)


def test_drifts_of_hundreds_of_ppm_and_offsets_of_hours_are_taken_up_by_frames() -> None:
    survey = surveyed(fleet())
    truth = np.array([clock.error_ns(EPOCH_NS) for clock in CLOCKS])
    assert survey.frames.offset_ns + survey.fit.offset_ns == pytest.approx(truth, abs=200.0)
    assert survey.frames.drift == pytest.approx([clock.drift for clock in CLOCKS], abs=5e-8)
    left = survey.frames.drift + survey.fit.drift_ppb / 1e9
    assert left == pytest.approx([clock.drift for clock in CLOCKS], abs=5e-9)
    # What is left within a slot is less than the delays.
    assert np.abs(survey.fit.drift_ppb).max() * 2.5 < 100.0


def test_without_an_asked_instant_the_newest_one_is_taken() -> None:
    probes = fleet()
    survey = surveyed(probes, None)
    newest = probes.t4_ns[probes.source == 0].max()
    assert abs(survey.frames.epoch_ns - newest) < 5 * SECOND_NS
    assert abs(survey.seen.newest_s.max()) <= 0.02


def test_warm_start_ends_where_the_cold_one_does() -> None:
    before, now = fleet(1), fleet(2)
    previous = step(before, references=[REFERENCE])
    cold, warm = surveyed(now), surveyed(now, previous=previous)
    assert warm.frames.offset_ns + warm.fit.offset_ns == pytest.approx(
        cold.frames.offset_ns + cold.fit.offset_ns, abs=60.0
    )


def test_previous_estimate_of_other_hosts_is_not_used() -> None:
    other = stamped([Clock(), Clock(10**15)], [(0, 1)], names=["host-0", "stranger"])
    previous = step(other, references=[REFERENCE])
    warm, cold = surveyed(fleet(), previous=previous), surveyed(fleet())
    assert (warm.frames.offset_ns == cold.frames.offset_ns).all()


@pytest.mark.parametrize("missing", ["unknown", "new", "gone"])
def test_one_host_more_or_fewer_leaves_the_start_warm(missing: str) -> None:
    probes, truth = simulate("kernel-lan", hosts=24, seed=3)
    reference, late = truth.references[0].host, 5
    before = probes
    if missing == "new":
        kept = tuple(host for number, host in enumerate(probes.hosts) if number != late)
        without = choose(probes, (probes.source != late) & (probes.destination != late))
        renumbered = np.cumsum(np.arange(24) != late).astype(np.int32) - 1
        before = replace(
            without,
            hosts=kept,
            source=renumbered[without.source],
            destination=renumbered[without.destination],
        )
    previous = step(before, references=truth.references)
    if missing == "unknown":
        previous = replace(previous, uncertainty_ns=np.where(np.arange(24) == late, np.inf, previous.uncertainty_ns))
    if missing == "gone":
        previous = replace(previous, hosts=(*previous.hosts[:late], "host-that-left", *previous.hosts[late + 1 :]))
    anchors, tick = anchoring(probes.hosts, (Reference(reference),)), granularity(probes)
    cold = survey_window(probes, anchors, tick, at_ns=previous.at_ns, previous=None, slots=24)
    laid, pairing = pair_up(probes)
    start = warm_frames(laid, pairing, outer_stamps(laid, pairing), previous, previous.at_ns)
    assert start is not None
    assert np.flatnonzero(start.guessed).tolist() == [late]
    assert np.abs(start.frames.offset_ns - truth.offsets_ns(previous.at_ns)).max() < 1_000_000
    warm = survey_window(probes, anchors, tick, at_ns=previous.at_ns, previous=previous, slots=24)
    assert warm.frames.offset_ns + warm.fit.offset_ns == pytest.approx(
        cold.frames.offset_ns + cold.fit.offset_ns, abs=100.0
    )


def test_what_lies_beside_some_hosts_is_their_probes_and_nothing_of_hosts_that_have_none() -> None:
    probes = fleet()
    survey = surveyed(choose(probes, (probes.source != 3) & (probes.destination != 3)))
    nodes, whole = np.arange(6), survey.points()
    some = survey.beside(nodes == survey.anchors.node[2])
    own = (survey.probes.source == 2) | (survey.probes.destination == 2)
    assert some.rows.tolist() == np.flatnonzero(own).tolist()
    assert some.points.upper_ns.tolist() == whole.upper_ns[own].tolist()
    assert len(survey.beside(nodes == survey.anchors.node[3]).rows) == 0


def test_paths_have_a_row_each_in_the_order_of_the_pairing() -> None:
    survey = surveyed(fleet())
    assert len(survey.pairing) == 10
    assert (survey.first == survey.anchors.node[survey.pairing.first]).all()
    # The reference is the one node above all hosts.
    assert set(survey.first[:4].tolist()) == {5}
