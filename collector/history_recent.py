"""What was read lately, kept up to a size, so that the next question nearby need not read it again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Recent(Generic[Value]):
    """A cache by least recent use. A key must name its value for ever: nothing is dropped for being out of date."""

    def __init__(self, limit_bytes: int, size_of: Callable[[Value], int]) -> None:
        self._limit = limit_bytes
        self._size_of = size_of
        self._values: OrderedDict[Hashable, Value] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> Value | None:
        """The value, if it is still here."""
        with self._lock:
            value = self._values.get(key)
            if value is not None:
                self._values.move_to_end(key)
            return value

    def put(self, key: Hashable, value: Value) -> Value:
        """Keep a value, giving up those not asked for the longest; returns it."""
        with self._lock:
            if key not in self._values:
                self._values[key] = value
                self._bytes += self._size_of(value)
            while self._bytes > self._limit and len(self._values) > 1:
                _, gone = self._values.popitem(last=False)
                self._bytes -= self._size_of(gone)
        return value
