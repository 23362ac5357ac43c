"""Changes that an estimate told are looked for first, so that the fleet is fitted once, and nothing else differs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stepped_clock import stepped

from noonmark.collector import pipeline
from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, ProbeColumns
from noonmark.collector.pipeline import step
from noonmark.lab.simulate import simulate

WINDOW, TRUTH = simulate("kernel-lan", hosts=24, seed=1)
ONE, OTHER = TRUTH.hosts[4], TRUTH.hosts[2]
REFERENCES = TRUTH.references


def jumped(host: str, size_ns: int, after_s: int, probes: ProbeColumns = WINDOW) -> ProbeColumns:
    return stepped(probes, TRUTH, host, TRUTH.start_ns + after_s * 10**9, size_ns)


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many probes each fit of the whole fleet had."""
    counted: list[int] = []

    def counting(probes: ProbeColumns, *given: object, **named: object) -> object:
        counted.append(len(probes))
        return survey(probes, *given, **named)

    survey = pipeline.survey_window
    monkeypatch.setattr(pipeline, "survey_window", counting)
    return counted


def told(estimate: FleetEstimate) -> list[tuple[FindingKind, str | None]]:
    return [(finding.kind, finding.host) for finding in estimate.findings]


@pytest.mark.parametrize("size_ns", [-20_000_000, 60_000])
def test_a_step_told_before_costs_no_second_fit(size_ns: int, fits: list[int]) -> None:
    probes = jumped(ONE, size_ns, 35)
    first = step(probes, references=REFERENCES)
    assert told(first) == [(FindingKind.STEP, ONE)]
    # The same window again, warm, but without a word of the step; and with it.
    silent = replace(first, findings=())
    fits.clear()
    anew = step(probes, references=REFERENCES, previous=silent)
    assert len(fits) == 2
    fits.clear()
    again = step(probes, references=REFERENCES, previous=first)
    assert len(fits) == 1
    assert fits[0] < len(probes)
    assert told(again) == told(anew)
    (one,), (other,) = again.findings, anew.findings
    assert one.size_ns == pytest.approx(other.size_ns, rel=0.05)
    # Of twelve exchanges in a minute, slots are five seconds long.
    assert abs(one.at_ns - other.at_ns) < 5_500_000_000
    # By half a slot the two may keep other probes of the host that jumped.
    others = np.array(probes.hosts) != ONE
    moved = np.abs(again.offset_ns - anew.offset_ns)
    assert (moved[others] <= 0.1 * anew.uncertainty_ns[others]).all()
    assert moved[~others] < anew.uncertainty_ns[~others]
    assert again.uncertainty_ns[others] == pytest.approx(anew.uncertainty_ns[others], rel=0.1)
    assert (again.lower_ns <= anew.offset_ns).all()
    assert (again.upper_ns >= anew.offset_ns).all()


def test_nothing_is_believed_because_it_was_said(fits: list[int]) -> None:
    """The window has moved on past the step, or there never was one."""
    probes = WINDOW
    first = step(probes, references=REFERENCES)
    assert told(first) == []
    rumour = Finding(FindingKind.STEP, first.at_ns - 25 * 10**9, "rumour", host=OTHER, size_ns=60_000)
    fits.clear()
    again = step(probes, references=REFERENCES, previous=replace(first, findings=(rumour,)))
    assert fits == [len(probes)]
    assert told(again) == []


def test_another_clock_that_steps_meanwhile_is_found_too(fits: list[int]) -> None:
    probes = jumped(ONE, 60_000, 35)
    first = step(probes, references=REFERENCES)
    both = jumped(OTHER, 40_000, 50, probes)
    again = step(both, references=REFERENCES, previous=first)
    assert sorted(told(again)) == sorted([(FindingKind.STEP, ONE), (FindingKind.STEP, OTHER)])
