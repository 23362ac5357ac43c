"""Work that treats every path by itself, cut into blocks of rows over the processor's cores. Pure.

Blocks are sized to stay in a core's cache; numpy lets go of the interpreter's lock while it computes, so threads do.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import numpy as np

from noonmark.collector.estimate import Float64

BLOCK = 8192


@cache
def _workers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="rowwise")


def by_rows(work: Callable[[slice], tuple[Float64, ...]], rows: int) -> tuple[Float64, ...]:
    """Join what `work` returns for consecutive slices of `rows` rows; the result does not depend on the cut."""
    if rows <= BLOCK:
        return work(slice(0, rows))
    slices = [slice(start, min(start + BLOCK, rows)) for start in range(0, rows, BLOCK)]
    parts = list(_workers().map(work, slices))
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))
