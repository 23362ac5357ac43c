"""Draw the next of a sequence in another thread while the present one is used. The rim of long inputs.

Reading a file and reckoning with whole arrays need no interpreter for most of their time; so the two overlap.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from typing import TypeVar

Item = TypeVar("Item")


def read_ahead(items: Iterator[Item], pool: Executor) -> Iterator[Item]:
    """The same items in the same order, one being made ahead. What making one raises is raised in its place."""
    coming = pool.submit(next, items, None)
    while (item := coming.result()) is not None:
        coming = pool.submit(next, items, None)
        yield item
