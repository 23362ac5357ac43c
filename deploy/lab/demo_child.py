"""A noonmark command that ends when the process that started it does, however that one ended. Rim.

Run as `python -m noonmark.lab.demo_child PARENT_PID COMMAND ...`. Linux tells it of its parent's death by a signal
(prctl(2), PR_SET_PDEATHSIG); elsewhere it lives until it is told to stop.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1


def follow(parent: int) -> bool:
    """Ask for SIGTERM when the parent dies. False if it is dead already."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)
    return os.getppid() == parent


if __name__ == "__main__":
    # Ctrl-C reaches the whole foreground group; only the demonstration itself is to act on it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not follow(int(sys.argv[1])):
        sys.exit(1)
    del sys.argv[1]
    from noonmark.collector.cli import main

    main()
