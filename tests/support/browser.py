"""A real headless Chromium for tests of the page, driven by Playwright; it reaches nothing but loopback.

Chromium comes from the system (Debian's package `chromium`), or from where NOONMARK_CHROMIUM says.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Error, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # Every name but loopback's is unknown: a request that wants to leave fails, and is seen to.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)


def chromium_path() -> str:
    """Where Chromium is. Raises FileNotFoundError saying how to get it."""
    given = os.environ.get("NOONMARK_CHROMIUM", "")
    for name in (given, *NAMES):
        found = shutil.which(name) if name else None
        if found:
            return found
    raise FileNotFoundError("no Chromium: apt-get install chromium, or set NOONMARK_CHROMIUM")


@contextmanager
def chromium(folder: Path) -> Iterator[Browser]:
    """A browser with its own new profile; it ends with the block."""
    with sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(
                executable_path=chromium_path(), headless=True, args=[*FLAGS, f"--disk-cache-dir={folder}"]
            )
        except Error as error:
            raise RuntimeError(f"Chromium does not start: {error}") from error
        try:
            yield browser
        finally:
            browser.close()
