"""Work that takes long, in a thread that the program does not wait for when it ends. Rim.

Threads are kept and used again: a new one costs memory at the very moment when there may be none, and Python's
`Thread.start` then waits for ever for a thread that died before its first line.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
from collections import defaultdict
from collections.abc import Callable
from typing import TypeVar

Result = TypeVar("Result")
RESTING = " (resting)"
"""Ends the name of a thread that has nothing to do."""


class _Worker:
    """One thread, which works off what it is given and then offers itself again."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._given: queue.SimpleQueue[Callable[[], Callable[[], None]]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=name + RESTING, daemon=True)
        self._thread.start()

    def give(self, work: Callable[[], Callable[[], None]]) -> None:
        """Only to one that rests. `work` raises nothing, and gives back what is to be called when it rests again."""
        self._thread.name = self._name
        self._given.put(work)

    def _run(self) -> None:
        while True:
            tell = self._given.get()()
            self._thread.name = self._name + RESTING
            _resting[self._name].append(self)
            tell()


_resting: defaultdict[str, list[_Worker]] = defaultdict(list)


async def in_daemon_thread(work: Callable[[], Result], name: str) -> Result:
    """Run `work` in a thread that does not keep the program from ending; its result or its exception.

    Raises RuntimeError where no thread can be had.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[Result] = loop.create_future()

    def settle(result: Result | None, error: BaseException | None) -> None:
        if future.done():
            return
        if error is not None:
            future.set_exception(error)
        else:
            future.set_result(result)  # type: ignore[arg-type]

    def body() -> Callable[[], None]:
        result: Result | None = None
        error: BaseException | None = None
        try:
            result = work()
        except BaseException as raised:  # handed over whole: the waiting side decides
            error = raised

        def tell() -> None:
            with contextlib.suppress(RuntimeError):  # the loop ended first: nobody waits
                loop.call_soon_threadsafe(settle, result, error)

        return tell

    resting = _resting[name]
    (resting.pop() if resting else _Worker(name)).give(body)
    return await future
