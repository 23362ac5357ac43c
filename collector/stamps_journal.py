"""The systemd journal's export format, and what its two clocks prove. Pure.

Export (https://systemd.io/JOURNAL_EXPORT_FORMATS/): entries end with an empty line; a field is `KEY=value` or, where
the value holds control characters, the key alone on a line, then eight bytes of little-endian length, the bytes, a
newline.

Each entry carries the wall clock (__REALTIME_TIMESTAMP) and the monotonic clock (__MONOTONIC_TIMESTAMP, microseconds,
valid within one _BOOT_ID). The monotonic clock is never set, so within a boot it gives the true order of a host's
entries whatever happened to the wall clock, and a break in (wall - monotonic) within one boot is a step of the wall
clock, found after the fact without any agent.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.log_stamps import LogStamp

MICROSECOND_NS = 1000
STEP_NS = 1_000_000
"""A break smaller than a millisecond is not called a step: the two clocks of an entry are read one after the other."""
LONGEST_FIELD = 1 << 30


@dataclass(frozen=True, slots=True)
class JournalClocks:
    """The two clocks of one entry."""

    real_ns: int
    monotonic_ns: int | None
    boot: str


def entry_ends(data: bytes, *, final: bool) -> list[int]:
    """Where each whole entry of an export stream ends (past its empty line).

    `final` says that nothing follows: then what is left counts as an entry.
    """
    ends: list[int] = []
    position = begin = 0
    while position < len(data):
        newline = data.find(b"\n", position)
        if newline < 0:
            break
        if newline == position:
            position += 1
            if position - begin > 1:
                ends.append(position)
            begin = position
        elif data.find(b"=", position, newline) >= 0:
            position = newline + 1
        else:
            if newline + 9 > len(data):
                break
            length = int.from_bytes(data[newline + 1 : newline + 9], "little")
            if length > LONGEST_FIELD:  # no such field: the stream is damaged; go on with the next line
                position = newline + 1
                continue
            position = newline + 9 + length + 1
    if final and begin < len(data):
        ends.append(len(data))
    return ends


def read_entry(entry: bytes) -> dict[str, bytes]:
    """The fields of one entry; of a field given twice, the first."""
    fields: dict[str, bytes] = {}
    position = 0
    while position < len(entry):
        newline = entry.find(b"\n", position)
        newline = len(entry) if newline < 0 else newline
        line = entry[position:newline]
        position = newline + 1
        key, equals, value = line.partition(b"=")
        if not equals and line and position + 8 <= len(entry):
            length = int.from_bytes(entry[position : position + 8], "little")
            if length <= len(entry) - position - 8:
                value = entry[position + 8 : position + 8 + length]
                position += 8 + length + 1
        fields.setdefault(key.decode("utf-8", "replace"), value)
    fields.pop("", None)
    return fields


def entry_stamp(fields: dict[str, bytes], field: str = "__REALTIME_TIMESTAMP") -> LogStamp | None:
    """The stamp of an export entry: its wall clock, to the microsecond."""
    microseconds = _number(fields.get(field))
    if microseconds is None:
        return None
    host = fields.get("_HOSTNAME")
    return LogStamp(
        time_ns=microseconds * MICROSECOND_NS,
        resolution_ns=MICROSECOND_NS,
        begin=0,
        end=0,
        format="journal-export",
        host=host.decode("utf-8", "replace") if host else None,
    )


def entry_clocks(fields: dict[str, bytes]) -> JournalClocks | None:
    """Both clocks of an entry; None if it has no wall clock."""
    real = _number(fields.get("__REALTIME_TIMESTAMP"))
    if real is None:
        return None
    monotonic = _number(fields.get("__MONOTONIC_TIMESTAMP"))
    boot = fields.get("_BOOT_ID", b"").decode("ascii", "replace")
    return JournalClocks(
        real * MICROSECOND_NS, monotonic * MICROSECOND_NS if monotonic is not None and boot else None, boot
    )


def true_order(clocks: Iterable[JournalClocks | None]) -> list[int]:
    """Positions of entries in the order in which they happened.

    Boots follow one another as they first appear; within a boot the monotonic clock decides. An entry without it stays
    behind the entry that it stands behind.
    """
    boots: dict[str, int] = {}
    keys: list[tuple[int, int]] = []
    here = (0, 0)
    for entry in clocks:
        if entry is not None and entry.monotonic_ns is not None:
            here = (boots.setdefault(entry.boot, len(boots)), entry.monotonic_ns)
        keys.append(here)
    return sorted(range(len(keys)), key=keys.__getitem__)


class StepWatch:
    """Follows one host's entries and finds the steps of its wall clock."""

    def __init__(self, host: str, least_ns: int = STEP_NS) -> None:
        """Breaks of `least_ns` or more count as steps."""
        self.host = host
        self.least_ns = least_ns
        self._before: JournalClocks | None = None

    def see(self, clocks: JournalClocks | None) -> Finding | None:
        """Take the next entry (in true order); a finding if the wall clock was set since the one before."""
        if clocks is None or clocks.monotonic_ns is None:
            return None
        before, self._before = self._before, clocks
        if before is None or before.boot != clocks.boot or before.monotonic_ns is None:
            return None
        elapsed = clocks.monotonic_ns - before.monotonic_ns
        size_ns = (clocks.real_ns - before.real_ns) - elapsed
        # Ordinary steering may move the wall clock by 500 ppm of the time between (the kernel's own limit).
        if abs(size_ns) < self.least_ns + elapsed // 2000:
            return None
        way = "forward" if size_ns > 0 else "back"
        return Finding(
            kind=FindingKind.STEP,
            at_ns=clocks.real_ns,
            text=f"{self.host}: its clock was set {way} by {abs(size_ns) / 1e9:.6f} s within one boot, "
            f"less than {max(elapsed, 0) / 1e9:.3f} s before this entry",
            host=self.host,
            size_ns=size_ns,
            evidence={"elapsed_ns": float(elapsed)},
        )


def _number(text: bytes | None) -> int | None:
    return int(text) if text and text.isdigit() and len(text) <= 19 else None
