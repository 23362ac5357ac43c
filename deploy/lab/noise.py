"""Power-law noise of oscillators, sampled on a grid: the five types of IEEE 1139 and NIST SP 1065. Pure.

Each function fills rows (one a clock) of equally spaced samples. Phase is in nanoseconds, fractional frequency in
seconds per second. Levels are given by what a frequency-stability meter would show, so that a data sheet can be copied:
Allan deviation at 1 s for frequency noise, time deviation (or standard deviation) for phase noise. Flicker noise is the
fractional difference of order one half (Kasdin and Walter, "Discrete simulation of power law noise", 1992): exact at
every lag, unlike a periodic spectrum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Levels of the five noise types of one kind of clock; zero leaves a type out."""

    white_phase_ns: float = 0.0
    """Standard deviation of one phase sample; Allan deviation sqrt(3) times it over tau."""
    flicker_phase_ns: float = 0.0
    """Time deviation, nearly the same at every tau."""
    white_frequency: float = 0.0
    """Allan deviation at 1 s, falling as tau^-1/2."""
    flicker_frequency: float = 0.0
    """Allan deviation, the same at every tau (the flicker floor)."""
    random_walk_frequency: float = 0.0
    """Allan deviation at 1 s, growing as tau^1/2."""


def _flicker_filter(samples: int) -> Float64:
    """Impulse response of the fractional integrator of order 1/2: h0 = 1, h(k) = h(k-1) (k - 1/2) / k."""
    k = np.arange(1, samples, dtype=np.float64)
    return np.concatenate(([1.0], np.cumprod((k - 0.5) / k)))


def flicker(rng: np.random.Generator, rows: int, samples: int) -> Float64:
    """Flicker noise driven by unit white noise; one-sided spectral density 1 / (pi f) at low f, whatever the step.

    Returns (rows, samples) float64. The filter starts at rest, long before which nothing is.
    """
    length = 2 * samples
    spectrum = np.fft.rfft(rng.standard_normal((rows, samples)), length)
    spectrum *= np.fft.rfft(_flicker_filter(samples), length)
    return np.fft.irfft(spectrum, length)[:, :samples]


def frequency_noise(rng: np.random.Generator, level: PowerLaw, rows: int, cells: int, step_s: float) -> Float64:
    """Mean fractional frequency over each cell of `step_s` seconds: white, flicker and random-walk frequency noise.

    Returns (rows, cells) float64 in seconds per second. Level relations (SP 1065 section 8, with h the coefficients of
    the spectral density S_y): white AVAR = h0 / (2 tau); flicker AVAR = 2 ln 2 h-1; random walk AVAR = c tau / 3 for a
    walk whose variance grows by c a second.
    """
    frequency = np.zeros((rows, cells))
    if level.white_frequency:
        frequency += rng.standard_normal((rows, cells)) * (level.white_frequency / math.sqrt(step_s))
    if level.flicker_frequency:
        frequency += flicker(rng, rows, cells) * (level.flicker_frequency * math.sqrt(math.pi / (2 * math.log(2))))
    if level.random_walk_frequency:
        increment = level.random_walk_frequency * math.sqrt(3 * step_s)
        frequency += np.cumsum(rng.standard_normal((rows, cells)) * increment, axis=1)
    return frequency


def phase_noise(rng: np.random.Generator, level: PowerLaw, rows: int, samples: int) -> Float64:
    """White and flicker phase noise at each sample, in nanoseconds, (rows, samples) float64.

    Flicker: TVAR = ln(256 / 27) / 2 times the coefficient of S_x = h / f (SP 1065 section 8, rewritten for phase).
    """
    phase = np.zeros((rows, samples))
    if level.white_phase_ns:
        phase += rng.standard_normal((rows, samples)) * level.white_phase_ns
    if level.flicker_phase_ns:
        gain = math.sqrt(2 * math.pi / math.log(256 / 27))
        phase += flicker(rng, rows, samples) * (level.flicker_phase_ns * gain)
    return phase


def phase_from_frequency(frequency: Float64, step_s: float) -> Float64:
    """Integrate mean frequencies to phase at the cells' edges, in ns: (rows, cells) to (rows, cells + 1), from 0."""
    phase = np.zeros((frequency.shape[0], frequency.shape[1] + 1))
    np.cumsum(frequency, axis=1, out=phase[:, 1:])
    phase *= step_s * 1e9
    return phase
