"""What the history asks of a database, and the one error that it raises.

Statements are written once, with ``?`` for parameters; a backend turns them into its own form. A backend is safe to use
from several threads: writes are serialised, reads never wait for a write.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from typing import Any, Protocol

Row = tuple[Any, ...]
Parameters = Sequence[Any]


class HistoryError(OSError):
    """The history cannot be opened, read or written; the message says which, why, and what to do."""


class Writing(Protocol):
    """Statements of one transaction."""

    def execute(self, statement: str, parameters: Parameters = ()) -> None:
        """One statement."""

    def execute_many(self, statement: str, parameters: Iterable[Parameters]) -> None:
        """One statement for many rows."""

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """Rows, seen from within the transaction."""


class Database(Protocol):
    """One open store. Every method raises HistoryError."""

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """All rows of a query that changes nothing."""

    def write(self) -> AbstractContextManager[Writing]:
        """A transaction: kept when the block ends, given up when it raises."""

    def close(self) -> None:
        """Give everything back. May be called twice."""
