"""Write a stream of parts while the next ones are made: one thread more, one part between. The rim of long outputs.

Writing to a file is mostly the kernel copying bytes, and needs no interpreter; so it costs no time of its own.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable
from typing import BinaryIO

PARTS_BETWEEN = 1


def write_behind(parts: Iterable[bytes | memoryview], out: BinaryIO) -> None:
    """Write every part, in order, and flush. What making or writing a part raises is raised here."""
    waiting: queue.Queue[bytes | memoryview | None] = queue.Queue(PARTS_BETWEEN)
    trouble: list[BaseException] = []

    def write() -> None:
        while (part := waiting.get()) is not None:
            if not trouble:
                try:
                    out.write(part)
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
