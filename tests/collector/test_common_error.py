"""A fleet that leans on one reference: absolute numbers follow its error, differences between hosts do not."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import networkx
import numpy as np
import pytest
from fleets import solve_again, solved
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector import network
from noonmark.collector.common_error import FREE_RUN_DRIFT_PPB, common_drift, shared_drift
from noonmark.collector.estimate import UNBOUNDED_NS, FindingKind, FleetEstimate, ProbeColumns, Reference
from noonmark.collector.pairs import compare

EXACT = solved("kernel-lan", 1)
NAME = EXACT.estimate.references[0].host
WIDE = [(100.0, 500.0, 0.0), (1e6, 5e6, 1e3), (1e9, math.inf, 5e4), (3.6e12, math.inf, 5e4)]


@pytest.mark.parametrize(("uncertainty", "limit", "drift"), WIDE)
def test_every_host_is_as_unsure_as_the_reference_besides(uncertainty: float, limit: float, drift: float) -> None:
    exact = solve_again(EXACT.probes, [Reference(NAME)])
    leaning = solve_again(EXACT.probes, [Reference(NAME, uncertainty, limit, drift)])
    assert leaning.references == (Reference(NAME, uncertainty, limit, drift),)
    assert leaning.offset_ns.tolist() == exact.offset_ns.tolist()
    assert leaning.uncertainty_ns == pytest.approx(np.hypot(exact.uncertainty_ns, uncertainty))
    if math.isfinite(limit):
        assert (leaning.lower_ns == exact.lower_ns - round(limit)).all()
        assert (leaning.upper_ns == exact.upper_ns + round(limit)).all()
    else:
        assert (leaning.lower_ns == -UNBOUNDED_NS).all()
        assert (leaning.upper_ns == UNBOUNDED_NS).all()


@pytest.mark.parametrize(("uncertainty", "limit", "drift"), WIDE)
def test_differences_between_hosts_stay_tight(uncertainty: float, limit: float, drift: float) -> None:
    a, b = [host for host in EXACT.probes.hosts if host != NAME][:2]
    exact = compare(solve_again(EXACT.probes, [Reference(NAME)]), a, b)
    leaning = compare(solve_again(EXACT.probes, [Reference(NAME, uncertainty, limit, drift)]), a, b)
    assert leaning.uncertainty_ns == pytest.approx(exact.uncertainty_ns, abs=2)
    assert (leaning.lower_ns, leaning.upper_ns) == (exact.lower_ns, exact.upper_ns)


def test_an_exact_reference_shares_no_drift() -> None:
    assert common_drift(EXACT.estimate) == 0.0
    assert common_drift(solve_again(EXACT.probes, [Reference(NAME, 5.0, 25.0)])) == 1e-9


THREE = solved("three-references", 1)
NAMES = [reference.host for reference in THREE.estimate.references]


@pytest.mark.parametrize(
    "uncertainties", [(100.0, 1e6, 1e9), (1e6, 1e6, 2e6), (1e9, 1e9, 1e9)], ids=["one good", "all held", "none"]
)
def test_several_references_weigh_what_they_say_of_themselves(uncertainties: tuple[float, float, float]) -> None:
    references = [
        Reference(name, each, 5 * each if each < 1e9 else math.inf)
        for name, each in zip(NAMES, uncertainties, strict=True)
    ]
    estimate = solve_again(THREE.probes, references)
    together = sum(each**-2 for each in uncertainties) ** -0.5
    spread = float(np.median(THREE.estimate.uncertainty_ns))
    for host in range(len(estimate.hosts)):
        assert estimate.uncertainty_ns[host] == pytest.approx(together, rel=0.01, abs=6 * spread)
    true = THREE.truth.offsets_ns(estimate.at_ns)
    assert (estimate.lower_ns <= true).all()
    assert (true <= estimate.upper_ns).all()
    assert np.abs(estimate.offset_ns - true).max() < 3 * max(together, 6 * spread)
    assert not [finding.text for finding in estimate.findings]


def test_differences_stay_tight_when_all_references_are_held() -> None:
    a, b = [host for host in THREE.probes.hosts if host not in NAMES][:2]
    held = solve_again(THREE.probes, [Reference(name, 1e6, 5e6) for name in NAMES])
    assert compare(held, a, b).uncertainty_ns < 2 * compare(THREE.estimate, a, b).uncertainty_ns


@pytest.mark.parametrize("rates", [(5e4, 5e4, 5e4), (5e3, 5e4, 5e4), (100.0, 5e4, 5e4)])
@pytest.mark.parametrize("dense", [True, False])
def test_differences_stay_tight_while_several_references_run_free(
    rates: tuple[float, float, float], dense: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not dense:
        monkeypatch.setattr(network, "DENSE_UNKNOWNS", 5)
    references = [Reference(name, 1e9, math.inf, rate) for name, rate in zip(NAMES, rates, strict=True)]
    estimate = solve_again(THREE.probes, references)
    common = shared_drift(tuple(references))
    assert common == pytest.approx(1e-9 / math.sqrt(sum(rate**-2 for rate in rates)))
    # No host's rate is known better than the references' best mean.
    assert estimate.drift_uncertainty == pytest.approx(np.full(len(estimate.hosts), common), rel=0.01)
    assert (estimate.drift_uncertainty >= common).all()
    a, b = [host for host in estimate.hosts if host not in NAMES][:2]
    for away_s in (0, 60):
        held = compare(estimate, a, b, at_ns=estimate.at_ns + away_s * 10**9)
        good = compare(THREE.estimate, a, b, at_ns=THREE.estimate.at_ns + away_s * 10**9)
        assert held.uncertainty_ns < 2 * good.uncertainty_ns


@given(
    st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6), st.floats(1.0, 1e6)), max_size=20),
    st.dictionaries(st.integers(0, 6), st.floats(1.0, 1e3), min_size=1, max_size=4),
)
def test_the_shared_part_and_the_pairs_rest_hold_in_every_network(edges: list, rates: dict[int, float]) -> None:
    """Variances in a network are effective resistances; networkx works them out by another way (a chain keeps it one
    piece)."""
    graph = networkx.MultiGraph()
    graph.add_edges_from((a, b, {"ohm": ohm}) for a, b, ohm in edges if a != b)
    graph.add_edges_from((host, host + 1, {"ohm": 1e4}) for host in range(6))
    graph.add_edges_from((host, "time", {"ohm": rate**2}) for host, rate in rates.items())
    away = networkx.resistance_distance(graph, weight="ohm")
    shared = (shared_drift(tuple(Reference(str(host), 1e9, math.inf, rate) for host, rate in rates.items())) * 1e9) ** 2
    for a in range(7):
        for b in range(a):
            whole = [away[host]["time"] for host in (a, b)]
            rest = [max(variance - shared, 0.0) for variance in whole]
            assert min(whole) >= shared * (1 - 1e-6)
            bound = min(sum(whole), sum(map(math.sqrt, rest)) ** 2)
            assert away[a][b] <= bound * (1 + 1e-6) + 1e-6 * shared


def seldom_asked(ages_s: tuple[float, ...]) -> ProbeColumns:
    """The same fleet, whose reference one host alone asks, so many seconds before the window's end: an NTP server."""
    probes = EXACT.probes
    reference = probes.hosts.index(NAME)
    of_reference = (probes.source == reference) | (probes.destination == reference)
    client = np.bincount(probes.source[probes.destination == reference]).argmax()
    asked = np.flatnonzero((probes.source == client) & (probes.destination == reference))
    age_s = (probes.t1_ns.max() - probes.t1_ns[asked]) / 1e9
    kept = [asked[np.abs(age_s - age).argmin()] for age in ages_s]
    rows = np.sort(np.concatenate([np.flatnonzero(~of_reference), kept]))
    columns = {one.name: getattr(probes, one.name)[rows] for one in fields(probes) if one.name != "hosts"}
    return replace(probes, **columns)


