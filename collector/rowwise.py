"""Work that treats every path by itself, cut into blocks of rows over the processor's cores. Pure.

Blocks are sized to stay in a core's cache; numpy lets go of the interpreter's lock while it computes, so threads do.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from threading import Lock
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

BLOCK = 16384

Columns = tuple[NDArray[Any], ...]
One = TypeVar("One")
Other = TypeVar("Other")
Done = TypeVar("Done")


@cache
def _workers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_cores(), thread_name_prefix="rowwise")


@cache
def _errands() -> ThreadPoolExecutor:
    # Not the workers: who runs errands may share out rows, and waits for them.
    return ThreadPoolExecutor(4 * _cores(), thread_name_prefix="errand")


def _cores() -> int:
    return os.cpu_count() or 1


def blocks(rows: int, size: int = BLOCK) -> list[slice]:
    """Consecutive slices that cover `rows` rows."""
    return [slice(start, min(start + size, rows)) for start in range(0, rows, size)] or [slice(0, 0)]


def by_rows(
    work: Callable[[slice], Columns], rows: int, slices: Sequence[slice] | None = None
) -> tuple[NDArray[Any], ...]:
    """Join what `work` returns for consecutive slices of `rows` rows; the result does not depend on the cut.

    A block (n, k) that lies column by column makes a whole that does too.
    """
    slices = blocks(rows) if slices is None else slices
    if len(slices) == 1:
        return work(slices[0])
    whole: list[NDArray[Any]] = []
    lock = Lock()

    def put(part: slice) -> None:
        columns = work(part)
        with lock:
            if not whole:
                whole.extend(_room(column, rows) for column in columns)
        for column, target in zip(columns, whole, strict=True):
            target[part] = column

    each(put, slices)
    return tuple(whole)


def each(work: Callable[[slice], None], slices: Sequence[slice]) -> None:
    """Do `work` for every slice, several at a time. Raises what it raises."""
    waiting = iter(slices)
    lock = Lock()

    def pull() -> None:
        while True:
            with lock:
                part = next(waiting, None)
            if part is None:
                return
            work(part)

    crew = [_workers().submit(pull) for _ in range(min(_cores(), len(slices)))]
    for one in crew:
        one.result()


def both(one: Callable[[], One], other: Callable[[], Other]) -> tuple[One, Other]:
    """Two things that do not need each other, at the same time."""
    waiting = later(other)
    done = one()
    return done, waiting()


def later(work: Callable[[], Done]) -> Callable[[], Done]:
    """Begin something now, on another thread; what is returned waits for it and gives its result, or raises what it
    raised."""
    return _errands().submit(work).result


def _room(part: NDArray[Any], rows: int) -> NDArray[Any]:
    by_columns = part.flags.f_contiguous and not part.flags.c_contiguous
    return np.empty((rows, *part.shape[1:]), dtype=part.dtype, order="F" if by_columns else "C")
