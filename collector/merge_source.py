"""One log on its way into the merge: its records with their places on the reference's time scale. Pure but for the
blocks that it draws.

Within one host of one log the log's own order is kept: a record's place never falls behind that of the record before
it. A log of one host is so in order as it stands. A log that holds several hosts' lines (a central one) is not: lines
are put in order over a `window_ns` of reference time; a line that comes later than that is placed as early as is still
possible, and counted.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge, ClockMemory
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64
from noonmark.collector.log_blocks import RecordBlock
from noonmark.collector.record_text import RecordTexts

NO_MORE = UNBOUNDED_NS
"""Nothing follows: a horizon past all times."""
WINDOW_NS = 10 * 10**9


@dataclass(frozen=True, slots=True)
class Records:
    """Records as columns, N rows."""

    text: RecordTexts
    """Each record's bytes, its newline included."""
    host: Int32
    """Position in the merge's list of hosts."""
    sequence: Int64
    """Records of one sequence stand in the order of their log: one number for each host of each log."""
    stamp_ns: Int64
    resolution_ns: Int64
    reference_ns: Int64
    known: Bool
    timed: Bool
    key: Int64
    """Its place."""
    earliest_ns: Int64
    """The clock certainly did not show the stamp before this ..."""
    latest_ns: Int64
    """... nor after this."""
    uncertainty_ns: Float64 | None = None
    """Of the clock alone, standard; only if it was asked for."""

    def __len__(self) -> int:
        return len(self.key)

    @property
    def source(self) -> Int64:
        """Number of each record's log."""
        return self.sequence >> SEQUENCE_BITS

    def rows(self, chosen: Int64 | slice) -> Records:
        """Some of them."""
        columns: list[Any] = [getattr(self, name) for name in COLUMNS]
        chosen_ones: list[Any] = [None if column is None else taken(column, chosen) for column in columns]
        return Records(self.text.rows(chosen), *chosen_ones)

    def without_text(self) -> Records:
        """The same with empty texts, so that the logs' blocks need not be kept."""
        return replace(self, text=RecordTexts.same(b"", len(self)))

    @classmethod
    def joined(cls, several: list[Records]) -> Records:
        """One behind the other. Raises ValueError for none."""
        if len(several) == 1:
            return several[0]
        text = RecordTexts.joined([records.text for records in several])
        columns: list[list[Any]] = [[getattr(records, name) for records in several] for name in COLUMNS]
        joined: list[Any] = [None if column[0] is None else _one_behind_another(column) for column in columns]
        return cls(text, *joined)


Column = TypeVar("Column", bound=np.ndarray[Any, Any])


def taken(column: Column, chosen: Int64 | slice) -> Column:
    """Some rows of a column; one value that stands for all rows stands for these too."""
    found: Any
    if isinstance(chosen, slice):
        found = column[chosen]
    else:
        found = np.broadcast_to(column[0], len(chosen)) if _is_one_value(column) else column.take(chosen)
    return cast(Column, found)


def _is_one_value(column: np.ndarray[Any, Any]) -> bool:
    return column.strides == (0,)


def _one_value(column: Column) -> Column:
    """The column, its one value standing for all rows if they are all the same: it then costs nothing to move."""
    return cast(Column, np.broadcast_to(column[0], len(column))) if (column == column[0]).all() else column


def _one_behind_another(columns: list[Column]) -> Column:
    one = all(_is_one_value(column) and column[0] == columns[0][0] for column in columns)
    joined: Any = np.broadcast_to(columns[0][0], sum(map(len, columns))) if one else np.concatenate(columns)
    return cast(Column, joined)


COLUMNS = tuple(name for name in Records.__slots__ if name != "text")
SEQUENCE_BITS = 32
"""A log may hold so many hosts' lines, as bits; the rest of a sequence's number is the log's."""


def record_texts(block: RecordBlock) -> RecordTexts:
    """A block's records over the block's own memory."""
    return RecordTexts.of_block(block.data, block.ends)


