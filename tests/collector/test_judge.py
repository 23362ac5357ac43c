"""Who is accused, on what evidence, and who must not be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, Roads, all_pairs, joined, stamped, taken
from stepped_clock import hastened

from noonmark.collector.estimate import (
    Finding,
    FindingKind,
    FleetEstimate,
    HostState,
    PathState,
    ProbeColumns,
    Reference,
)
from noonmark.collector.judge import about
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate

HOSTS = 8
ROADS = Roads(20_000, 20_000, 800.0)
CLOCKS = [Clock(500 * number, 1e-6 * number) for number in range(HOSTS)]
REFERENCE = [Reference("host-0")]


def fleet(*, roads: Roads | list[Roads] = ROADS, hosts: int = HOSTS, seed: int = 0) -> ProbeColumns:
    return stamped(CLOCKS[:hosts], all_pairs(hosts), roads=roads, exchanges=30, seed=seed)


def judged(probes: ProbeColumns, references: list[Reference] = REFERENCE) -> FleetEstimate:
    return step(probes, references=references, at_ns=EPOCH_NS)


def of_kind(estimate: FleetEstimate, kind: FindingKind) -> list[Finding]:
    return [finding for finding in estimate.findings if finding.kind is kind]


def answered_late(probes: ProbeColumns, host: int, by_ns: int) -> ProbeColumns:
    """The host claims, when asked, to have answered later than it did."""
    return replace(probes, t3_ns=probes.t3_ns + np.where(probes.destination == host, by_ns, 0))


def two_faced(probes: ProbeColumns, host: int, spread_ns: float) -> ProbeColumns:
    """The host shows each peer another clock."""
    shift = np.rint(np.random.default_rng(1).uniform(-spread_ns, spread_ns, HOSTS)).astype(np.int64)
    to_peer = np.where(probes.source == host, shift[probes.destination], shift[probes.source])
    asks, answers = probes.source == host, probes.destination == host
    return replace(
        probes,
        t1_ns=probes.t1_ns + np.where(asks, to_peer, 0),
        t4_ns=probes.t4_ns + np.where(asks, to_peer, 0),
        t2_ns=probes.t2_ns + np.where(answers, to_peer, 0),
        t3_ns=probes.t3_ns + np.where(answers, to_peer, 0),
    )


@pytest.mark.parametrize("seed", range(10))
def test_honest_mesh_has_no_findings(seed: int) -> None:
    assert judged(fleet(seed=seed)).findings == ()


def test_liar_is_named_with_its_evidence_and_its_neighbours_are_not() -> None:
    estimate = judged(two_faced(fleet(), 5, 3e6))
    (finding,) = estimate.findings
    assert (finding.kind, finding.host, finding.path) == (FindingKind.LIAR, "host-5", None)
    assert finding.evidence["contradicted_paths"] >= 4
    assert finding.evidence["paths"] == 7
    assert finding.size_ns is not None
    assert 100_000 < finding.size_ns < 6_000_000
    assert "host-5" in finding.text
    assert estimate.state[5] is HostState.UNKNOWN
    assert set(estimate.state[1:5] + estimate.state[6:]) == {HostState.MEASURED}
    truth = np.array([clock.offset_ns for clock in CLOCKS])
    others = np.arange(HOSTS) != 5
    assert estimate.offset_ns[others] == pytest.approx(truth[others], abs=400.0)


def test_two_liars_are_both_named() -> None:
    probes = two_faced(two_faced(fleet(), 5, 3e6), 2, 4e6)
    assert {finding.host for finding in of_kind(judged(probes), FindingKind.LIAR)} == {"host-2", "host-5"}


def test_host_whose_replies_take_less_than_no_time_is_a_liar() -> None:
    probes = answered_late(fleet(), 6, 400_000)
    estimate = judged(probes)
    (liar,) = of_kind(estimate, FindingKind.LIAR)
    assert liar.host == "host-6"
    assert liar.evidence["negative_share"] > 0.9
    (left_out,) = of_kind(estimate, FindingKind.LEFT_OUT)
    assert left_out.evidence["negative_round_trip"] == (probes.destination == 6).sum()


def test_an_only_reference_is_never_accused() -> None:
    estimate = judged(two_faced(fleet(), 0, 3e6))
    assert all(finding.host != "host-0" for finding in estimate.findings)
    assert estimate.state[0] is HostState.REFERENCE


def test_one_contradicted_path_among_too_few_witnesses_accuses_the_path() -> None:
    probes = fleet(hosts=3)
    bent = replace(probes, t2_ns=probes.t2_ns.copy(), t3_ns=probes.t3_ns.copy())
    rows = (probes.source == 1) & (probes.destination == 2)
    bent.t2_ns[rows] += 500_000
    bent.t3_ns[rows] += 500_000
    estimate = judged(bent)
    assert of_kind(estimate, FindingKind.LIAR) == [f for f in of_kind(estimate, FindingKind.LIAR) if f.host is None]
    assert all(set(finding.path or ()) <= {"host-0", "host-1", "host-2"} for finding in estimate.findings)


def test_asymmetric_path_is_named_with_direction_and_size() -> None:
    pairs = all_pairs(HOSTS)
    # A long road: of its 400 us round trip 300 us are one way.
    roads = [Roads(320_000, 20_000, 800.0) if pair == (2, 5) else ROADS for pair in pairs]
    estimate = judged(fleet(roads=roads))
    (finding,) = estimate.findings
    assert (finding.kind, finding.path) == (FindingKind.ASYMMETRIC_PATH, ("host-2", "host-5"))
    assert finding.size_ns == pytest.approx(150_000, abs=2_000)
    assert finding.evidence["delay_difference_ns"] == pytest.approx(300_000, abs=4_000)
    assert "from host-2 to host-5 takes about" in finding.text
    row = [pair == (2, 5) for pair in zip(estimate.paths.first.tolist(), estimate.paths.second.tolist(), strict=True)]
    assert estimate.paths.state[row.index(True)] is PathState.ASYMMETRIC


def test_path_that_is_part_of_no_loop_is_untested() -> None:
    probes = stamped(CLOCKS[:3], [(0, 1), (1, 2)], roads=ROADS)
    assert judged(probes).paths.state == (PathState.UNTESTED, PathState.UNTESTED)
    probes = stamped(CLOCKS[:4], [(0, 1), (1, 2), (0, 2), (2, 3)], roads=ROADS)
    assert judged(probes).paths.state == (
        PathState.CLOSED,
        PathState.CLOSED,
        PathState.CLOSED,
        PathState.UNTESTED,
    )


def test_hosts_without_a_way_to_the_reference_are_told() -> None:
    probes = stamped(CLOCKS[:6], [(0, 1), (1, 2), (3, 4), (4, 5)], roads=ROADS)
    estimate = judged(probes)
    found = of_kind(estimate, FindingKind.NO_ROUTE)
    assert [finding.host for finding in found] == ["host-3", "host-4", "host-5"]
    assert all(finding.evidence["joined_hosts"] == 2 for finding in found)
    assert [str(state) for state in estimate.state] == ["reference", *["measured"] * 2, *["no-route"] * 3]


def test_host_that_fell_silent_is_stale() -> None:
    probes = fleet()
    silent = (probes.source == 3) | (probes.destination == 3)
    early = probes.t1_ns < EPOCH_NS - 35 * SECOND_NS
    estimate = judged(taken(probes, ~silent | early))
    (finding,) = of_kind(estimate, FindingKind.STALE)
    assert finding.host == "host-3"
    assert finding.evidence["silent_s"] == pytest.approx(36.0, abs=2.0)
    assert abs(finding.at_ns - (EPOCH_NS - 36 * SECOND_NS)) < 2 * SECOND_NS


def test_wrong_reference_among_three_is_named_and_dropped() -> None:
    clocks = [Clock(), Clock(40), Clock(900_000), *CLOCKS[3:]]
    probes = stamped(clocks, all_pairs(HOSTS), roads=ROADS, exchanges=30)
    three = [Reference(f"host-{number}", 100.0, 500.0) for number in range(3)]
    estimate = judged(probes, three)
    (finding,) = estimate.findings
    assert (finding.kind, finding.host) == (FindingKind.REFERENCE_DISAGREES, "host-2")
    assert finding.size_ns == pytest.approx(900_000, abs=1_000)
    assert estimate.offset_ns[3] == pytest.approx(clocks[3].offset_ns, abs=400)


def test_rows_in_the_wrong_order_are_counted() -> None:
    probes = fleet()
    broken = replace(probes, t4_ns=np.where(np.arange(len(probes)) % 50 == 0, probes.t1_ns - 5, probes.t4_ns))
    (finding,) = judged(broken).findings
    wrong = (np.arange(len(probes)) % 50 == 0).sum()
    assert finding.kind is FindingKind.LEFT_OUT
    assert finding.evidence == {"records": len(probes), "left_out": wrong, "negative_round_trip": 0}


@pytest.mark.parametrize("late_ns", [300_000, 50_000_000])
def test_host_that_replies_before_it_receives_is_a_liar(late_ns: int) -> None:
    probes = fleet()
    late = replace(probes, t2_ns=probes.t2_ns + np.where(probes.destination == 6, late_ns, 0))
    liar = next(finding for finding in judged(late).findings if finding.kind is FindingKind.LIAR)
    assert liar.host == "host-6"
    assert liar.size_ns == pytest.approx(late_ns, rel=0.1)
    assert liar.evidence["negative_share"] == 1.0


def test_findings_are_ordered_by_time() -> None:
    probes = answered_late(fleet(), 6, 400_000)
    silent = (probes.source == 3) | (probes.destination == 3)
    found = judged(taken(probes, ~silent | (probes.t1_ns < EPOCH_NS - 35 * SECOND_NS))).findings
    assert len(found) >= 3
    assert [finding.at_ns for finding in found] == sorted(finding.at_ns for finding in found)


def test_findings_about_a_host_are_its_own_and_its_paths() -> None:
    own = Finding(FindingKind.STEP, 1, "", host="quay")
    path = Finding(FindingKind.ASYMMETRIC_PATH, 2, "", path=("holm", "quay"))
    other = Finding(FindingKind.STEP, 3, "", host="skerry")
    nobody = Finding(FindingKind.LEFT_OUT, 4, "")
    assert about([own, path, other, nobody], "quay") == (own, path)


def test_step_in_a_mesh_is_told_once_with_its_size() -> None:
    after = [*CLOCKS[:4], Clock(CLOCKS[4].offset_ns - 2_000_000, CLOCKS[4].drift), *CLOCKS[5:]]
    later = stamped(after, all_pairs(HOSTS), roads=ROADS, exchanges=30)
    probes = fleet()
    early = np.where(probes.source == 4, probes.t2_ns, probes.t1_ns) < EPOCH_NS - 20 * SECOND_NS
    (finding,) = judged(joined(taken(probes, early), taken(later, ~early))).findings
    assert (finding.kind, finding.host) == (FindingKind.STEP, "host-4")
    assert finding.size_ns == pytest.approx(-2_000_000, rel=0.02)
    assert abs(finding.at_ns - (EPOCH_NS - 20 * SECOND_NS)) < 4 * SECOND_NS
    assert "back by" in finding.text
    assert abs(finding.at_ns - (EPOCH_NS - 20 * SECOND_NS)) < finding.evidence["within_s"] * SECOND_NS < 12 * SECOND_NS


@pytest.mark.parametrize(("kind", "hosts", "seed"), [("steered-clocks", 24, 30006), ("steered-clocks", 8, 101010)])
def test_where_all_clocks_change_their_rates_one_that_does_as_they_do_is_no_news(
    kind: str, hosts: int, seed: int
) -> None:
    probes, truth = simulate(kind, hosts=hosts, seed=seed)
    assert step(probes, references=truth.references).findings == ()


def test_where_all_clocks_change_their_rates_one_that_did_so_lately_has_not_jumped() -> None:
    probes, truth = simulate("steered-clocks", hosts=8, seed=200295)
    assert step(probes, references=truth.references).findings == ()


def test_where_all_clocks_change_their_rates_a_much_greater_change_is_told() -> None:
    probes, truth = simulate("steered-clocks", hosts=24, seed=2)
    at_ns, since_ns = truth.start_ns + 60 * SECOND_NS, 15 * SECOND_NS
    bent = hastened(probes, truth, truth.hosts[11], at_ns - since_ns, 60e3)
    (finding,) = step(bent, references=truth.references, at_ns=at_ns).findings
    assert (finding.kind, finding.host) == (FindingKind.FREQUENCY_CHANGE, truth.hosts[11])


def test_a_slow_stamping_host_whose_paths_are_seen_in_part_of_the_slots_has_not_jumped() -> None:
    probes, truth = simulate("mixed-stamps", hosts=24, seed=30018)
    assert step(probes, references=truth.references).findings == ()


def test_a_path_is_not_uneven_because_the_routes_of_a_whole_site_are() -> None:
    """What the other paths give is itself off by a third of a millisecond, and is known to be as unsure."""
    probes, truth = simulate("wide-area", hosts=60, seed=302007)
    assert step(probes, references=truth.references).findings == ()
