"""What the service manager hears."""

from __future__ import annotations

import asyncio
import os
import socket
from pathlib import Path

import pytest

from noonmark.proto.notify import Notifier


def test_without_a_service_manager_nothing_happens() -> None:
    notifier = Notifier({})
    notifier.tell("READY=1")
    assert notifier.watchdog is None


def test_a_watchdog_of_another_process_is_not_ours() -> None:
    assert Notifier({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}).watchdog is None
    assert Notifier({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}).watchdog == 3.0
    assert Notifier({"WATCHDOG_USEC": "often"}).watchdog is None


@pytest.mark.sockets
@pytest.mark.parametrize("abstract", [False, True])
def test_words_arrive_at_the_socket_that_was_named(tmp_path: Path, abstract: bool) -> None:
    name = f"@noonmark-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "60000000"})
        notifier.tell("READY=1", "STATUS=fine")
        assert manager.recv(100) == b"READY=1\nSTATUS=fine"

        async def feed() -> None:
            task = asyncio.create_task(notifier.feed_watchdog())
            await asyncio.sleep(0)
            task.cancel()

        asyncio.run(feed())
        assert manager.recv(100) == b"WATCHDOG=1"


def test_a_manager_that_is_gone_is_no_fault(tmp_path: Path) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).tell("READY=1")


@pytest.mark.sockets
def test_the_watchdog_starves_while_something_is_wrong(tmp_path: Path) -> None:
    name = str(tmp_path / "notify")
    reasons = iter(["", "the tick hangs", "the tick hangs", ""])
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name)
        manager.settimeout(0.2)
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "2000"})

        async def feed() -> None:
            with pytest.raises(RuntimeError):  # the reasons are at an end
                await notifier.feed_watchdog(lambda: next(reasons))

        asyncio.run(feed())
        heard = [manager.recv(100) for _ in range(4)]
        assert heard == [b"WATCHDOG=1", b"STATUS=the tick hangs", b"WATCHDOG=1", b"STATUS="]
        with pytest.raises(TimeoutError):
            manager.recv(100)
