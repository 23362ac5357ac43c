"""Make bytes of a stream of parts, and write them, while the next parts are made: one thread more, few parts between.
The rim of long outputs.

Writing to a file is mostly the kernel copying bytes, and needs no interpreter; so it costs no time of its own.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from typing import BinaryIO, TypeVar

PARTS_BETWEEN = 1
Part = TypeVar("Part")


def write_behind(parts: Iterable[Part], out: BinaryIO, lay_out: Callable[[Part], Iterable[bytes | memoryview]]) -> None:
    """Write every part, laid out as pieces of bytes, in order, and flush. What any of it raises is raised here."""
    waiting: queue.Queue[Part | None] = queue.Queue(PARTS_BETWEEN)
    trouble: list[BaseException] = []

    def write() -> None:
        while (part := waiting.get()) is not None:
            if not trouble:
                try:
                    for piece in lay_out(part):
                        write_whole(out, piece)
                except BaseException as error:
                    trouble.append(error)

    writer = threading.Thread(target=write, name="writer")
    writer.start()
    try:
        for part in parts:
            waiting.put(part)
            if trouble:
                break
    finally:
        waiting.put(None)
        writer.join()
    if trouble:
        raise trouble[0]
    out.flush()


def write_whole(out: BinaryIO, data: bytes | memoryview) -> None:
    """Write all of it: standard output without a buffer (PYTHONUNBUFFERED) may take less than it is given."""
    rest = memoryview(data)
    while len(rest):
        rest = rest[out.write(rest) or 0 :]
