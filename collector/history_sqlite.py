"""The embedded store: one SQLite file in write-ahead mode.

What a crash leaves is a whole file: a tick is one transaction. Before anything is written the file is looked at: a
foreign, damaged or newer one is refused and stays as it is; an older one is copied beside itself, then brought up to
date in one transaction. A lock on a file beside it keeps a second collector out; readers need no lock.
"""

from __future__ import annotations

import fcntl
import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from noonmark.collector.history_database import HistoryError, Parameters, Row
from noonmark.collector.history_schema import (
    APPLICATION_ID,
    MIGRATIONS,
    SQLITE,
    VERSION,
    create_statements,
    migration_statements,
)

PAGE_BYTES = 16_384
BUSY_SECONDS = 10.0
_MAGIC = b"SQLite format 3\x00"
CHECKED_BYTES = 64 * 1024 * 1024
"""A file up to this size is checked whole when it is opened; of a larger one, only that it is as long as it says."""


class SqliteDatabase:
    """Implements `Database` on one file. `read_only` never creates, changes or locks anything."""

    def __init__(
        self,
        path: Path,
        *,
        read_only: bool = False,
        migrations: dict[int, tuple[str, ...]] | None = None,
        version: int = VERSION,
    ) -> None:
        self.path = path
        self._writer_lock, self._reader_lock = threading.Lock(), threading.Lock()
        self._writer: sqlite3.Connection | None = None
        self._guard: IO[bytes] | None = None
        _refuse_foreign(path, must_exist=read_only)
        try:
            if not read_only:
                self._guard = _lock_out_others(path)
                self._writer = _connect(path, "rwc")
                _prepare(self._writer, path, MIGRATIONS if migrations is None else migrations, version)
            self._reader = _connect_reader(path)
            _check(self._reader, path, version)
        except sqlite3.Error as error:
            self._give_back()
            raise _described(error, path) from error
        except HistoryError:
            self._give_back()
            raise

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """All rows of a query."""
        with self._reader_lock:
            try:
                return self._reader.execute(statement, parameters).fetchall()
            except sqlite3.Error as error:
                raise _described(error, self.path) from error

    @contextmanager
    def write(self) -> Iterator[_Transaction]:
        """One transaction."""
        if self._writer is None:
            raise HistoryError(f"{self.path} is open for reading only")
        with self._writer_lock:
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                try:
                    yield _Transaction(self._writer)
                except BaseException:
                    self._writer.rollback()
                    raise
                self._writer.commit()
            except sqlite3.Error as error:
                raise _described(error, self.path) from error

    def close(self) -> None:
        """Close, leaving one plain file; readers of other processes may still hold its companions."""
        with self._writer_lock, self._reader_lock:
            self._give_back()

    def _give_back(self) -> None:
        for connection in (getattr(self, "_reader", None), self._writer):
            if connection is not None:
                connection.close()
        if self._guard is not None:
            self._guard.close()
            self._guard = None


