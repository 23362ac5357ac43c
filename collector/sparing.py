"""How many lines of one kind the log gets. Pure; `now` is monotonic seconds.

Whoever knocks at the door unasked decides how often: each knock is counted, but not each is told, for a log that is
full of them, or throttled by whoever keeps it, hides all else.
"""

from __future__ import annotations


class Sparing:
    """So many in so many seconds; then one that says how many were left out, and so on."""

    def __init__(self, most: int = 60, within: float = 60.0) -> None:
        self._most = most
        self._within = within
        self._began = -within
        self._told = self._left_out = 0

    def left_out(self, now: float) -> int | None:
        """None to tell nothing this time; else how many went untold before this one, which is to be told."""
        if now - self._began >= self._within:
            self._began, self._told = now, 0
        if self._told >= self._most:
            self._left_out += 1
            return None
        self._told += 1
        before, self._left_out = self._left_out, 0
        return before