class Source:
    """A log's records in order of their places, drawn block by block."""

    def __init__(
        self,
        number: int,
        blocks: Iterator[RecordBlock],
        knowledge: ClockKnowledge,
        host_number: Callable[[str | None], tuple[int, int]],
        *,
        window_ns: int = 0,
        floors: Callable[[int, Int64], Int64] | None = None,
        uncertainty: bool = True,
    ) -> None:
        """`host_number` gives, for a host's name (None: the log's own), its number in the merge and in the knowledge.

        `window_ns` is how far a log of several hosts may be out of order; 0 for a log of one host. `floors` gives
        places before which records cannot stand (host in the knowledge, stamps). `uncertainty`: also find each record's
        own.
        """
        self.number = number
        self.window_ns = window_ns
        self.late = 0
        self.coarsest_ns = 1
        self.exhausted = False
        self._parts: list[Records] = []
        self._blocks = blocks
        self._knowledge = knowledge
        self._host_number = host_number
        self._floors = floors
        self._uncertainty = uncertainty
        self._memories: dict[int, ClockMemory] = {}
        self._highest: dict[int, int] = {}
        self._sequences: dict[int, int] = {}
        self._horizon = -UNBOUNDED_NS
        self._last_sequence = itertools.count(number << SEQUENCE_BITS)

    @property
    def horizon_ns(self) -> int:
        """No record still to be drawn has a place before this."""
        return NO_MORE if self.exhausted else self._horizon

    def pending(self) -> int:
        """Records drawn and not yet passed on."""
        return sum(len(part) for part in self._parts)

    def ready(self, horizon_ns: int, at_it: bool) -> int:
        """How many of them have a place before a horizon, or at it."""
        beyond = horizon_ns + 1 if at_it else horizon_ns
        count = 0
        for part in self._parts:
            if int(part.key[-1]) >= beyond:
                return count + int(np.searchsorted(part.key, beyond))
            count += len(part)
        return count

    def draw(self) -> None:
        """Add the next block to what is pending."""
        block = next(self._blocks, None)
        if block is None:
            self.exhausted = True
            return
        self.coarsest_ns = max(self.coarsest_ns, int(block.resolution_ns.max()))
        fresh = self._placed(block)
        if self.window_ns:
            joined = Records.joined([*self._parts, self._clamped(fresh)])
            self._parts = [joined.rows(np.argsort(joined.key, kind="stable"))]
        else:
            self._parts.append(fresh)
            self._horizon = int(fresh.key[-1])

    def first(self, count: int) -> list[Records]:
        """The first so many of what is pending, in pieces."""
        pieces = []
        for part in self._parts:
            if count <= 0:
                break
            pieces.append(part if count >= len(part) else part.rows(slice(0, count)))
            count -= len(part)
        return pieces

    def consume(self, count: int) -> None:
        """Drop so many of the first of what is pending: they have been passed on."""
        while count and count >= len(self._parts[0]):
            count -= len(self._parts.pop(0))
        if count:
            self._parts[0] = self._parts[0].rows(slice(count, len(self._parts[0])))

    def _clamped(self, fresh: Records) -> Records:
        """Place what comes later than the window allows, after what stands before it, as early as can still be."""
        horizons = np.maximum.accumulate(np.append(self._horizon, fresh.key - self.window_ns))
        self.late += int(np.count_nonzero(fresh.key < horizons[:-1]))
        np.maximum(fresh.key, horizons[:-1], out=fresh.key)
        self._horizon = int(horizons[-1])
        return fresh

    def _placed(self, block: RecordBlock) -> Records:
        """Times and places of a block's records, host by host."""
        if block.hosts is None:
            return self._of_host(None, block, record_texts(block))
        text = record_texts(block)
        groups: dict[str | None, list[int]] = {}
        for row, name in enumerate(block.hosts):
            groups.setdefault(name, []).append(row)
        parts, order = [], []
        for name in groups:  # all are numbered before any is asked about, so that knowledge is loaded once for all
            self._host_number(name)
        for name, rows in groups.items():
            chosen = np.array(rows)
            part = RecordBlock(
                b"", block.ends[chosen], block.time_ns[chosen], block.resolution_ns[chosen], block.timed[chosen]
            )
            parts.append(self._of_host(name, part, text.rows(chosen)))
            order.append(chosen)
        return Records.joined(parts).rows(np.argsort(np.concatenate(order), kind="stable"))

    def _of_host(self, name: str | None, block: RecordBlock, text: RecordTexts) -> Records:
        host, known_as = self._host_number(name)
        memory = self._memories.setdefault(host, ClockMemory())
        times = self._knowledge.host_times(known_as, block.time_ns, memory, uncertainty=self._uncertainty)
        resolution_ns = _one_value(block.resolution_ns)
        key = times.reference_ns + resolution_ns // 2
        if self._floors is not None:
            np.maximum(key, self._floors(known_as, block.time_ns), out=key)
        key[0] = max(self._highest.get(host, -UNBOUNDED_NS), int(key[0]))
        if (key[1:] < key[:-1]).any():
            np.maximum.accumulate(key, out=key)
        self._highest[host] = int(key[-1])
        if host not in self._sequences:
            self._sequences[host] = next(self._last_sequence)
        count = len(key)
        return Records(
            text=text,
            host=np.broadcast_to(np.int32(host), count),
            sequence=np.broadcast_to(np.int64(self._sequences[host]), count),
            stamp_ns=block.time_ns,
            resolution_ns=resolution_ns,
            reference_ns=times.reference_ns,
            known=_one_value(times.known & block.timed),
            timed=_one_value(block.timed),
            key=key,
            earliest_ns=times.earliest_ns,
            latest_ns=times.latest_ns,
            uncertainty_ns=times.uncertainty_ns if self._uncertainty else None,
        )
