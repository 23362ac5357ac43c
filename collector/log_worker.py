"""The process that reads logs for another one. A rim; `log_process.py` is its other end, and starts it.

Everything is read as `LineLog` reads it. Requests are answered in turn, each by a few blocks; when nobody is left to
ask, it ends.
"""

from __future__ import annotations

import mmap
import os
import pickle
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection

from noonmark.collector.log_blocks import LogCounts, RecordBlock
from noonmark.collector.log_files import LogName, OpenLog, open_log
from noonmark.collector.log_slots import Slots, put
from noonmark.collector.log_stamps import StampOptions


@dataclass(frozen=True, slots=True)
class Task:
    """What is to be read, and how."""

    names: tuple[LogName, ...]
    options: StampOptions
    formats: tuple[str, ...]
    block_bytes: int
    slots: int


@dataclass(frozen=True, slots=True)
class Request:
    """The next blocks of a log, please."""

    log: int
    slots: tuple[int, ...]
    """Where to put them, one in each; none: send one."""


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A block in a slot."""

    slot: int
    size: int
    rows: int


@dataclass(frozen=True, slots=True)
class Reply:
    """Blocks in the order of their log, and whether it ends with them."""

    log: int
    blocks: tuple[LaidOut | RecordBlock, ...]
    """Blocks that have no room in a slot come themselves."""
    unused: tuple[int, ...] = ()
    """Slots that nothing was put into."""
    counts: LogCounts | None = None
    """At the end of a log: what was read of it ..."""
    trouble: tuple[str, ...] = ()
    """... and what went wrong."""


def serve(task: Task, requests: Connection, replies: Connection, slots: Slots) -> None:
    """Answer requests until nobody is left to make any."""
    logs = [open_log(name, task.options, task.formats, block_bytes=task.block_bytes) for name in task.names]
    blocks = [log.blocks() for log in logs]
    try:
        while True:
            request: Request = requests.recv()
            replies.send(answered(request, logs[request.log], blocks[request.log], slots))
    except (EOFError, BrokenPipeError):
        return


def answered(request: Request, log: OpenLog, blocks: Iterator[RecordBlock], slots: Slots) -> Reply:
    """The next blocks of a log: as many as there are slots, and at least one."""
    free, found = [*request.slots], list[LaidOut | RecordBlock]()
    while free or not found:
        block = next(blocks, None)
        if block is None:
            return Reply(request.log, tuple(found), tuple(free), log.counts, tuple(log.trouble))
        laid_out = put(slots.memory(free[0]), block) if free else None
        if laid_out is None:
            whole = bytes(memoryview(block.data)[: int(block.ends[-1])])
            return Reply(request.log, (*found, replace(block, data=whole)), tuple(free))
        found.append(LaidOut(free.pop(0), *laid_out))
    return Reply(request.log, tuple(found))


def main() -> None:
    """Descriptors of the requests' pipe, the replies' pipe and the shared memory are the arguments."""
    requests, replies, memory = (int(number) for number in sys.argv[1:])
    asked = Connection(requests, writable=False)
    task: Task = pickle.loads(asked.recv_bytes())  # of its own parent
    shared = mmap.mmap(memory, 0)
    os.close(memory)
    serve(task, asked, Connection(replies, readable=False), Slots(memoryview(shared), task.slots))


if __name__ == "__main__":
    main()
