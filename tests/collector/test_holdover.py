from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.holdover import (
    DAY_S,
    Beginning,
    Learned,
    gained,
    leaves_after,
    others,
    outlook,
    with_learned_frequency,
)
from noonmark.proto.oscillators import CLASSES, Oscillator, OscillatorClass, holdover_uncertainty

OCXO = CLASSES[OscillatorClass.OCXO]
starts = st.builds(
    Beginning,
    offset_ns=st.floats(-1e6, 1e6),
    uncertainty_ns=st.floats(0, 1e6),
    limit_ns=st.one_of(st.none(), st.floats(0, 1e7)),
    drift=st.floats(-1e-5, 1e-5),
)
kinds = st.sampled_from([CLASSES[kind] for kind in OscillatorClass])


@given(kinds, st.floats(0, 1e8))
def test_what_is_gained_is_what_references_declare_of_themselves(kept_by: Oscillator, elapsed_s: float) -> None:
    assert gained(kept_by, elapsed_s).total_ns == holdover_uncertainty(kept_by, elapsed_s)


@given(starts, kinds, st.floats(0, 1e7), st.floats(0, 1e7))
def test_uncertainty_never_falls_with_time(start: Beginning, kept_by: Oscillator, one: float, other: float) -> None:
    early, late = (outlook(start, kept_by, span) for span in sorted((one, other)))
    assert early.uncertainty_ns <= late.uncertainty_ns
    assert early.uncertainty_ns >= start.uncertainty_ns


@given(starts, kinds, st.floats(1e3, 1e12))
def test_the_budget_is_kept_until_it_is_left(start: Beginning, kept_by: Oscillator, budget_ns: float) -> None:
    left = leaves_after(start, kept_by, budget_ns)

    def reach(elapsed_s: float) -> float:
        then = outlook(start, kept_by, elapsed_s)
        return abs(then.expected_ns) + 2 * then.uncertainty_ns

    assert left is not None
    if left == 0.0:
        assert reach(1e-6) > budget_ns * (1 - 1e-9)
    elif math.isfinite(left):
        assert reach(left) <= budget_ns * (1 + 1e-9)
        assert reach(left * 1.001) >= budget_ns * (1 - 1e-9)
        assert reach(left / 2) <= budget_ns * (1 + 1e-9)


def test_five_parts_in_a_thousand_million_leave_a_budget_after_their_time() -> None:
    """432 us in 24 hours, common practice with no source: with U = 2 u a budget of 864 us is left after 24 hours."""
    left = leaves_after(Beginning(), Oscillator("", frequency_uncertainty=5e-9), 864e3)
    assert left == pytest.approx(DAY_S, rel=1e-6)


def test_a_drift_towards_zero_is_followed_through_it() -> None:
    start = Beginning(offset_ns=900.0, drift=-1e-9)
    kept_by = Oscillator("")
    # 900 ns ahead, losing 1 ns a second: at zero after 900 s, 1000 ns behind after 1900 s.
    assert leaves_after(start, kept_by, 1000.0) == pytest.approx(1900.0, rel=1e-6)
    assert leaves_after(start, kept_by, 800.0) == 0.0


def test_a_perfect_oscillator_never_leaves_and_no_limit_gives_no_answer_by_limit() -> None:
    assert leaves_after(Beginning(), Oscillator(""), 1.0) == math.inf
    assert leaves_after(Beginning(limit_ns=None), OCXO, 1.0, by_limit=True) is None
    assert outlook(Beginning(limit_ns=None), OCXO, 5.0).limit_ns is None


@given(starts, kinds, st.floats(1e3, 1e9))
def test_limits_are_left_no_later_than_uncertainty(start: Beginning, kept_by: Oscillator, budget_ns: float) -> None:
    if start.limit_ns is None or start.limit_ns < 2 * start.uncertainty_ns:
        return
    by_limit = leaves_after(start, kept_by, budget_ns, by_limit=True)
    by_uncertainty = leaves_after(start, kept_by, budget_ns)
    assert by_limit is not None
    assert by_uncertainty is not None
    assert by_limit <= by_uncertainty * (1 + 1e-9)


def test_what_was_seen_stands_in_place_of_the_class() -> None:
    quartz = CLASSES[OscillatorClass.QUARTZ]
    quiet = Learned(2 * DAY_S, (1.0, 100.0, 1e4), (1e-9, 1e-10, 1e-11))
    noisy = Learned(2 * DAY_S, (1.0, 1e4), (1e-5, 1e-5))
    by_class = leaves_after(Beginning(), quartz, 1e6)
    longer = leaves_after(Beginning(), Oscillator("quartz"), 1e6, quiet)
    shorter = leaves_after(Beginning(), quartz, 1e6, noisy)
    assert by_class is not None
    assert longer is not None
    assert shorter is not None
    assert shorter < by_class < longer


def test_less_than_a_day_leaves_the_allowance_for_temperature() -> None:
    seen = ((1.0, 1000.0), (1e-9, 1e-11))
    assert gained(OCXO, 3600.0, Learned(DAY_S / 2, *seen)).temperature_ns > 0
    assert gained(OCXO, 3600.0, Learned(DAY_S, *seen)).temperature_ns == 0
    assert gained(OCXO, 3600.0, Learned(DAY_S, *seen)).ageing_ns == gained(OCXO, 3600.0).ageing_ns


def test_noise_between_and_beyond_what_was_seen() -> None:
    """tau * sigma_y(tau) / sqrt(ln 2), a line in logarithms between, the flicker floor beyond."""
    seen = Learned(DAY_S, (10.0, 1000.0), (1e-9, 1e-11))
    scale = 1e9 / math.sqrt(math.log(2))
    assert seen.predicted_ns(100.0) == pytest.approx(100 * 1e-10 * scale)
    assert seen.predicted_ns(1e5) == pytest.approx(1e5 * 1e-11 * scale)
    assert seen.predicted_ns(1.0) == pytest.approx(10 * 1e-9 * scale)
    assert seen.predicted_ns(0.0) == 0.0
    assert Learned(0.0, (), ()).predicted_ns(5.0) == 0.0


@given(
    st.lists(st.floats(1e-12, 1e-6), min_size=1, max_size=8),
    st.floats(1e-3, 1e6),
    st.floats(1e-3, 1e6),
)
def test_learned_noise_never_falls_with_time(seen: list[float], one: float, other: float) -> None:
    learned = Learned(DAY_S, tuple(4.0**place for place in range(len(seen))), tuple(seen))
    early, late = (learned.predicted_ns(span) for span in sorted((one, other)))
    assert early <= late * (1 + 1e-9)


def test_a_worse_measured_frequency_counts() -> None:
    assert with_learned_frequency(OCXO, 1e-8).frequency_uncertainty == 1e-8
    assert with_learned_frequency(Oscillator("", frequency_uncertainty=1e-6), 1e-8).frequency_uncertainty == 1e-6


def test_every_class_is_told_with_its_time_to_the_budget() -> None:
    table = others(Beginning(), 1e6, (3600.0,))
    assert list(table) == [str(kind) for kind in OscillatorClass]
    assert all(len(row) == 2 for row in table.values())
    assert table["quartz"][1] < table["ocxo"][1] < table["caesium"][1]
    assert len(others(Beginning(), None, (3600.0,))["ocxo"]) == 1
