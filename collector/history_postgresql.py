"""The shared store: a PostgreSQL database, for fleets and retention that outgrow one file.

The same tables as in SQLite, in a schema of their own (``noonmark``). One collector writes: an advisory lock keeps a
second one out. A lost connection is an error for the call that meets it and is made anew for the next one.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from noonmark.collector.history_database import HistoryError, Parameters, Row
from noonmark.collector.history_schema import (
    APPLICATION_ID,
    MIGRATIONS,
    POSTGRESQL,
    VERSION,
    create_statements,
    migration_statements,
)

if TYPE_CHECKING:
    import psycopg

SCHEMA = "noonmark"
CONNECT_SECONDS = 10


class PostgresqlDatabase:
    """Implements `Database` on a server. `read_only` never creates or changes anything."""

    def __init__(
        self,
        url: str,
        *,
        read_only: bool = False,
        migrations: dict[int, tuple[str, ...]] | None = None,
        version: int = VERSION,
    ) -> None:
        try:
            import psycopg
        except ImportError as error:
            raise HistoryError(
                "a history in PostgreSQL needs psycopg: install it with  pip install 'noonmark[postgresql]'"
            ) from error
        self._psycopg = psycopg
        self._url = url
        self._name = _without_secrets(url)
        self._read_only = read_only
        self._migrations, self._expected = MIGRATIONS if migrations is None else migrations, version
        self._writer_lock, self._reader_lock = threading.Lock(), threading.Lock()
        self._writer: psycopg.Connection[Row] | None = None
        self._reader: psycopg.Connection[Row] | None = None
        try:
            if not read_only:
                self._writer = self._connect_writer()
                self._prepare(self._writer)
            self._reader = self._connect(read_only=True)
            self._check(self._reader)
        except psycopg.Error as error:
            self.close()
            raise self._described(error) from error
        except HistoryError:
            self.close()
            raise

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """All rows of a query."""
        with self._reader_lock:
            try:
                if self._reader is None or self._reader.closed:
                    self._reader = self._connect(read_only=True)
                return _plain(self._reader.execute(_native(statement), list(parameters)).fetchall())
            except self._psycopg.Error as error:
                self._drop_broken()
                raise self._described(error) from error

    @contextmanager
    def write(self) -> Iterator[_Transaction]:
        """One transaction."""
        if self._read_only:
            raise HistoryError(f"{self._name} is open for reading only")
        with self._writer_lock:
            try:
                if self._writer is None or self._writer.closed:
                    self._writer = self._connect_writer()
                with self._writer.transaction(), self._writer.cursor() as cursor:
                    yield _Transaction(cursor)
            except self._psycopg.Error as error:
                raise self._described(error) from error

    def close(self) -> None:
        """Close both connections."""
        for connection in (self._reader, self._writer):
            if connection is not None:
                connection.close()

    def _connect(self, *, read_only: bool) -> psycopg.Connection[Row]:
        connection = self._psycopg.connect(
            self._url,
            autocommit=True,
            connect_timeout=CONNECT_SECONDS,
            application_name="noonmark",
            options=f"-c search_path={SCHEMA}",
        )
        connection.read_only = read_only
        if read_only:
            connection.execute("SET default_transaction_read_only = on")
        return connection

    def _connect_writer(self) -> psycopg.Connection[Row]:
        writer = self._connect(read_only=False)
        row = writer.execute("SELECT pg_try_advisory_lock(%s)", [APPLICATION_ID]).fetchone()
        if row is None or not row[0]:
            writer.close()
            raise HistoryError(f"{self._name} is being written by another collector: give each its own database")
        return writer

    def _prepare(self, writer: psycopg.Connection[Row]) -> None:
        with writer.transaction():
            writer.execute(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}")
            tables = writer.execute(
                "SELECT count(*) FROM information_schema.tables WHERE table_schema = %s", [SCHEMA]
            ).fetchone()
            if tables is not None and tables[0] == 0:
                for statement in create_statements(POSTGRESQL):
                    writer.execute(_native(statement))
                writer.execute("INSERT INTO meta VALUES ('version', %s)", [str(self._expected)])
                return
            found = self._version(writer)
            if found < self._expected:
                for statement in migration_statements(found, self._migrations, self._expected, POSTGRESQL):
                    writer.execute(_native(statement))
                writer.execute("UPDATE meta SET value = %s WHERE key = 'version'", [str(self._expected)])

    def _version(self, connection: psycopg.Connection[Row]) -> int:
        try:
            row = connection.execute("SELECT value FROM meta WHERE key = 'version'").fetchone()
        except self._psycopg.errors.UndefinedTable:
            row = None
        if row is None:
            raise HistoryError(f"{self._name} has a schema {SCHEMA} that is not noonmark's: name another database")
        return int(row[0])

    def _check(self, reader: psycopg.Connection[Row]) -> None:
        found = self._version(reader)
        if found > self._expected:
            raise HistoryError(f"{self._name} has the form {found}, newer than this noonmark knows ({self._expected})")
        if found < self._expected:
            raise HistoryError(
                f"{self._name} has the older form {found}: a collector that opens it brings it up to date"
            )

    def _drop_broken(self) -> None:
        if self._reader is not None and self._reader.broken:
            self._reader.close()

    def _described(self, error: Exception) -> HistoryError:
        lines = str(error).strip().splitlines()
        return HistoryError(f"{self._name}: {lines[0] if lines else type(error).__name__}")


class _Transaction:
    """Implements `Writing`."""

    def __init__(self, cursor: psycopg.Cursor[Row]) -> None:
        self._cursor = cursor

    def execute(self, statement: str, parameters: Parameters = ()) -> None:
        """One statement."""
        self._cursor.execute(_native(statement), list(parameters))

    def execute_many(self, statement: str, parameters: Iterable[Parameters]) -> None:
        """One statement for many rows."""
        self._cursor.executemany(_native(statement), [list(row) for row in parameters])

    def read(self, statement: str, parameters: Parameters = ()) -> list[Row]:
        """Rows, seen from within."""
        return _plain(self._cursor.execute(_native(statement), list(parameters)).fetchall())


def _native(statement: str) -> Any:
    return statement.replace("?", "%s")


def _plain(rows: list[Row]) -> list[Row]:
    """Bytes as bytes, as SQLite gives them."""
    return [tuple(bytes(v) if isinstance(v, memoryview | bytearray) else v for v in row) for row in rows]


def _without_secrets(url: str) -> str:
    """The URL for messages, its password left out."""
    parts = urlsplit(url)
    user = f"{parts.username}@" if parts.username else ""
    return f"{parts.scheme}://{user}{parts.hostname or ''}{f':{parts.port}' if parts.port else ''}{parts.path}"
