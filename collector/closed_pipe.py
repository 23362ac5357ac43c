"""What happens when whoever reads our output has had enough, as `head` has. The rim of every command.

Other filters end silently there, by SIGPIPE. Python ignores that signal, so that a broken connection ends no program; a
command that writes to a pipe therefore ends here: no word, and the exit code by which a shell tells of SIGPIPE. Not 0,
for the rest was never looked at: `order --strict` must not seem to have found all certain.
"""

from __future__ import annotations

import os
import select
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager

EXIT_CODE = 128 + signal.SIGPIPE
"""As shells tell of a program that a signal ended (POSIX.1-2017, XCU 2.8.2: above 128; common practice: 128 + n)."""


@contextmanager
def quiet_when_nobody_reads() -> Iterator[None]:
    """End the program silently where its output cannot be written because its reader has gone; a broken connection to
    anybody else stays an error.
    """
    try:
        try:
            yield
        finally:
            if sys.stdout is not None and not sys.stdout.closed:
                sys.stdout.flush()  # what is left must fail here, not in the interpreter's own way out
    except BrokenPipeError:
        broken = [number for number in (1, 2) if _nobody_reads(number)]
        if not broken:
            raise
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for number in broken:
            os.dup2(nowhere, number)  # what is still buffered goes there
        sys.exit(EXIT_CODE)


def _nobody_reads(number: int) -> bool:
    """Whether this descriptor is a pipe or connection whose other end is closed."""
    poll = select.poll()
    poll.register(number, 0)
    return any(told & (select.POLLERR | select.POLLHUP) for _, told in poll.poll(0))
