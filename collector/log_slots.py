"""Blocks of records in memory that two processes share: how a block lies in a slot, and which slots are free. Pure.

A slot holds a block's bytes and behind them its columns, each on a boundary of eight bytes.
"""

from __future__ import annotations

import weakref
from typing import Any

import numpy as np

from noonmark.collector.log_blocks import RecordBlock

_ALIGNED = 8
_NUMBERS = ("ends", "time_ns", "resolution_ns")
"""Columns of 64-bit numbers; the flags stand last."""


def put(memory: memoryview, block: RecordBlock) -> tuple[int, int] | None:
    """(bytes, rows) of a block, laid out in a slot's memory; None if it has no room there."""
    size, rows = int(block.ends[-1]), len(block.ends)
    if _begin(size) + rows * (_ALIGNED * len(_NUMBERS) + 1) > len(memory):
        return None
    memory[:size] = memoryview(block.data)[:size]
    slot = _slot(memory, size, rows)
    for name, column in slot.items():
        column[:] = getattr(block, name)
    return size, rows


def block_of(memory: memoryview, size: int, rows: int) -> RecordBlock:
    """The block that `put` laid out, over the slot's own memory."""
    return RecordBlock(data=memory[:size], hosts=None, **_slot(memory, size, rows))


def _begin(size: int) -> int:
    """Where the columns begin."""
    return -(-size // _ALIGNED) * _ALIGNED


def _slot(memory: memoryview, size: int, rows: int) -> dict[str, np.ndarray[Any, Any]]:
    begin = _begin(size)
    columns: dict[str, np.ndarray[Any, Any]] = {}
    for name in _NUMBERS:
        columns[name] = np.frombuffer(memory, np.int64, rows, begin)
        begin += rows * _ALIGNED
    columns["timed"] = np.frombuffer(memory, np.bool_, rows, begin)
    return columns


class Slots:
    """Slots of one length over one memory; a block keeps its slot for as long as anything looks at it."""

    def __init__(self, memory: memoryview, count: int) -> None:
        self._memory = memory
        self._length = len(memory) // count
        self._free = [*range(count)]

    def take(self, most: int) -> tuple[int, ...]:
        """Up to so many free slots."""
        return tuple(self._free.pop() for _ in range(min(most, len(self._free))))

    def give_back(self, *slots: int) -> None:
        """They hold nothing any more."""
        self._free.extend(slots)

    def memory(self, slot: int) -> memoryview:
        """A slot's memory."""
        return self._memory[slot * self._length : (slot + 1) * self._length]

    def block(self, slot: int, size: int, rows: int) -> RecordBlock:
        """The block in a slot, which is free again when nothing looks at the block any more."""
        whole = np.frombuffer(self.memory(slot), np.uint8)
        weakref.finalize(whole, self.give_back, slot).atexit = False
        return block_of(whole.data, size, rows)
