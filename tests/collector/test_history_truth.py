"""The real estimator's ticks of simulated fleets through the history: known truth lies within all it tells later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from noonmark.collector.estimate import FleetEstimate, ProbeColumns
from noonmark.collector.history import Retention, open_history
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate
from noonmark.lab.truth import Truth

SECOND_NS = 10**9
SECONDS, WINDOW_S, TICK_S, HOSTS = 150, 60, 5, 10
COLUMNS = [field.name for field in fields(ProbeColumns) if field.name != "hosts"]


@cache
def lived(kind: str) -> tuple[tuple[FleetEstimate, ...], Truth]:
    probes, truth = simulate(kind, hosts=HOSTS, seconds=SECONDS, interval_s=1.0, epochs=True)

    def ticks() -> Iterator[FleetEstimate]:
        previous = None
        for second in range(WINDOW_S, SECONDS, TICK_S):
            at_ns = truth.start_ns + second * SECOND_NS
            inside = (probes.t1_ns > at_ns - WINDOW_S * SECOND_NS) & (probes.t4_ns <= at_ns)
            window = replace(probes, **{name: getattr(probes, name)[inside] for name in COLUMNS})
            previous = step(window, references=truth.references, at_ns=at_ns, previous=previous)
            yield previous

    return tuple(ticks()), truth


@pytest.mark.parametrize("kind", ["kernel-lan", "three-zones", "noticed-steps"])
@pytest.mark.parametrize("kept", ["fresh", "packed", "thinned"])
def test_truth_lies_within_what_is_told(tmp_path: Path, kind: str, kept: str) -> None:
    estimates, truth = lived(kind)
    row = {host: number for number, host in enumerate(truth.hosts)}
    random = np.random.default_rng(5)
    day = 24 * 3600 * SECOND_NS
    with open_history(tmp_path / "history", retention=Retention(detail_ns=day)) as history:
        for estimate in estimates:
            history.append(estimate)
        if kept != "fresh":
            later = 8 * 3600 * SECOND_NS if kept == "packed" else 3 * day
            history.append(replace(estimates[-1], at_ns=estimates[-1].at_ns + later, findings=()))
            history.tidy()
        told = 0
        for at_ns in random.integers(estimates[0].at_ns, estimates[-1].at_ns, 25).tolist():
            error = truth.offsets_ns(at_ns)
            a, b = (str(host) for host in random.choice(truth.hosts, 2, replace=False))
            for one, other in ((a, None), (a, b)):
                pair = history.pair_at(one, other, at_ns)
                difference = int(error[row[one]]) - (0 if other is None else int(error[row[other]]))
                if pair.known:
                    told += 1
                    assert pair.lower_ns <= difference <= pair.upper_ns, (one, other, at_ns)
                    assert abs(pair.offset_ns - difference) <= 5 * pair.uncertainty_ns + 50, (one, other, at_ns)
        assert told >= 40
