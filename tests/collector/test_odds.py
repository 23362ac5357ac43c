from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from noonmark.collector.pipeline import step
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate

KIND = KINDS["references-disagree"]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_of_two_references_at_odds_both_are_named_and_kept(seed: int) -> None:
    kind = dataclasses.replace(KIND, references=dataclasses.replace(KIND.references, count=2, wrong=1))
    probes, truth = simulate(kind, hosts=30, seed=seed)

    estimate = step(probes, references=truth.references)

    assert [(str(finding.kind), finding.host) for finding in estimate.findings] == [
        ("reference-disagrees", "reference-1"),
        ("reference-disagrees", "reference-2"),
    ]
    assert abs(abs(estimate.findings[0].size_ns or 0) - 500_000) < 1_000
    true = truth.offsets_ns(estimate.at_ns)
    assert (np.abs(estimate.offset_ns - true) <= 2 * estimate.uncertainty_ns).all()
    assert ((estimate.lower_ns <= true) & (true <= estimate.upper_ns)).all()


def test_two_references_that_agree_are_believed() -> None:
    kind = dataclasses.replace(KIND, references=dataclasses.replace(KIND.references, count=2, wrong=0))
    probes, truth = simulate(kind, hosts=30, seed=0)

    estimate = step(probes, references=truth.references)

    assert estimate.findings == ()
    assert np.median(estimate.uncertainty_ns) < 300
