"""Orders of short rows found column by column, against numpy's sort, quantile by place, and median."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.collector.columnwise import ascending, at_places, median


@pytest.fixture(params=["C", "F"])
def rows(request: pytest.FixtureRequest) -> np.ndarray:
    rng = np.random.default_rng(1)
    values = np.round(rng.exponential(10.0, (200, 7)))
    values[rng.random(values.shape) < 0.3] = np.inf
    return np.array(values, order=request.param)


@pytest.mark.parametrize("most", [1, 3, 7, 9])
def test_lowest_values_come_in_order(rows: np.ndarray, most: int) -> None:
    before = rows.copy()
    found = [value.copy() for value in ascending(rows, most)]
    assert (np.stack(found, axis=1) == np.sort(rows, axis=1)[:, :most]).all()
    assert (rows == before).all()


def test_values_stand_at_their_places(rows: np.ndarray) -> None:
    places = [np.arange(200) % 7, np.full(200, 2), np.where(np.arange(200) < 100, 0, 50)]
    ordered = np.append(np.sort(rows, axis=1), np.full((200, 60), np.inf), axis=1)
    for place, found in zip(places, at_places(rows, places), strict=True):
        assert (found == ordered[np.arange(200), place]).all()


@pytest.mark.parametrize("columns", [1, 2, 5, 6])
def test_median_is_numpys(columns: int) -> None:
    values = np.random.default_rng(2).normal(size=(50, columns))
    assert median(values) == pytest.approx(np.median(values, axis=1))
