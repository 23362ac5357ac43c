"""What an agent does without, so that servers lose little memory to it. Rim: it changes the interpreter it runs in."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import importlib.util
import sys
from pathlib import Path

MADV_DONTNEED = 4
LET_GO_AFTER, LET_GO_EVERY = 10.0, 3600.0
"""Seconds."""
OWN_SHA_2 = ("_sha2", "_sha256")
"""The interpreter's own SHA-2, under its name since 3.12 and before."""


def do_without_openssl() -> None:
    """Load neither the standard library's TLS nor OpenSSL's hash functions: 4 and 3.5 MB less.

    gRPC brings its own TLS, asyncio and urllib work where there is none, and `hashlib` and `hmac` fall back on the
    interpreter's own functions. Changes nothing of what is loaded already.
    """
    if "asyncio" not in sys.modules:
        sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    if "hashlib" not in sys.modules and any(importlib.util.find_spec(name) for name in OWN_SHA_2):
        sys.modules.setdefault("_hashlib", None)  # type: ignore[arg-type]


def settle() -> None:
    """Everything is loaded: give back what loading left over, and let no later collection walk through the rest."""
    gc.collect()
    gc.freeze()
    with contextlib.suppress(OSError, AttributeError):  # not every C library has it
        ctypes.CDLL(None).malloc_trim(0)


def let_go_of_code() -> None:
    """Take pages of program code out of this process that only starting and TLS handshakes needed: 7 MB of 42.

    What is needed again comes back from the kernel's cache at the cost of a page fault. Touched are mappings of files
    that cannot be written to (r-x): there MADV_DONTNEED loses nothing (madvise(2)).
    """
    with contextlib.suppress(OSError, AttributeError, ValueError):
        madvise = ctypes.CDLL(None).madvise
        for line in Path("/proc/self/maps").read_text(encoding="utf-8").splitlines():
            span, access, _, device, inode, *_ = line.split(maxsplit=5)
            if access == "r-xp" and inode != "0" and device != "00:00":
                start, end = (int(part, 16) for part in span.split("-"))
                madvise(ctypes.c_void_p(start), ctypes.c_size_t(end - start), MADV_DONTNEED)
