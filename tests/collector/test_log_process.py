"""Logs read by a process of their own: the same blocks, whatever the logs are like, and no process left behind."""

from __future__ import annotations

import gzip
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import START_NS
from click.testing import CliRunner, Result

from noonmark.collector import log_process
from noonmark.collector.civil import print_instant
from noonmark.collector.cli import main
from noonmark.collector.log_blocks import RecordBlock
from noonmark.collector.log_files import LogName, OpenLog, open_log
from noonmark.collector.log_process import LogProcess
from noonmark.collector.log_slots import Slots, block_of, put
from noonmark.collector.log_stamps import StampOptions

BLOCK_BYTES = 1 << 12
COLUMNS = ("ends", "time_ns", "resolution_ns", "timed")


def block(text: bytes = b"one\ntwo\n", count: int = 2) -> RecordBlock:
    ends = np.arange(1, count + 1) * (len(text) // count)
    return RecordBlock(text + b"more", ends, ends * 7, ends * 3, np.arange(count) % 2 == 0)


def same(one: RecordBlock, other: RecordBlock) -> bool:
    size = int(one.ends[-1])
    alike = bytes(one.data[:size]) == bytes(other.data[:size]) and one.hosts == other.hosts
    return alike and all(np.array_equal(getattr(one, name), getattr(other, name)) for name in COLUMNS)


def test_a_block_comes_out_of_its_slot_as_it_went_in() -> None:
    memory = memoryview(bytearray(200))
    laid_out = put(memory, block())

    assert laid_out == (8, 2)
    assert same(block_of(memory, 8, 2), block())


@pytest.mark.parametrize("room", [8 + 50 - 1, 8 + 50])
def test_what_has_no_room_in_a_slot_is_not_put_there(room: int) -> None:
    assert (put(memoryview(bytearray(room)), block()) is not None) == (room == 8 + 50)


def test_a_slot_is_free_again_when_nothing_looks_at_its_block_any_more() -> None:
    slots = Slots(memoryview(bytearray(400)), 2)
    first, second = slots.take(5)
    put(slots.memory(first), block())
    held = slots.block(first, 8, 2)
    column, data = held.time_ns[1:], held.data[2:4]
    del held

    assert slots.take(1) == ()
    del column
    assert slots.take(1) == ()
    del data
    assert slots.take(2) == (first,)
    slots.give_back(second)
    assert slots.take(2) == (second,)


def written(folder: Path) -> list[LogName]:
    """Logs of many kinds."""
    stamps = [print_instant(START_NS + 10**6 * number, 6) for number in range(3000)]
    lines = [f"{stamp} opened {'x' * (number % 90)}\n".encode() for number, stamp in enumerate(stamps)]
    contents = {
        "plain": b"".join(lines),
        "continued": b"".join(line + b"  more\n" * (number % 3) for number, line in enumerate(lines)),
        "long": lines[0] + b"y" * (5 * BLOCK_BYTES) + b"\n" + b"".join(lines[1:]),
        "timeless": b"nothing\nat all\n",
        "unended": b"".join(lines[:40])[:-1],
        "empty": b"",
        "packed": gzip.compress(b"".join(lines)),
        "cut": gzip.compress(b"".join(lines))[:-400],
        "short": b"".join(stamp.encode() + b"\n" for stamp in stamps),
        "whole": b"".join(f"{START_NS // 10**9 + number}\n".encode() for number in range(3000)),
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    return [LogName(str(folder / name), f"h{number}") for number, name in enumerate(contents)]


def opened(names: list[LogName]) -> list[OpenLog]:
    return [open_log(name, StampOptions(), block_bytes=BLOCK_BYTES) for name in names]


@pytest.mark.processes
def test_a_process_gives_the_blocks_that_would_have_been_read_here(tmp_path: Path) -> None:
    names = written(tmp_path)
    with ExitStack() as stack:
        here, there = opened(names), opened(names)
        for log in (*here, *there):
            stack.callback(log.close)
        process = LogProcess(there, StampOptions(), (), BLOCK_BYTES)
        stack.callback(process.close)
        for number, (log, twin) in enumerate(zip(here, there, strict=True)):
            expected, found = list(log.blocks()), list(process.blocks(number))  # more than there are slots for

            assert [*map(same, found, expected)] == [True] * len(expected), log.name.path
            assert len(found) == len(expected)
            assert twin.counts == log.counts
            assert twin.trouble == log.trouble
    assert [bool(log.trouble) for log in here].count(True) == 1


@pytest.mark.processes
def test_order_writes_the_same_whoever_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "numpy.py").write_text("raise SystemExit('the wrong one')")
    logs = [f"{name.host}={name.path}" for name in written(tmp_path) if not name.path.endswith("empty")]

    def run(least_bytes: int) -> Result:
        monkeypatch.setattr(log_process, "LEAST_BYTES", least_bytes)
        started.clear()
        return CliRunner().invoke(main, ["order", "--raw", *logs])

    class Counted(LogProcess):
        def __init__(self, logs: Sequence[OpenLog], *rest: Any) -> None:
            started.append(len(logs))
            super().__init__(logs, *rest)

    started: list[int] = []
    monkeypatch.setattr(log_process, "LogProcess", Counted)
    monkeypatch.setattr(log_process, "_processors", lambda: 2)
    here = run(1 << 40)
    assert started == []
    there = run(0)

    assert started == [len(logs)]

    assert there.stdout_bytes == here.stdout_bytes
    assert there.stderr == here.stderr
    assert there.exit_code == here.exit_code == 2  # one of them is cut off


@pytest.mark.processes
def test_logs_say_so_if_their_process_is_killed(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(b"".join(f"{START_NS + n}\n".encode() for n in range(100_000)))
    logs = opened([LogName(str(tmp_path / "log"), "h")])
    process = LogProcess(logs, StampOptions(), (), BLOCK_BYTES)
    blocks = process.blocks(0)
    next(blocks)
    os.kill(process.pid, signal.SIGKILL)
    read = 1 + len(list(blocks))
    process.close()

    assert 0 < read < 400
    assert [
        trouble.endswith("was ended; what was read up to there is in the output") for trouble in logs[0].trouble
    ] == [True]
    logs[0].close()


@pytest.mark.processes
def test_the_process_ends_with_whoever_asked(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(b"".join(f"{START_NS + n}\n".encode() for n in range(10_000)))
    code = (
        "import os, sys; from noonmark.collector.log_files import LogName, open_log; "
        "from noonmark.collector.log_process import LogProcess; "
        "from noonmark.collector.log_stamps import StampOptions; "
        "log = open_log(LogName(sys.argv[1], 'h'), StampOptions()); "
        "process = LogProcess([log], StampOptions(), (), 4096); next(process.blocks(0)); "
        "print(process.pid, flush=True); os._exit(9)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "log")], capture_output=True, text=True, check=False, timeout=60
    )
    assert ran.returncode == 9, ran.stderr
    for _ in range(200):
        if not running(int(ran.stdout)):
            return
        time.sleep(0.05)
    pytest.fail("it still runs")


def running(pid: int) -> bool:
    """Whether a process is there and is not just waiting to be counted as ended."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False
