from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from noonmark.proto.oscillators import CLASSES, Oscillator, OscillatorClass, holdover_uncertainty, oscillator_named

DAY_S = 86_400.0


def test_a_better_class_never_wanders_further() -> None:
    order = [OscillatorClass.QUARTZ, OscillatorClass.TCXO, OscillatorClass.MCXO, OscillatorClass.OCXO]
    for span in (1.0, 60.0, 3600.0, DAY_S, 30 * DAY_S):
        wander = [holdover_uncertainty(kind, span) for kind in order]
        assert wander == sorted(wander, reverse=True)


@given(st.sampled_from(list(OscillatorClass)), st.floats(0, 1e8), st.floats(0, 1e8))
def test_uncertainty_never_falls_with_time(kind: OscillatorClass, one: float, other: float) -> None:
    early, late = sorted((one, other))
    assert holdover_uncertainty(kind, early) <= holdover_uncertainty(kind, late)


def test_no_time_and_time_backwards_add_nothing() -> None:
    for kind in OscillatorClass:
        assert holdover_uncertainty(kind, 0.0) == holdover_uncertainty(kind, -5.0) == 0.0


def test_an_unknown_name_promises_least() -> None:
    assert oscillator_named("caesium") is CLASSES[OscillatorClass.CAESIUM]
    assert oscillator_named("hourglass") is CLASSES[OscillatorClass.QUARTZ]


def test_parts_add_in_squares() -> None:
    both = holdover_uncertainty(Oscillator("both", frequency_uncertainty=3e-9, temperature=4e-9 * 3**0.5), 10.0)
    assert abs(both - 50.0) < 1e-9
