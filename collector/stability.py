"""Frequency stability of a clock from its time error: Allan, modified Allan and time deviation. Pure, vectorised.

Input is phase: time error in seconds at even steps of `tau0_s`, NaN where nothing is known. Definitions are those of
NIST SP 1065 (W. J. Riley, 2008), sections 5.2.2 to 5.2.6, and ITU-T G.810 annex II. A term of a sum counts only where
all of its points are known, so gaps cost terms and bend nothing. Confidence intervals are in stability_confidence.py,
kinds of noise in stability_noise.py, MTIE and time error in stability_wander.py.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.stability_confidence import ONE_SIGMA, degrees_of_freedom, interval
from noonmark.collector.stability_noise import noise_types


class Statistic(enum.StrEnum):
    """What is reckoned; by the trade's abbreviations."""

    ALLAN = "adev"
    OVERLAPPING = "oadev"
    MODIFIED = "mdev"
    TIME = "tdev"
    """In seconds; the others are fractions of the frequency."""


@dataclass(frozen=True, slots=True)
class Deviations:
    """One statistic at T averaging times, with its confidence interval; all arrays are (T,)."""

    statistic: Statistic
    factors: Int64
    """Averaging time over tau0."""
    tau_s: Float64
    deviation: Float64
    """NaN where no term is known."""
    lower: Float64
    upper: Float64
    terms: Int64
    freedom: Float64
    """Equivalent degrees of freedom."""
    noise: Int64
    """Exponent of the power law, see stability_noise.NoiseType."""


def octaves(samples: int, *, span: int = 3) -> list[int]:
    """Averaging factors 1, 2, 4, ... of which `span` fit into the samples: 3 for a modified deviation's single term."""
    factors = []
    factor = 1
    while span * factor <= max(samples, 0):
        factors.append(factor)
        factor *= 2
    return factors


def second_differences(phase: Float64, factor: int) -> Float64:
    """x[i + 2m] - 2 x[i + m] + x[i] at every start i; empty where none fits."""
    return phase[2 * factor :] - 2 * phase[factor : len(phase) - factor] + phase[: max(0, len(phase) - 2 * factor)]


def _window_means(values: Float64, size: int) -> Float64:
    """Mean of each run of `size` neighbours; NaN where one of them is."""
    if len(values) < size:
        return np.zeros(0)
    known = np.isfinite(values)
    if known.all():
        sums = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray((sums[size:] - sums[:-size]) / size)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    missing = np.concatenate([[0], np.cumsum(~known)])
    means: Float64 = (sums[size:] - sums[:-size]) / size
    return np.where(missing[size:] == missing[:-size], means, np.nan)


def _terms(phase: Float64, factor: int, statistic: Statistic) -> Float64:
    """What is squared and averaged, in seconds; unknown ones left out."""
    terms = second_differences(phase, factor)
    if statistic is Statistic.ALLAN:
        terms = terms[::factor]
    elif statistic is not Statistic.OVERLAPPING:
        terms = _window_means(terms, factor)
    return terms[np.isfinite(terms)]


def deviations(
    phase: Float64,
    tau0_s: float,
    statistic: Statistic,
    *,
    factors: Sequence[int] | None = None,
    noise: Int64 | None = None,
    confidence: float = ONE_SIGMA,
) -> Deviations:
    """The statistic at averaging times tau0 * factors (octaves, if none are given).

    `noise` is the power law's exponent at each (found from the data, if not given); it decides the width of the
    interval that holds the true deviation with probability `confidence` (SP 1065 section 5.3: chi-squared). Raises
    ValueError for a step that is not above zero, or a factor below 1.
    """
    if not tau0_s > 0:
        raise ValueError("the step between samples must be above zero")
    chosen = np.array(octaves(len(phase)) if factors is None else list(factors), np.int64)
    if (chosen < 1).any():
        raise ValueError("averaging factors are whole numbers from 1 on")
    centred = phase - np.nanmean(phase) if np.isfinite(phase).any() else phase
    kinds = noise_types(centred, tau0_s, chosen) if noise is None else np.asarray(noise, np.int64)
    tau: Float64 = chosen * np.float64(tau0_s)
    found = np.full((4, len(chosen)), np.nan)
    counts = np.zeros(len(chosen), np.int64)
    for place, (factor, alpha) in enumerate(zip(chosen.tolist(), kinds.tolist(), strict=True)):
        terms = _terms(centred, factor, statistic)
        counts[place] = len(terms)
        if not len(terms):
            continue
        variance = float(np.mean(terms**2)) / 2
        scale = 1 / np.sqrt(3) if statistic is Statistic.TIME else 1 / tau[place]
        freedom = degrees_of_freedom(
            alpha,
            factor,
            len(terms),
            overlapped=statistic is not Statistic.ALLAN,
            modified=statistic in (Statistic.MODIFIED, Statistic.TIME),
        )
        value = float(np.sqrt(variance) * scale)
        found[:, place] = value, *interval(value, freedom, confidence), freedom
    return Deviations(statistic, chosen, tau, found[0], found[1], found[2], counts, found[3], kinds)
