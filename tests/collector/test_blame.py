"""Who is to blame where a lie has bent the fit: the host without which nothing contradicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from other_fleets import Net, fleet
from stamped import EPOCH_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector import blame as subject
from noonmark.collector.blame import to_blame
from noonmark.collector.estimate import FindingKind, ProbeColumns, Reference
from noonmark.collector.linefit import anchoring
from noonmark.collector.pipeline import step
from noonmark.collector.rows import usable
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import Survey, survey_window

LIAR = 5


def lying(probes: ProbeColumns, seed: int, spread_ns: float) -> ProbeColumns:
    """The liar shows each peer a clock of its own, always the same."""
    shift = np.rint(np.random.default_rng(seed).uniform(-spread_ns, spread_ns, len(probes.hosts))).astype(np.int64)
    asks, answers = probes.source == LIAR, probes.destination == LIAR
    asked, answered = np.where(asks, shift[probes.destination], 0), np.where(answers, shift[probes.source], 0)
    return replace(
        probes,
        t1_ns=probes.t1_ns + asked,
        t2_ns=probes.t2_ns + answered,
        t3_ns=probes.t3_ns + answered,
        t4_ns=probes.t4_ns + asked,
    )


@pytest.mark.parametrize(("seed", "degree"), [(0, 6), (2, 6), (4, 6), (0, 4), (2, 4), (3, 4), (4, 4)])
def test_liar_with_few_paths_is_named_and_none_of_its_neighbours(seed: int, degree: int) -> None:
    one = fleet(seed, net=Net(degree=degree))
    estimate = step(lying(one.columns, seed, 5e7 if degree == 6 else 1e7), references=[Reference(one.columns.hosts[0])])
    assert [(finding.kind, finding.host) for finding in estimate.findings] == [(FindingKind.LIAR, "h005")]
    true = one.true_ns(estimate.at_ns)
    others = np.arange(len(true)) != LIAR
    assert (estimate.lower_ns[others] <= np.ceil(true[others])).all()
    assert (estimate.upper_ns[others] >= np.floor(true[others])).all()


def surveyed(probes: ProbeColumns) -> Survey:
    anchors = anchoring(probes.hosts, (Reference(probes.hosts[0]),))
    return survey_window(probes, anchors=anchors, tick_ns=granularity(probes), at_ns=EPOCH_NS, previous=None, slots=24)


def never(probes: ProbeColumns, *, bent: float = 0.0) -> Survey:
    raise AssertionError("nothing is to be fitted again")


def test_where_all_that_contradicts_is_one_hosts_own_nobody_else_is_asked() -> None:
    clocks = [Clock(500 * number, 1e-6 * number) for number in range(9)]
    honest = stamped(clocks, all_pairs(9), roads=Roads(20_000, 20_000, 800.0), exchanges=30)
    assert to_blame(surveyed(honest), never, honest, usable(honest, granularity(honest)), []) is None
    probes = lying(honest, 1, 3e6)
    found = to_blame(surveyed(probes), never, probes, usable(probes, granularity(probes)), [])
    assert found is not None
    assert found.host == LIAR


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_in_a_large_fleet_only_what_is_near_is_fitted_again(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "MANY_PATHS", 50)
    monkeypatch.setattr(subject, "HOPS", 1)
    one = fleet(seed, hosts=200, net=Net(degree=6))
    probes = lying(one.columns, seed, 5e7)
    fitted: list[int] = []

    def counting(some: ProbeColumns, *, bent: float = 0.0) -> Survey:
        fitted.append(len(some))
        return survey_window(some, anchors=anchors, tick_ns=tick, at_ns=None, previous=None, slots=24, bent=bent)

    anchors, tick = anchoring(probes.hosts, (Reference(probes.hosts[0]),)), granularity(probes)
    whole = counting(probes)
    told = to_blame(whole, counting, whole.probes, usable(whole.probes, tick), [])
    assert told is not None
    assert told.host == LIAR
    assert all(count < len(probes) / 2 for count in fitted[1:])
