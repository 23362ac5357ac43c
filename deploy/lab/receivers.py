"""Satellite receivers that are not there: each harbour's speaks NMEA over TCP on its own loopback address. Rim.

One thread a receiver sends at each whole second of this machine's clock, which is true time in the demonstration. It
wakes a little early and waits out the rest, since a sleeping thread is woken late.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from types import TracebackType

from noonmark.lab.receiver_sentences import second

SECOND_NS = 10**9
EARLY_NS = 1_500_000


class DemoReceiver:
    """One receiver. Use as a context manager. `fix` may be changed at any time, by any thread."""

    def __init__(self, harbour: str, address: str) -> None:
        self.harbour = harbour
        self.fix = True
        self._listening = socket.create_server((address, 0), backlog=4)
        self._listening.setblocking(False)
        self._listeners: list[socket.socket] = []
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._speak, name=f"receiver of {harbour}", daemon=True)

    @property
    def place(self) -> str:
        """As an agent's settings name it."""
        host, port = self._listening.getsockname()[:2]
        return f"tcp:{host}:{port}"

    def __enter__(self) -> DemoReceiver:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        self._thread.join()
        for opened in (*self._listeners, self._listening):
            opened.close()

    def _speak(self) -> None:
        while True:
            due_ns = (time.time_ns() + EARLY_NS) // SECOND_NS * SECOND_NS + SECOND_NS
            if self._ending.wait(max(0, due_ns - EARLY_NS - time.time_ns()) / 1e9):
                return
            octets = second(due_ns, self.harbour, fix=self.fix)
            self._accept()
            while time.time_ns() < due_ns:
                pass
            for listener in list(self._listeners):
                try:
                    listener.sendall(octets)
                except OSError:  # it is gone, or has not read for long
                    self._listeners.remove(listener)
                    listener.close()

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                listener, _ = self._listening.accept()
                listener.setblocking(False)
                self._listeners.append(listener)
