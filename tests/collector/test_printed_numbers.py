"""Numbers printed many at once are what Python prints one by one."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from noonmark.collector.printed_numbers import integers, shares

INT64 = (
    st.integers(-(2**63) + 1, 2**63 - 1)
    | st.integers(-1000, 1000)
    | st.sampled_from([sign * (10**power + more) for power in range(19) for more in (-1, 0) for sign in (1, -1)])
)


@given(st.lists(INT64, min_size=1, max_size=20), st.sampled_from([b"", b", ", b', "resolution_ns": ']))
@example([2**63 - 1, -(2**63) + 1, 0], b"")
def test_integers_are_printed_as_python_prints_them(values: list[int], after: bytes) -> None:
    found = integers(np.array(values, np.int64), after).array().to_pylist()
    assert found == [str(value).encode() + after for value in values]


@given(
    st.lists(
        st.floats(0, 1) | st.floats(0, 1e-3) | st.integers(0, 10**6).map(lambda n: n / 10**6) | st.just(math.nan)
        | st.integers(0, 10**6 - 1).map(lambda n: (n + 0.5) / 10**6),
        min_size=1,
        max_size=30,
    )
)  # fmt: skip
@example([0.0, 1.0, 0.5, 0.1, 0.25, 1e-4, 9.9e-5, 1e-6, 4e-7, 0.9999995, 0.9999994, math.nan])
def test_shares_are_printed_as_python_prints_them_rounded(values: list[float]) -> None:
    found = shares(np.array(values)).array().to_pylist()
    assert found == [b"null" if math.isnan(value) else repr(round(value, 6)).encode() for value in values]
