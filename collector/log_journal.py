"""A journal export as blocks of records, in the true order of its boots' monotonic clock; finds steps on the way.

Pure but for the stream that it is handed and reads. An entry is a record; its bytes are those of the export, which
prints as the export does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import Finding
from noonmark.collector.log_blocks import BLOCK_BYTES, MOST_TAIL, ByteStream, LogCounts, RecordBlock
from noonmark.collector.stamps_journal import (
    StepWatch,
    entry_clocks,
    entry_ends,
    entry_stamp,
    read_entry,
    true_order,
)


@dataclass(slots=True)
class JournalLog:
    """Cuts an export stream into blocks of entries."""

    stream: ByteStream
    host: str
    """Whose it is, where entries do not say."""
    time_field: str = "__REALTIME_TIMESTAMP"
    hosts_from_entries: bool = False
    block_bytes: int = BLOCK_BYTES
    counts: LogCounts = field(default_factory=LogCounts)
    steps: list[Finding] = field(default_factory=list)
    """Settings of the wall clock, found from its break with the monotonic clock."""
    _watch: dict[str, StepWatch] = field(default_factory=dict)

    def blocks(self) -> Iterator[RecordBlock]:
        """Blocks of entries. Errors of the stream pass through."""
        tail = b""
        while True:
            more = self.stream.read(self.block_bytes)
            data = tail + more
            final = not more or len(data) >= MOST_TAIL
            ends = entry_ends(data, final=final)
            tail = data[ends[-1] :] if ends else data
            if ends:
                yield self._block(data, ends)
            if not more:
                return

    def _block(self, data: bytes, ends: list[int]) -> RecordBlock:
        entries = [data[begin:end] for begin, end in zip([0, *ends], ends, strict=False)]
        fields = [read_entry(entry) for entry in entries]
        clocks = [entry_clocks(each) for each in fields]
        order = true_order(clocks)
        stamps = [entry_stamp(fields[row], self.time_field) for row in order]
        self.counts.lines += sum(entry.count(b"\n") for entry in entries)
        self.counts.records += len(entries)
        self.counts.unreadable += sum(stamp is None for stamp in stamps)
        for row, stamp in zip(order, stamps, strict=True):
            host = stamp.host if stamp and stamp.host and self.hosts_from_entries else self.host
            found = self._watch.setdefault(host, StepWatch(host)).see(clocks[row])
            if found is not None:
                self.steps.append(found)
        whole = [entries[row] if entries[row].endswith(b"\n") else entries[row] + b"\n" for row in order]
        times = [stamp.time_ns if stamp else 0 for stamp in stamps]
        timed = np.array([stamp is not None for stamp in stamps])
        time_ns = np.array(times, np.int64)
        # An entry without a time stays beside the one before it.
        place = np.maximum.accumulate(np.where(timed, np.arange(len(times)), 0))
        return RecordBlock(
            data=b"".join(whole),
            ends=np.cumsum([len(entry) for entry in whole]),
            time_ns=time_ns[place],
            resolution_ns=np.full(len(times), 1000),
            timed=timed,
            hosts=tuple(stamp.host if stamp else None for stamp in stamps) if self.hosts_from_entries else None,
        )