class _Transaction:
    """Implements `Writing`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def execute(self, statement: str, parameters: Parameters = ()) -> None:
        """One statement."""
        self._connection.execute(statement, parameters)

    def execute_many(self, statement: str, parameters: Iterable[Parameters]) -> None:
        """One statement for many rows."""
        self._connection.executemany(statement, parameters)

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """Rows, seen from within."""
        return self._connection.execute(statement, parameters).fetchall()


def _refuse_foreign(path: Path, *, must_exist: bool) -> None:
    """Look at the first bytes before SQLite does, since SQLite would make an empty or missing file its own."""
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError:
        if must_exist:
            raise HistoryError(f"{path} does not exist: no history was kept there") from None
        if not path.parent.is_dir():
            raise HistoryError(f"{path.parent} is no folder: make it first") from None
        return
    except OSError as error:
        raise HistoryError(f"{path} cannot be read: {error.strerror}") from error
    if not head:
        if must_exist:
            raise HistoryError(f"{path} is empty: no history was kept there")
        return
    if not head.startswith(_MAGIC) or len(head) < 100:
        raise HistoryError(f"{path} is no noonmark history, and was left as it is: name another file")
    owner = int.from_bytes(head[68:72], "big")
    if owner not in (APPLICATION_ID, 0):
        raise HistoryError(f"{path} belongs to another program, and was left as it is: name another file")


def _lock_out_others(path: Path) -> IO[bytes]:
    """An exclusive lock on FILE.lock for as long as this collector writes; the kernel gives it up if it dies."""
    guard = path.with_name(f"{path.name}.lock").open("ab")
    try:
        fcntl.flock(guard, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        guard.close()
        raise HistoryError(f"{path} is being written by another collector: give each its own file") from error
    return guard


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}",
        uri=True,
        timeout=BUSY_SECONDS,
        isolation_level=None,
        check_same_thread=False,
    )


def _connect_reader(path: Path) -> sqlite3.Connection:
    """A connection that cannot write; of a file in a folder that may not be written and that nobody has open, too."""
    reader = _connect(path, "ro")
    try:
        reader.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        reader.close()
        if path.with_name(f"{path.name}-wal").exists():
            raise
        reader = _connect(path, "ro&immutable=1")
    reader.execute("PRAGMA query_only = ON")
    return reader


def _prepare(writer: sqlite3.Connection, path: Path, migrations: dict[int, tuple[str, ...]], version: int) -> None:
    """Make the tables of a new file, or bring an older one up to date; refuse what is neither."""
    tables = writer.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    owner = writer.execute("PRAGMA application_id").fetchone()[0]
    found = writer.execute("PRAGMA user_version").fetchone()[0]
    if tables and owner != APPLICATION_ID:
        raise HistoryError(f"{path} belongs to another program, and was left as it is: name another file")
    if found > version:
        raise _too_new(path, found, version)
    if tables and path.stat().st_size <= CHECKED_BYTES:
        _check_whole(writer, path)
    if not tables:
        writer.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    writer.execute("PRAGMA journal_mode = WAL")
    # A tick that is told of as kept outlives a loss of power as well; that costs one flush of the disk a tick.
    writer.execute("PRAGMA synchronous = FULL")
    writer.execute("PRAGMA journal_size_limit = 67108864")
    if tables and found == version:
        return
    if tables:
        _copy_beside(writer, path, found)
    statements = migration_statements(found, migrations, version) if tables else create_statements(SQLITE)
    writer.execute("BEGIN IMMEDIATE")
    try:
        for statement in statements:
            writer.execute(statement)
        writer.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        writer.execute(f"PRAGMA user_version = {version}")
    except BaseException:
        writer.rollback()
        raise
    writer.commit()


def _copy_beside(writer: sqlite3.Connection, path: Path, version: int) -> None:
    """A copy under FILE.version-N before the first change; an existing copy is kept."""
    copy = path.with_name(f"{path.name}.version-{version}")
    if copy.exists():
        return
    unfinished = path.with_name(f"{copy.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    target = sqlite3.connect(unfinished)
    try:
        writer.backup(target)
    finally:
        target.close()
    unfinished.rename(copy)


def _check(reader: sqlite3.Connection, path: Path, version: int) -> None:
    owner = reader.execute("PRAGMA application_id").fetchone()[0]
    found = reader.execute("PRAGMA user_version").fetchone()[0]
    if owner != APPLICATION_ID:
        raise HistoryError(f"{path} is no noonmark history")
    if found > version:
        raise _too_new(path, found, version)
    if found < version:
        raise HistoryError(f"{path} has the older form {found}: a collector that opens it brings it up to date")
    pages = reader.execute("PRAGMA page_count").fetchone()[0]
    size = reader.execute("PRAGMA page_size").fetchone()[0]
    whole = path.stat().st_size + _size(path.with_name(f"{path.name}-wal"))
    if pages * size > whole:
        raise HistoryError(f"{path} is damaged: it has lost its end ({whole} of {pages * size} bytes); {_RESCUE}")


_RESCUE = "it was left as it is: restore a copy, or name another file"


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if verdict != "ok":
        raise HistoryError(f"{path} is damaged ({str(verdict).splitlines()[-1]}); {_RESCUE}")


def _too_new(path: Path, found: int, version: int) -> HistoryError:
    return HistoryError(f"{path} has the form {found}, newer than this noonmark knows ({version}): use a newer one")


def _described(error: sqlite3.Error, path: Path) -> HistoryError:
    if (isinstance(error, sqlite3.DatabaseError) and "malformed" in str(error)) or "not a database" in str(error):
        return HistoryError(f"{path} is damaged ({error}); {_RESCUE}")
    if "locked" in str(error):
        return HistoryError(f"{path} is locked by another program: {error}")
    return HistoryError(f"{path}: {error}")
