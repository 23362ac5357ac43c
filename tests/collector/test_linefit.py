"""From walls to every host's line: exact where nothing waits, anchored as declared."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import EPOCH_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector.estimate import Reference
from noonmark.collector.linefit import anchoring, spans
from noonmark.collector.stampquality import granularity
from noonmark.collector.survey import Survey, survey_window

NAMES = tuple(f"host-{number}" for number in range(6))
CLOCKS = [Clock(), Clock(1_234_567, 12e-6), Clock(-5_000, -3e-6), Clock(88, 1e-7), Clock(-(10**12), 40e-6), Clock(7)]


def surveyed(
    references: tuple[Reference, ...], clocks: list[Clock] = CLOCKS, roads: Roads | None = None, at_ns: int = EPOCH_NS
) -> Survey:
    probes = stamped(clocks, all_pairs(len(clocks)), roads=roads, exchanges=30, names=NAMES[: len(clocks)])
    anchors = anchoring(probes.hosts, references)
    return survey_window(probes, anchors, granularity(probes), at_ns=at_ns, previous=None, slots=24)


def offsets(survey: Survey) -> np.ndarray:
    return survey.frames.offset_ns + survey.fit.offset_ns


def test_anchoring_names_what_each_reference_hangs_on() -> None:
    alone = anchoring(NAMES, (Reference("host-2"),))
    assert alone.node.tolist() == [0, 1, 6, 3, 4, 5]
    assert len(alone.declared) == 0
    assert alone.anchored
    several = anchoring(NAMES, (Reference("host-2", 50.0, 400.0), Reference("host-0", 0.0, 7.0)))
    assert several.node.tolist() == [0, 1, 2, 3, 4, 5]
    assert several.declared.tolist() == [2, 0]
    assert several.uncertainty_ns.tolist() == [50.0, 1.0]
    assert several.limit_ns.tolist() == [400.0, 7.0]
    assert several.anchored
    nobody = anchoring(NAMES, ())
    assert not nobody.anchored
    assert nobody.reference == 6


def test_unknown_reference_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="'nowhere' takes part in no probe"):
        anchoring(NAMES, (Reference("nowhere"),))


def test_lines_are_exact_where_delays_are_fixed_and_alike() -> None:
    survey = surveyed((Reference("host-0"),))
    truth = np.array([clock.error_ns(EPOCH_NS) for clock in CLOCKS])
    assert offsets(survey) == pytest.approx(truth, abs=3.0)
    drift = (1 + survey.frames.drift) * (1 + survey.fit.drift_ppb * 1e-9) - 1
    assert drift == pytest.approx([clock.drift for clock in CLOCKS], abs=1e-9)


@pytest.mark.parametrize("away_s", [-100, -30, 300])
def test_lines_are_told_at_the_asked_instant(away_s: int) -> None:
    at_ns = EPOCH_NS + away_s * 10**9
    survey = surveyed((Reference("host-0"),), at_ns=at_ns)
    assert survey.frames.epoch_ns == at_ns
    truth = np.array([clock.error_ns(at_ns) for clock in CLOCKS])
    assert offsets(survey) == pytest.approx(truth, abs=5.0 + abs(away_s + 30) * 0.3)


def test_references_that_agree_are_averaged_by_their_declared_uncertainty() -> None:
    clocks = [Clock(30), Clock(-10), Clock(50_000, 1e-6)]
    survey = surveyed((Reference("host-0", 100.0, 1e3), Reference("host-1", 50.0, 1e3)), clocks, Roads(30, 30))
    # Paths of 60 ns can hardly be asymmetric: reference time lies 1 : 4 between the two.
    mean = (30 / 100**2 - 10 / 50**2) / (1 / 100**2 + 1 / 50**2)
    assert offsets(survey)[:2] == pytest.approx([30 - mean, -10 - mean], abs=3.0)
    assert offsets(survey)[2] == pytest.approx(50_000 - mean, abs=3.0)


def test_fixed_asymmetry_of_every_path_shows_as_half_of_it() -> None:
    clocks = [Clock(), Clock(1_000_000)]
    survey = surveyed((Reference("host-0"),), clocks, Roads(30_000, 20_000))
    # Nothing can tell it from an offset (RFC 5905 section 8: error is half the difference of the delays).
    assert offsets(survey)[1] == pytest.approx(1_000_000 + 5_000, abs=3.0)


def test_without_reference_differences_of_hosts_are_the_same() -> None:
    free, anchored = surveyed(()), surveyed((Reference("host-0"),))
    difference = offsets(free) - offsets(anchored)
    assert difference - difference[0] == pytest.approx(np.zeros(6), abs=2.0)


def test_spans_of_level_probes_are_the_windows() -> None:
    survey = surveyed((Reference("host-0"),), roads=Roads(20_000, 20_000, 1_000.0))
    mean, span, count = spans(survey.walls)
    assert mean == pytest.approx(np.full(len(mean), -30.0), abs=3.0)
    assert span == pytest.approx(np.full(len(span), 60.0), rel=0.15)
    assert (count >= 15).all()
