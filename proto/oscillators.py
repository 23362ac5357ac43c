"""What kind of oscillator keeps a clock that has lost its source, and how far it may wander by itself. Pure.

Figures are those of published comparison tables (see `CLASSES`), all as fractions of the frequency. The growth law is
that of a clock with a frequency error, an ageing rate and white frequency noise (NIST SP 1065, section 3; ITU-T G.810):
x(t) = y*t + D*t^2/2 + noise, its parts independent of each other and so added in squares. Check value, common
practice with no source: 5 parts in 10^9 make 432 us in 24 hours.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass

YEAR_S = 365.25 * 86_400
_RECTANGULAR = math.sqrt(3.0)
"""Half-width of a rectangular distribution over its standard deviation (JCGM 100, 4.3.7)."""


class OscillatorClass(enum.StrEnum):
    """Kinds of oscillators, by the trade's names."""

    QUARTZ = "quartz"
    """The plain crystal of a server's board."""
    TCXO = "tcxo"
    MCXO = "mcxo"
    OCXO = "ocxo"
    RUBIDIUM = "rubidium"
    RBXO = "rbxo"
    CAESIUM = "caesium"


@dataclass(frozen=True, slots=True)
class Oscillator:
    """One oscillator's behaviour without a source; fractions of the frequency.

    `temperature` and `ageing_per_year` are greatest values, as tables give them, and count as rectangular;
    `frequency_uncertainty` is a standard one.
    """

    name: str
    frequency_uncertainty: float = 0.0
    """Of the frequency at the moment the source was lost, after it was steered to the source."""
    temperature: float = 0.0
    """Greatest change over the temperatures it meets."""
    ageing_per_year: float = 0.0
    noise_at_1s: float = 0.0
    """Allan deviation at 1 s, taken as white frequency noise."""


CLASSES: Mapping[OscillatorClass, Oscillator] = {
    # Ageing a year and temperature stability: Vig's comparison table of frequency standards, wide temperature range;
    # Allan deviation at 1 s: the worse end of the handbooks' ranges. The crystal of a server's board: 1 ppm a kelvin
    # over 5 K, common practice, no source.
    OscillatorClass.QUARTZ: Oscillator("quartz", 1e-6, 5e-6, 5e-6, 1e-8),
    OscillatorClass.TCXO: Oscillator("tcxo", 0.0, 5e-7, 5e-7, 1e-8),
    OscillatorClass.MCXO: Oscillator("mcxo", 0.0, 3e-8, 2e-8, 1e-9),
    OscillatorClass.OCXO: Oscillator("ocxo", 0.0, 1e-9, 5e-9, 1e-12),
    OscillatorClass.RUBIDIUM: Oscillator("rubidium", 0.0, 3e-10, 2e-10, 5e-11),
    OscillatorClass.RBXO: Oscillator("rbxo", 0.0, 5e-10, 2e-10, 5e-11),
    OscillatorClass.CAESIUM: Oscillator("caesium", 0.0, 2e-11, 0.0, 5e-11),
}


def oscillator_named(name: str) -> Oscillator:
    """The class of that name; the plain crystal, which promises least, for a name unknown here."""
    try:
        return CLASSES[OscillatorClass(name)]
    except ValueError:
        return CLASSES[OscillatorClass.QUARTZ]


@dataclass(frozen=True, slots=True)
class Wandering:
    """What a clock may gain without its source: standard uncertainties of independent parts, ns."""

    frequency_ns: float
    temperature_ns: float
    ageing_ns: float
    noise_ns: float

    @property
    def total_ns(self) -> float:
        """Root of the sum of squares (JCGM 100, 5.1.2)."""
        return math.hypot(self.frequency_ns, self.temperature_ns, self.ageing_ns, self.noise_ns)


def wandering(kept_by: Oscillator, elapsed_s: float) -> Wandering:
    """The parts after `elapsed_s` seconds without a source; a negative span counts as none."""
    span = max(0.0, elapsed_s)
    return Wandering(
        frequency_ns=kept_by.frequency_uncertainty * span * 1e9,
        temperature_ns=kept_by.temperature / _RECTANGULAR * span * 1e9,
        ageing_ns=kept_by.ageing_per_year / _RECTANGULAR / YEAR_S * span * span / 2 * 1e9,
        noise_ns=kept_by.noise_at_1s * math.sqrt(span) * 1e9,
    )


def holdover_uncertainty(oscillator: Oscillator | OscillatorClass, elapsed_s: float) -> float:
    """Standard uncertainty, ns, that a clock gains in `elapsed_s` seconds without its source. Never falls with time.

    A negative span counts as none.
    """
    kept_by = CLASSES[oscillator] if isinstance(oscillator, OscillatorClass) else oscillator
    return wandering(kept_by, elapsed_s).total_ns
