"""Sorting by small whole numbers: counting takes one pass where comparing takes many. Pure."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array

from noonmark.collector.estimate import Int32, Int64


def counted_order(keys: Int64, count: int) -> tuple[Int32, Int32]:
    """Order (n,) that sorts entries by key, 0 to `count` - 1, equal ones as they came; and where each key's entries
    begin (count + 1,). O(n + count): it is how a sparse matrix gathers its rows."""
    entries = len(keys)
    marks = np.zeros(entries, dtype=np.int8)
    places = keys.astype(np.int32), np.arange(entries, dtype=np.int32)
    gathered = coo_array((marks, places), shape=(count, max(entries, 1))).tocsr()
    return gathered.indices, gathered.indptr
