"""Two collectors' histories made one: each tick that only the other kept is added, as it was told then.

Whoever merges loses nothing and invents nothing: a tick is the word of one collector about the hosts that it heard, at
an instant of its own; ticks of both stand beside each other, and where both spoke of a host, both were right within
their limits. What was thinned already is left out, for lines are no ticks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np

from noonmark.collector.estimate import FleetEstimate, Int64, Paths
from noonmark.collector.history import History

Rows = TypeVar("Rows", FleetEstimate, Paths)
PART_NS = 3600 * 10**9
"""So much is looked at together."""


@dataclass(frozen=True, slots=True)
class Merged:
    """What came of it, in ticks."""

    added: int
    known: int
    """The target had a tick of that very instant."""
    too_old: int
    """Older than what the target keeps in full detail."""


def merge(target: History, source: History, since_ns: int | None = None, until_ns: int | None = None) -> Merged:
    """Add to `target` what only `source` has in [since, until), by default all. Raises HistoryError."""
    span = source.span()
    if span is None:
        return Merged(0, 0, 0)
    since_ns = span[0] if since_ns is None else max(since_ns, span[0])
    until_ns = span[1] + 1 if until_ns is None else min(until_ns, span[1] + 1)
    added = known = too_old = 0
    for start in range(since_ns, until_ns, PART_NS):
        end = min(start + PART_NS, until_ns)
        there = set(_ticks(target, start, end))
        for at_ns, hosts in sorted(_ticks(source, start, end).items()):
            if at_ns in there:
                known += 1
                continue
            estimate = source.estimate_at(at_ns)
            if estimate is None:
                continue
            if target.append(only(estimate, hosts), source.places(at_ns)):
                added += 1
            else:
                too_old += 1
    return Merged(added, known, too_old)


def _ticks(history: History, since_ns: int, until_ns: int) -> dict[int, set[str]]:
    """Instants at which something was told, and of which hosts."""
    found: dict[int, set[str]] = defaultdict(set)
    for host, at_ns in _told(history, since_ns, until_ns):
        found[at_ns].add(host)
    return found


def _told(history: History, since_ns: int, until_ns: int) -> Iterator[tuple[str, int]]:
    for host in history.hosts():
        for at_ns in history.instants(host, since_ns, until_ns).tolist():
            yield host, at_ns


def only(estimate: FleetEstimate, hosts: set[str]) -> FleetEstimate:
    """The part of an estimate that speaks of these hosts, and of paths between two of them."""
    size = len(estimate.hosts)
    rows = np.array([place for place, host in enumerate(estimate.hosts) if host in hosts], np.intp)
    if len(rows) == size:
        return estimate
    new = np.full(size, -1, np.int32)
    new[rows] = np.arange(len(rows), dtype=np.int32)
    ends = new[estimate.paths.first], new[estimate.paths.second]
    inside = np.flatnonzero((ends[0] >= 0) & (ends[1] >= 0))
    paths = replace(
        _rows(estimate.paths, inside, len(estimate.paths.first)), first=ends[0][inside], second=ends[1][inside]
    )
    references = tuple(reference for reference in estimate.references if reference.host in hosts)
    kept = _rows(replace(estimate, references=(), findings=()), rows, size)
    return replace(kept, paths=paths, references=references, findings=estimate.findings)


def _rows(value: Rows, rows: Int64, size: int) -> Rows:
    """The same with only some rows of every column that has one a row."""
    chosen: dict[str, Any] = {}
    for item in fields(value):
        column = getattr(value, item.name)
        if isinstance(column, np.ndarray) and len(column) == size:
            chosen[item.name] = column[rows]
        elif isinstance(column, tuple) and len(column) == size:
            chosen[item.name] = tuple(column[row] for row in rows.tolist())
    return replace(value, **chosen)
