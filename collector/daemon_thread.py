"""Work that takes long, in a thread that the program does not wait for when it ends. Rim."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

Result = TypeVar("Result")


async def in_daemon_thread(work: Callable[[], Result], name: str) -> Result:
    """Run `work` in a thread that does not keep the program from ending; its result or its exception."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[Result] = loop.create_future()

    def settle(result: Result | None, error: BaseException | None) -> None:
        if future.done():
            return
        if error is not None:
            future.set_exception(error)
        else:
            future.set_result(result)  # type: ignore[arg-type]

    def body() -> None:
        result: Result | None = None
        error: BaseException | None = None
        try:
            result = work()
        except BaseException as raised:  # handed over whole: the waiting side decides
            error = raised
        with contextlib.suppress(RuntimeError):  # the loop ended first: nobody waits
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=body, name=name, daemon=True).start()
    return await future
