"""Names of hosts and paths, and the numbers they are kept under.

Numbers are given once and never again to another name. What one reader has seen is remembered; a name that it does not
know it looks up again, since a writer elsewhere may have added it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Bool, Int64
from noonmark.collector.history_columns import DRIFT, FLAGS, HOSTS, LOWER, OFFSET, PATHS, UPPER, Kind
from noonmark.collector.history_database import Database, Writing
from noonmark.collector.history_tables import Tables

Name = tuple[str, str]
"""(host, "") or (first, second)."""


@dataclass(slots=True)
class _Known:
    number: dict[Name, int] = field(default_factory=dict)
    name: list[Name] = field(default_factory=list)

    def add(self, rows: Sequence[tuple[int, str, str]]) -> None:
        for number, a, b in rows:
            if number == len(self.name):
                self.name.append((a, b))
                self.number[a, b] = number


class Names:
    """All names of one store."""

    def __init__(self, database: Database) -> None:
        self._tables = Tables(database, self.ends)
        self._known = {HOSTS.name: _Known(), PATHS.name: _Known()}
        self._ends = np.zeros((2, 0), np.int64)
        self._lock = threading.Lock()

    @property
    def tables(self) -> Tables:
        """The tables that these names stand in."""
        return self._tables

    def host(self, host: str) -> int | None:
        """A host's number, or None."""
        known = self._known[HOSTS.name]
        if (host, "") not in known.number:
            self._refresh(HOSTS)
        return known.number.get((host, ""))

    def all_hosts(self) -> list[str]:
        """Every host's name."""
        self._refresh(HOSTS)
        return [name for name, _ in self._known[HOSTS.name].name]

    def name(self, kind: Kind, number: int) -> Name:
        """The name under a number that a row of the store carries."""
        known = self._known[kind.name]
        if number >= len(known.name):
            self._refresh(kind)
        return known.name[number]

    def count(self, kind: Kind) -> int:
        """How many there are now."""
        self._refresh(kind)
        return len(self._known[kind.name].name)

    def ends(self, numbers: Int64) -> Int64:
        """The numbers (2, P) of both hosts of each of some paths, whose numbers rise."""
        if len(numbers) and int(numbers.max()) >= self._ends.shape[1]:
            for kind in (PATHS, HOSTS):  # a path's hosts are kept before it, or with it
                self._refresh(kind)
            with self._lock:
                fresh = self._known[PATHS.name].name[self._ends.shape[1] :]
                hosts = self._known[HOSTS.name].number
                added = [[hosts[a, ""] for a, _ in fresh], [hosts[b, ""] for _, b in fresh]]
                self._ends = np.concatenate([self._ends, np.array(added, np.int64).reshape(2, -1)], axis=1)
        if len(numbers) and int(numbers[-1]) - int(numbers[0]) == len(numbers) - 1:  # they rise: that is all of them
            return np.asarray(self._ends[:, int(numbers[0]) : int(numbers[-1]) + 1])
        return np.asarray(self._ends[:, numbers])

    def _refresh(self, kind: Kind) -> None:
        known = self._known[kind.name]
        with self._lock:
            known.add(self._tables.series(kind, len(known.name)))

    @contextmanager
    def adding(self) -> Iterator[Fresh]:
        """Give new names numbers within one transaction; they are remembered only if that is kept."""
        for kind in (HOSTS, PATHS):
            self._refresh(kind)
        fresh = Fresh({kind: known.number for kind, known in self._known.items()})
        yield fresh
        with self._lock:
            for kind_name, rows in fresh.rows.items():
                self._known[kind_name].add(rows)


class Fresh:
    """Names of one tick on their way into the store."""

    def __init__(self, known: dict[str, dict[Name, int]]) -> None:
        self._known = known
        self.rows: dict[str, list[tuple[int, str, str]]] = {kind: [] for kind in known}

    def numbers(self, writing: Writing, kind: Kind, names: Sequence[Name]) -> Int64:
        """The number of each name (N,); names not yet there are added."""
        known = self._known[kind.name]
        added: dict[Name, int] = {}
        numbers = np.empty(len(names), np.int64)
        for place, name in enumerate(names):
            number = known.get(name)
            if number is None:
                number = added.setdefault(name, len(known) + len(added))
            numbers[place] = number
        rows = [(number, *name) for name, number in added.items()]
        if rows:
            self.rows[kind.name] += rows
            Tables.add_series(writing, kind, rows)
        return numbers

    def paths(self, writing: Writing, ends: Sequence[Name], matrix: Int64) -> tuple[Int64, Int64, Bool]:
        """As `numbers` for paths: each is kept in alphabetical order of its ends, its sign turned where need be.

        Returns numbers, columns, and which were turned.
        """
        turned = np.array([first > second for first, second in ends], np.bool_)
        matrix = matrix.copy()
        matrix[OFFSET, turned] *= -1
        matrix[DRIFT, turned] *= -1
        matrix[LOWER, turned], matrix[UPPER, turned] = -matrix[UPPER, turned], -matrix[LOWER, turned]
        asked = matrix[FLAGS, turned] & 3
        matrix[FLAGS, turned] += ((asked & 1) << 1 | asked >> 1) - asked
        names = [(min(pair), max(pair)) for pair in ends]
        return self.numbers(writing, PATHS, names), matrix, turned
