"""How far a reference may have wandered since it lost its source, and when it will leave a budget. Pure, free of numpy.

The time error t seconds after the loss is expected to be offset + drift t. Its standard uncertainty is the root of the
sum of squares (JCGM 100, 5.1.2) of what was uncertain at the loss and of what the oscillator may gain: frequency
uncertainty, temperature, ageing, noise (proto/oscillators.py, one source of the figures). Its limit grows by
`LIMIT_IN_UNCERTAINTIES` of the gained part, as a reference itself declares it (agent/reference_state.py).

What was *learned* of a clock while it had a source counts in place of its class's noise: sigma_y(tau), as seen,
predicts an error of tau sigma_y(tau) k, with k from 1 (white and random walk FM) to 1/sqrt(ln 2) = 1.2 (flicker FM; D.
W. Allan, "Time and Frequency (Time-Domain) Characterization", 1987); 1.2 is taken. Past the longest tau seen sigma_y
stays as it was there (the flicker floor). Who saw a whole day saw the day's temperatures too: then that allowance is
replaced as well. Ageing always stays: it shows over months.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from noonmark.proto.oscillators import CLASSES, Oscillator, OscillatorClass, Wandering, wandering
from noonmark.proto.reference import LIMIT_IN_UNCERTAINTIES

DAY_S = 86_400.0
COVERAGE = 2.0
"""Expanded uncertainty U = 2 u."""
PREDICTION = 1 / math.sqrt(math.log(2))
LONGEST_S = 100 * 365.25 * DAY_S
"""A budget that is kept for so long is never left."""
_GRID = 2_000


@dataclass(frozen=True, slots=True)
class Beginning:
    """What was known of the clock when its source was lost, or is known now; positive: ahead."""

    offset_ns: float = 0.0
    uncertainty_ns: float = 0.0
    """Standard."""
    limit_ns: float | None = 0.0
    """The clock's error lies within this of the offset; None: no limit is known."""
    drift: float = 0.0
    """Of which it is known that it goes on, s/s."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What was seen of a clock's own stability: rising averaging times and Allan deviations there."""

    observed_s: float
    tau_s: tuple[float, ...]
    deviation: tuple[float, ...]

    def predicted_ns(self, elapsed_s: float) -> float:
        """Standard uncertainty that the noise gains in so many seconds; never falls with time."""
        if elapsed_s <= 0 or not self.tau_s:
            return 0.0
        seen = zip(self.tau_s, self.deviation, strict=True)
        before = [tau_s * deviation for tau_s, deviation in seen if tau_s <= elapsed_s]
        return PREDICTION * max(elapsed_s * self._at(elapsed_s), *before, 0.0) * 1e9

    def _at(self, tau_s: float) -> float:
        """Between two seen times on the line that joins them in logarithms; before the first as white phase noise."""
        if tau_s <= self.tau_s[0]:
            return self.deviation[0] * self.tau_s[0] / tau_s
        for place in range(1, len(self.tau_s)):
            low, high = self.tau_s[place - 1], self.tau_s[place]
            if tau_s <= high:
                below, above = self.deviation[place - 1], self.deviation[place]
                if below <= 0 or above <= 0:
                    return max(below, above)
                share = math.log(tau_s / low) / math.log(high / low)
                return below * float((above / below) ** share)
        return self.deviation[-1]


@dataclass(frozen=True, slots=True)
class Outlook:
    """A clock so long after the loss."""

    elapsed_s: float
    expected_ns: float
    uncertainty_ns: float
    """Standard, of everything."""
    limit_ns: float | None
    """Largest size of the error."""
    gained: Wandering


def gained(oscillator: Oscillator, elapsed_s: float, learned: Learned | None = None) -> Wandering:
    """What the clock may gain without its source."""
    by_class = wandering(oscillator, elapsed_s)
    if learned is None or not learned.tau_s:
        return by_class
    temperature_ns = 0.0 if learned.observed_s >= DAY_S else by_class.temperature_ns
    return replace(by_class, noise_ns=learned.predicted_ns(elapsed_s), temperature_ns=temperature_ns)


def outlook(beginning: Beginning, oscillator: Oscillator, elapsed_s: float, learned: Learned | None = None) -> Outlook:
    """The clock after so many seconds."""
    expected_ns = beginning.offset_ns + beginning.drift * elapsed_s * 1e9
    more = gained(oscillator, elapsed_s, learned)
    limit_ns = None
    if beginning.limit_ns is not None:
        limit_ns = abs(expected_ns) + beginning.limit_ns + LIMIT_IN_UNCERTAINTIES * more.total_ns
    return Outlook(elapsed_s, expected_ns, math.hypot(beginning.uncertainty_ns, more.total_ns), limit_ns, more)


def leaves_after(
    beginning: Beginning,
    oscillator: Oscillator,
    budget_ns: float,
    learned: Learned | None = None,
    *,
    by_limit: bool = False,
) -> float | None:
    """Seconds until the clock may be out of +-budget: its error with U (k = 2) passes it, or its limit (`by_limit`).

    0: it may be out already. Infinite: not within `LONGEST_S`. None: by limits, and none is known.
    """
    if by_limit and beginning.limit_ns is None:
        return None

    def excess(elapsed_s: float) -> float:
        then = outlook(beginning, oscillator, elapsed_s, learned)
        if by_limit and then.limit_ns is not None:
            return then.limit_ns - budget_ns
        return abs(then.expected_ns) + COVERAGE * then.uncertainty_ns - budget_ns

    if excess(0.0) > 0:
        return 0.0
    before = 0.0
    for step in range(_GRID + 1):
        here = 1e-3 * (LONGEST_S / 1e-3) ** (step / _GRID)
        if excess(here) > 0:
            return _bisect(excess, before, here)
        before = here
    return math.inf


def _bisect(excess: Callable[[float], float], low: float, high: float) -> float:
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if excess(middle) > 0 else (middle, high)
    return low


def with_learned_frequency(oscillator: Oscillator, uncertainty: float) -> Oscillator:
    """The oscillator with the frequency's uncertainty as it was measured before the loss, if that was worse."""
    return replace(oscillator, frequency_uncertainty=max(oscillator.frequency_uncertainty, uncertainty))


def others(beginning: Beginning, budget_ns: float | None, spans_s: Sequence[float]) -> Mapping[str, tuple[float, ...]]:
    """What each class would make of the same beginning: U (k = 2) after each span, and last the time to the budget."""
    found = {}
    for kind in OscillatorClass:
        kept_by = CLASSES[kind]
        row = [COVERAGE * outlook(beginning, kept_by, span).uncertainty_ns for span in spans_s]
        if budget_ns is not None:
            left = leaves_after(beginning, kept_by, budget_ns)
            row.append(math.inf if left is None else left)
        found[str(kind)] = tuple(row)
    return found