def errors_in_uncertainties(estimate: FleetEstimate) -> np.ndarray:
    truth = EXACT.truth.offsets_ns(estimate.at_ns)
    assert (estimate.lower_ns <= truth).all()
    assert (truth <= estimate.upper_ns).all()
    others = [row for row, host in enumerate(estimate.hosts) if host != NAME]
    return np.abs(estimate.offset_ns - truth)[others] / estimate.uncertainty_ns[others]


@pytest.mark.parametrize("declared", [Reference(NAME), Reference(NAME, 2e4, 1e5)], ids=["exact", "declared"])
@pytest.mark.parametrize("age_s", [5.0, 55.0])
def test_a_reference_asked_once_in_the_window_tells_no_rate(age_s: float, declared: Reference) -> None:
    estimate = solve_again(seldom_asked((age_s,)), [declared])
    assert errors_in_uncertainties(estimate).max() < 2.0
    assert estimate.references[0].drift_uncertainty_ppb == FREE_RUN_DRIFT_PPB
    hosts = [host for host in estimate.hosts if host != NAME]
    assert min(estimate.drift_uncertainty[estimate.index(host)] for host in hosts) >= FREE_RUN_DRIFT_PPB * 1e-9
    # What no path tells of the reference is no part of the differences between hosts.
    pair, good = (compare(one, *hosts[:2]) for one in (estimate, EXACT.estimate))
    assert pair.uncertainty_ns < 2 * good.uncertainty_ns


def test_a_reference_asked_every_sixteen_seconds_is_as_good_as_it_says() -> None:
    estimate = solve_again(seldom_asked((58.0, 42.0, 26.0, 10.0)), [Reference(NAME, 2e4, 1e5)])
    assert errors_in_uncertainties(estimate).max() < 2.0
    assert estimate.uncertainty_ns.max() < 1.2 * 2e4
    assert estimate.references[0].drift_uncertainty_ppb == 0.0
    assert not {finding.kind for finding in estimate.findings} & {FindingKind.STALE}


def test_a_server_is_silent_after_three_of_its_own_intervals() -> None:
    silent = solve_again(seldom_asked((59.0, 58.0, 57.0, 56.0, 55.0, 54.0, 53.0)), [Reference(NAME, 2e4, 1e5)])
    assert [finding.host for finding in silent.findings if finding.kind is FindingKind.STALE] == [NAME]
