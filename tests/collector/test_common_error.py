"""A fleet that leans on one reference: absolute numbers follow its error, differences between hosts do not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fleets import solve_again, solved

from noonmark.collector.common_error import common_drift
from noonmark.collector.estimate import UNBOUNDED_NS, Reference
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
