"""Logs in memory and merges of them, for tests."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping

from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.log_blocks import LineLog
from noonmark.collector.log_files import LogName, OpenLog
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_stamps import StampOptions
from noonmark.collector.merge import Merge, MergedRecords
from noonmark.collector.merge_text import TextWriter
from noonmark.collector.order_logs import Hosts, merge_of
from noonmark.collector.write_behind import Piece


def opened(
    text: bytes, host: str | None, *, block_bytes: int = 1 << 20, options: StampOptions | None = None
) -> OpenLog:
    """A log of these bytes."""
    reader = StampReader(options or StampOptions(host_field="host"))
    stream = io.BytesIO(text)
    name = LogName(host or "all.log", host)
    return OpenLog(name, stream, LineLog(stream, reader, host is None, block_bytes), host is None)


def merged(
    logs: Mapping[str, bytes], knowledge: ClockKnowledge, *, block_bytes: int = 1 << 20, **settings: int
) -> tuple[bytes, Merge]:
    """The merged text of logs by host, and the merge."""
    sources = [opened(text, host, block_bytes=block_bytes) for host, text in logs.items()]
    hosts = Hosts(knowledge)
    merge = merge_of(sources, knowledge, hosts)
    for name, value in settings.items():
        setattr(merge, name, value)
    return laid_out(TextWriter(hosts.names).lay_out, merge), merge


def laid_out(lay_out: Callable[[MergedRecords], Iterable[Piece]], merge: Merge) -> bytes:
    """All that a writer makes of a merge."""
    return b"".join(
        piece() if callable(piece) else piece for stretch in merge.stretches() for piece in lay_out(stretch)
    )
