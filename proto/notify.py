"""Tells the service manager how the program fares: sd_notify(3), by datagram to the socket it names.

Without a service manager nothing happens. A watchdog is fed from the event loop, so one that hangs is noticed, and only
while the program finds nothing wrong with its work: a loop that turns while nothing gets done is to be noticed too.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable, Mapping


class Notifier:
    """The service manager's ear. `environment` is read once."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        environment = os.environ if environment is None else environment
        self._path = environment.get("NOTIFY_SOCKET", "")
        owner = environment.get("WATCHDOG_PID", "")
        wanted = environment.get("WATCHDOG_USEC", "") if owner in ("", str(os.getpid())) else ""
        self.watchdog = int(wanted) / 1e6 if wanted.isdigit() and int(wanted) else None
        """Seconds within which a sign of life is wanted; None: not wanted."""

    def tell(self, *lines: str) -> None:
        """Send assignments such as READY=1; a service manager that does not listen is none of our business."""
        if not self._path:
            return
        address = "\0" + self._path[1:] if self._path.startswith("@") else self._path
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                sock.sendto("\n".join(lines).encode(), address)
        except OSError:
            return

    async def feed_watchdog(self, trouble: Callable[[], str] = lambda: "") -> None:
        """Send a sign of life twice as often as wanted, for ever; none while `trouble` names a reason: it is told."""
        told = ""
        while self.watchdog is not None:
            reason = trouble()
            if not reason:
                self.tell("WATCHDOG=1")
            if reason != told:
                self.tell(f"STATUS={reason}")
                told = reason
            await asyncio.sleep(self.watchdog / 2)
