"""Small orders of many short rows, found column by column. Pure.

Arrays (P, K) here have very many rows of few columns. Whole columns are compared with each other, so that the processor
works on many rows at once; quickest where the array lies column by column in memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from noonmark.collector.estimate import Float64, Int64


def ascending(rows: Float64, most: int) -> Iterator[Float64]:
    """The lowest value of each row (P,), then the second lowest, and so on: `most` times, or K. Without NaN."""
    columns = list(np.array(rows.T, order="C"))
    spare = np.empty(rows.shape[0])
    for place in range(min(most, len(columns))):
        lowest = columns[place]
        for other in range(place + 1, len(columns)):
            # The lower one goes to the front, the other waits for its turn.
            np.maximum(lowest, columns[other], out=spare)
            np.minimum(lowest, columns[other], out=lowest)
            columns[other], spare = spare, columns[other]
        yield lowest


def at_places(rows: Float64, places: Sequence[Int64]) -> list[Float64]:
    """For each array of places (P,), the value in each row that has so many lower ones; inf where none has. No NaN."""
    found = [np.full(rows.shape[0], np.inf) for _ in places]
    most = max(int(place.max(initial=-1)) for place in places)
    for number, value in enumerate(ascending(rows, most + 1)):
        for place, target in zip(places, found, strict=True):
            np.copyto(target, value, where=place == number)
    return found


def median(rows: Float64) -> Float64:
    """Median of each row (P,), of K values at least 1. Without NaN."""
    count = rows.shape[1]
    *_, lower, upper = (None, *ascending(rows, count // 2 + 1))
    return np.asarray(upper if count % 2 else (lower + upper) / 2)
