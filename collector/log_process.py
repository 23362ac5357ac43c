"""Large logs are read by a process of their own, while this one puts in order what has been read. A rim.

Reading, finding lines and reading stamps is two fifths of the work; threads would wait for each other's interpreter.
What is read lies in memory that both processes share, so that nothing is copied between them. The process ends with
this one, whatever ends it: it then finds nobody left to ask.
"""

from __future__ import annotations

import mmap
import os
import subprocess
import sys
import tempfile
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path

from noonmark.collector.log_blocks import LineLog, RecordBlock
from noonmark.collector.log_files import OpenLog
from noonmark.collector.log_slots import Slots
from noonmark.collector.log_stamps import StampOptions
from noonmark.collector.log_worker import Reply, Request, Task

LEAST_BYTES = 64 << 20
"""Less, all together, is read sooner than a process is started."""
MOST_LOGS = 64
"""More are read here: then so many requests may lie unread in a pipe that both sides wait to write."""
TOGETHER = 1
"""Blocks asked for at once."""
SLOTS = 5 * TOGETHER
"""Of each log: for blocks that are being read, that lie ready, or whose records wait to be put in order or written."""
ROOM = 2
"""A slot is so many times as long as a block: for its columns, and for a record begun in the block before."""
_PROGRAM = "from noonmark.collector.log_worker import main; main()"


class LogProcess:
    """Reads some logs for this process; use `reading`."""

    def __init__(
        self, logs: Sequence[OpenLog], options: StampOptions, formats: Sequence[str], block_bytes: int
    ) -> None:
        self._logs = logs
        count = SLOTS * len(logs)
        task = Task(tuple(log.name for log in logs), options, tuple(formats), block_bytes, count)
        descriptor = _shared_memory(count * ROOM * block_bytes)
        self._slots = Slots(memoryview(mmap.mmap(descriptor, 0)), count)
        theirs_in, ours_out = os.pipe()
        ours_in, theirs_out = os.pipe()
        inherited = (theirs_in, theirs_out, descriptor)
        # -P: nothing is imported from the folder in which the logs happen to lie.
        command = [sys.executable, "-P", "-c", _PROGRAM, *map(str, inherited)]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            pass_fds=inherited,
            process_group=0,  # so that an interrupt from the terminal goes to this process alone
        )
        for each in inherited:
            os.close(each)
        self.pid = self._process.pid
        self._requests, self._replies = Connection(ours_out, readable=False), Connection(ours_in, writable=False)
        self._read: list[deque[RecordBlock]] = [deque() for _ in logs]
        self._ended = [False] * len(logs)
        self._lost = False
        try:
            self._requests.send(task)
        except BrokenPipeError:
            self._lose()
        for number in range(len(logs)):
            self._ask(number)

    def blocks(self, number: int) -> Iterator[RecordBlock]:
        """A log's blocks, as `OpenLog.blocks` gives them; at their end the log's counts and trouble are known."""
        read = self._read[number]
        while read or not self._ended[number]:
            if read:
                yield read.popleft()
            else:
                self._receive()

    def _ask(self, number: int) -> None:
        try:
            self._requests.send(Request(number, self._slots.take(TOGETHER)))
        except BrokenPipeError:
            self._lose()

    def _receive(self) -> None:
        """Take in one reply, and have the log read on meanwhile."""
        try:
            reply: Reply = self._replies.recv()
        except (EOFError, OSError):
            self._lose()
            return
        for found in reply.blocks:
            block = found if isinstance(found, RecordBlock) else self._slots.block(found.slot, found.size, found.rows)
            self._read[reply.log].append(block)
        self._slots.give_back(*reply.unused)
        if reply.counts is None:
            self._ask(reply.log)
            return
        self._ended[reply.log] = True
        self._logs[reply.log].source.counts = reply.counts
        self._logs[reply.log].trouble.extend(reply.trouble)

    def _lose(self) -> None:
        """The process is gone before its work was done: logs end where they were read up to, and say so."""
        for log, ended in zip(self._logs, self._ended, strict=True):
            if not ended:
                log.trouble.append(
                    f"{log.name.path}: the process that read it was ended; what was read up to there is in the output"
                )
        self._ended = [True] * len(self._logs)

    def close(self) -> None:
        """End the process: it holds nothing that must be kept."""
        self._requests.close()
        self._replies.close()
        self._process.kill()
        self._process.wait()


@contextmanager
def reading(
    logs: Sequence[OpenLog], options: StampOptions, formats: Sequence[str], block_bytes: int
) -> Iterator[list[Iterator[RecordBlock]]]:
    """The blocks of each log: of large files, if there are others to read and a processor to spare, from a process."""
    chosen = [number for number, log in enumerate(logs) if _can_be_opened_again(log)]
    size = sum(Path(logs[number].name.path).stat().st_size for number in chosen)
    if not chosen or size < LEAST_BYTES or len(chosen) > MOST_LOGS or _processors() < 2:
        yield [log.blocks() for log in logs]
        return
    process = LogProcess([logs[number] for number in chosen], options, formats, block_bytes)
    try:
        blocks = [log.blocks() for log in logs]
        for place, number in enumerate(chosen):
            blocks[number] = process.blocks(place)
        yield blocks
    finally:
        process.close()


def _can_be_opened_again(log: OpenLog) -> bool:
    """A file of lines of one host: those are read a block at a time, and nobody else reads on in them."""
    plain = isinstance(log.source, LineLog) and not log.hosts_from_lines and log.name.path != "-"
    return plain and Path(log.name.path).is_file()


def _processors() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _shared_memory(size: int) -> int:
    """A descriptor of so many bytes that have no name, and are gone with whoever holds it."""
    if hasattr(os, "memfd_create"):
        descriptor = os.memfd_create("noonmark-logs")
    else:
        with tempfile.TemporaryFile() as file:
            descriptor = os.dup(file.fileno())
    os.truncate(descriptor, size)
    return descriptor
