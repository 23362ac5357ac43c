"""How much rows of slots stray by chance, and their medians, where not all slots are known. Pure.

A slot that is unknown shows nothing: were it to repeat its neighbour, a row would look steadier than it is.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from noonmark.collector.columnwise import at_places
from noonmark.collector.estimate import Float64
from noonmark.collector.slots import LEAST_NOISE_NS


def known_medians(rows: Float64) -> Float64:
    """Median of each column's known values, (C, K) of rows (C, R, K); NaN where none is known."""
    ordered = np.sort(rows, axis=1)
    count = np.isfinite(rows).sum(axis=1)
    lower, upper = (
        np.take_along_axis(ordered, np.maximum(place, 0)[:, None, :], axis=1)[:, 0]
        for place in ((count - 1) // 2, count // 2)
    )
    return np.where(count > 0, (lower + np.where(count % 2, lower, upper)) / 2, np.nan)


def row_noise(middle: Float64) -> Float64:
    """Standard deviation of each row of slots (R, K), from second differences of those that are known, so that lines,
    steps and kinks do not count; inf where fewer than three are known.

    A step spoils two or three of the differences: of few, the lower median is taken, and held against what a normal law
    expects at its rank (Blom's approximation).
    """
    first = second = np.full(len(middle), np.nan)
    first_at = second_at = np.zeros(len(middle))
    count, sizes = np.zeros(len(middle), dtype=np.int64), []
    for place, third in enumerate(np.array(middle.T, order="C")):
        known = np.isfinite(third)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = (second_at - first_at) / (place - first_at)
            off = np.abs(second - first - share * (third - first)) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
        told = np.isfinite(off)
        sizes.append(np.where(told, off, np.inf))
        count += told
        first, first_at = np.where(known, second, first), np.where(known, second_at, first_at)
        second, second_at = np.where(known, third, second), np.where(known, place, second_at)
    rank = np.maximum((count + 1) // 2, 1)
    (found,) = at_places(np.stack(sizes, axis=1), [rank - 1])
    return np.asarray(found / ndtri(0.5 + (rank - 0.375) / (np.maximum(count, 1) + 0.25) / 2.0) + LEAST_NOISE_NS)
