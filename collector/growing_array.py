"""A one-dimensional array that grows at its end, without ever holding its contents twice. Pure.

Pieces kept in a list and joined at the end need twice the memory, and leave holes behind that the process never gives
back. Here room is enlarged in place: for large arrays the C library's realloc moves pages, not bytes (mremap(2) on
Linux), and room that was never written to costs nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FIRST_ROOM = 1 << 16


class GrowingArray:
    """Append pieces, then take the whole."""

    def __init__(self, dtype: Any) -> None:
        self._data: NDArray[Any] = np.empty(FIRST_ROOM, dtype)
        self._length = 0

    def __len__(self) -> int:
        return self._length

    def append(self, piece: NDArray[Any]) -> None:
        """Copy a piece to the end."""
        end = self._length + len(piece)
        if end > len(self._data):
            # Nobody else holds a view of it: it is handed out only once, by `take`.
            self._data.resize(max(end, 2 * len(self._data)), refcheck=False)
        self._data[self._length : end] = piece
        self._length = end

    def take(self) -> NDArray[Any]:
        """The whole, exactly as long as what was appended; nothing may be appended any more."""
        data = self._data
        data.resize(self._length, refcheck=False)
        self._data = np.empty(0, data.dtype)
        self._length = 0
        return data
