"""Who is there: the hosts that report, what they said of themselves, and how far each was heard. Pure.

Rules: a host's name belongs to the agent process (`instance`) that claimed it last; one that was displaced may not
claim it back while its successor is there, so two agents under one name do not fight. Sequence numbers are remembered
for each instance, so a batch that is sent again after a broken connection is known as a repeat. `now` is monotonic
seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from noonmark.collector.plan import Member
from noonmark.collector.reported import Reported
from noonmark.proto.control import Hello, ProbeCounters

REMEMBERED_INSTANCES = 4


class Refused(Exception):  # noqa: N818 - named for what befell the caller
    """A claim that is not granted; the text says why, for the agent's operator."""


class NameTaken(Refused):
    """A newer agent process speaks for this host."""


class WrongHost(Refused):
    """The certificate is not of the host that the agent claims to be."""


class Full(Refused):
    """There are as many hosts as may be."""


@dataclass(frozen=True, slots=True)
class DirectorySettings:
    """How long names are held."""

    leave_after: float = 120.0
    """Seconds of silence after which a host is left out of the plan."""
    forget_after: float = 86_400.0
    """Seconds of silence after which nothing of it is remembered."""
    max_hosts: int = 200_000


@dataclass(slots=True)
class HostEntry:
    """One host. `heard` is when its newest message arrived."""

    hello: Hello
    heard: float
    connected: bool = True
    counters: ProbeCounters = field(default_factory=ProbeCounters)
    sequences: dict[int, int] = field(default_factory=dict)
    """By instance, the last few: the highest sequence number received."""
    kept: dict[int, int] = field(default_factory=dict)
    """By instance: the highest sequence number whose records are in the history."""
    displaced: set[int] = field(default_factory=set)
    reported: Reported = field(default_factory=Reported)
    """What it tells of its references and its kernel's clock."""

    @property
    def sequence(self) -> int:
        """Highest sequence number received of the present instance."""
        return self.sequences.get(self.hello.instance, 0)

    @property
    def kept_sequence(self) -> int:
        """Highest sequence number of the present instance that is kept."""
        return self.kept.get(self.hello.instance, 0)

    def keep(self, instance: int, sequence: int) -> None:
        """Everything of this instance up to `sequence` is in the history."""
        if instance in self.sequences:
            self.kept[instance] = max(sequence, self.kept.get(instance, 0))

    def is_new(self, sequence: int) -> bool:
        """Whether a numbered entry was not received before; it counts as received from now on."""
        if sequence <= self.sequence:
            return False
        self.sequences[self.hello.instance] = sequence
        return True


class Directory:
    """All hosts by name. `membership` rises whenever the set of hosts to plan for, or what they said, changes."""

    def __init__(self, settings: DirectorySettings | None = None) -> None:
        self.settings = settings or DirectorySettings()
        self.membership = 0
        self._entries: dict[str, HostEntry] = {}
        self._members: dict[str, Member] = {}

    def greet(self, hello: Hello, *, now: float) -> HostEntry:
        """Give the host's name to this agent process. Raises NameTaken or Full."""
        entry = self._entries.get(hello.host)
        if entry is None:
            if len(self._entries) >= self.settings.max_hosts:
                raise Full(f"the collector knows {len(self._entries)} hosts already, and takes no more")
            entry = self._entries[hello.host] = HostEntry(hello, now)
        elif entry.hello.instance != hello.instance:
            self._displace(entry, hello)
        entry.hello, entry.heard, entry.connected = hello, now, True
        entry.sequences[hello.instance] = entry.sequences.pop(hello.instance, 0)
        for old in list(entry.sequences)[:-REMEMBERED_INSTANCES]:
            del entry.sequences[old]
            entry.kept.pop(old, None)
            entry.displaced.discard(old)
        self._admit(entry)
        return entry

    def _displace(self, entry: HostEntry, hello: Hello) -> None:
        if hello.instance in entry.displaced and entry.connected:
            raise NameTaken(
                f"a newer agent reports as host {hello.host!r}; give each agent its own name with --host, or stop one"
            )
        if entry.connected:
            entry.displaced.add(entry.hello.instance)
        entry.displaced.discard(hello.instance)
        entry.counters, entry.reported = ProbeCounters(), Reported()

    def _admit(self, entry: HostEntry) -> None:
        member = Member(entry.hello.host, entry.hello.zone, entry.hello.endpoints)
        if self._members.get(member.host) != member:
            self._members[member.host] = member
            self.membership += 1

    def gone(self, host: str, instance: int, *, now: float) -> None:
        """A connection ended; nothing happens if another instance has taken over."""
        entry = self._entries.get(host)
        if entry is not None and entry.hello.instance == instance:
            entry.connected, entry.heard = False, now

    def expire(self, *, now: float) -> None:
        """Drop hosts that are silent for long: first from the plan, much later from memory."""
        for host, entry in list(self._entries.items()):
            if entry.connected:
                continue
            if now - entry.heard > self.settings.leave_after and host in self._members:
                del self._members[host]
                self.membership += 1
            if now - entry.heard > self.settings.forget_after:
                del self._entries[host]

    def members(self) -> Mapping[str, Member]:
        """The hosts to plan for, by name."""
        return self._members

    def reports(self) -> dict[str, Reported]:
        """By host, what those told that told anything."""
        return {
            host: entry.reported
            for host, entry in self._entries.items()
            if entry.reported.kernel is not None or entry.reported.reference is not None
        }

    def get(self, host: str) -> HostEntry | None:
        """A host's entry, if it ever spoke."""
        return self._entries.get(host)

    def __iter__(self) -> Iterator[HostEntry]:
        return iter(self._entries.values())

    def __len__(self) -> int:
        return len(self._entries)
