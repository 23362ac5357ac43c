"""Opened logs and knowledge of clocks, put together into a merge. Holds no rule of its own.

Hosts are numbered as they are met: those named on the command line first, then those that lines name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from noonmark.collector.causal import CausalKnowledge, CausalStep, Mention, causal_steps, contradictions, findings_of
from noonmark.collector.causal_field import field_value
from noonmark.collector.clock_knowledge import ClockKnowledge, host_index
from noonmark.collector.estimate import Finding
from noonmark.collector.known_clocks import KnownClocks
from noonmark.collector.log_blocks import RecordBlock
from noonmark.collector.log_files import OpenLog
from noonmark.collector.merge import Merge
from noonmark.collector.merge_source import WINDOW_NS, Source
from noonmark.collector.verdicts import LIKELY

NOBODY = "?"
"""Host of lines that name none."""


class Hosts:
    """Names of the merge's hosts by number, and what each is in the knowledge."""

    def __init__(self, knowledge: ClockKnowledge) -> None:
        self.names: list[str] = []
        self.known_as: list[int] = []
        self._knowledge = knowledge
        self._numbers: dict[str, int] = {}

    def number(self, name: str) -> int:
        """A host's number, given on first sight."""
        if name not in self._numbers:
            self._numbers[name] = len(self.names)
            self.names.append(name)
            adds = isinstance(self._knowledge, KnownClocks)
            self.known_as.append(self._knowledge.add_host(name) if adds else host_index(self._knowledge, name))  # type: ignore[attr-defined]
        return self._numbers[name]

    def resolver(self, own: str | None) -> Callable[[str | None], tuple[int, int]]:
        """For one log: a record's host (None: the log's own) to its number and its place in the knowledge."""

        def resolve(name: str | None) -> tuple[int, int]:
            number = self.number(name or own or NOBODY)
            return number, self.known_as[number]

        return resolve


def merge_of(
    logs: Sequence[OpenLog],
    knowledge: ClockKnowledge,
    hosts: Hosts,
    *,
    blocks: Sequence[Iterator[RecordBlock]] | None = None,
    likely: float = LIKELY,
    window_ns: int = WINDOW_NS,
    tightened: CausalKnowledge | None = None,
    uncertainty: bool = True,
) -> Merge:
    """A merge of logs. `blocks` are theirs, where somebody else reads them.

    `tightened` judges neighbours where messages proved more than `knowledge` does.

    `uncertainty`: each record comes with its own.
    """
    sources = [
        Source(
            number,
            log.blocks() if blocks is None else blocks[number],
            knowledge,
            hosts.resolver(log.name.host),
            window_ns=window_ns if log.hosts_from_lines else 0,
            floors=tightened.floors if tightened else None,
            uncertainty=uncertainty,
        )
        for number, log in enumerate(logs)
    ]
    proved = tightened.proved if tightened else None
    return Merge(sources, tightened or knowledge, hosts.known_as, likely=likely, proved=proved)


def mentions(logs: Sequence[OpenLog], field: str, hosts: Hosts) -> Iterator[Mention]:
    """Every id in the logs, with who stamped it when. Reads the logs to their ends."""
    for log in logs:
        resolve = hosts.resolver(log.name.host)
        for block in log.blocks():
            begin = 0
            for row, end in enumerate(block.ends.tolist()):
                identity = field_value(bytes(block.data[begin:end]), field) if block.timed[row] else None
                begin = end
                if identity is not None:
                    _, known_as = resolve(block.hosts[row] if block.hosts is not None else None)
                    yield Mention(identity, known_as, int(block.time_ns[row]), int(block.resolution_ns[row]))


def tightened_by(
    logs: Sequence[OpenLog], field: str, hosts: Hosts, knowledge: ClockKnowledge
) -> tuple[CausalKnowledge, list[CausalStep], list[Finding]]:
    """(knowledge with what messages prove, the causes and effects found, where they contradict the limits)."""
    steps = causal_steps(mentions(logs, field, hosts), knowledge)
    wrong = contradictions(steps, knowledge)
    return CausalKnowledge(knowledge, steps), steps, findings_of(wrong, knowledge)
