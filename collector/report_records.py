"""Daily records of evidence, each bound to the one before it by a hash: later tampering shows. Rim.

A folder holds `YYYY-MM-DD.json`, one a day of UTC. A record is canonical JSON (keys sorted, no blanks, ASCII) and a
line feed; its hash is the SHA-256 (FIPS 180-4) of the file's octets, and it holds the hash of the record before as
"previous" (64 zeros for the first). Records are only ever added, later than the newest; an existing one is never
touched.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from noonmark.collector.instants import format_instant, parse_instant
from noonmark.collector.present_json import Document

DAY_NS = 86_400 * 10**9
FIRST = "0" * 64
_NAME = re.compile(r"\d{4}-\d\d-\d\d\.json")


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a record; `day` empty: with all of them."""

    day: str
    text: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What a folder's records are worth."""

    days: tuple[str, ...]
    head: str
    """Hash of the newest record; `FIRST` for none."""
    faults: tuple[Fault, ...]


def canonical(document: Document) -> bytes:
    """The octets that are hashed and kept."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return text.encode("ascii") + b"\n"


def digest(octets: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(octets).hexdigest()


def whole_days(since_ns: int, until_ns: int) -> Iterator[tuple[str, int, int]]:
    """(name, from, to) of each day of UTC that lies wholly in [since, until)."""
    for day in range(-(-since_ns // DAY_NS), until_ns // DAY_NS):
        yield format_instant(day * DAY_NS)[:10], day * DAY_NS, (day + 1) * DAY_NS


def kept_days(folder: Path) -> list[str]:
    """Days that have a record, in order."""
    if not folder.is_dir():
        return []
    return sorted(path.stem for path in folder.iterdir() if _NAME.fullmatch(path.name))


def head_of(folder: Path) -> str:
    """Hash of the newest record."""
    days = kept_days(folder)
    return digest(_path(folder, days[-1]).read_bytes()) if days else FIRST


def _path(folder: Path, day: str) -> Path:
    return folder / f"{day}.json"


def add_record(folder: Path, day: str, document: Document) -> str:
    """Keep a day's evidence, whole or not at all; returns its hash.

    Raises FileExistsError for a day that is not later than the newest, OSError if it cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    days = kept_days(folder)
    if days and day <= days[-1]:
        raise FileExistsError(errno.EEXIST, f"records up to {days[-1]} are closed", str(folder))
    octets = canonical({"schema": "noonmark.record/1", "day": day, "previous": head_of(folder), "evidence": document})
    number, name = tempfile.mkstemp(dir=folder, prefix=".")
    try:
        with os.fdopen(number, "wb") as file:
            file.write(octets)
            file.flush()
            os.fchmod(file.fileno(), 0o444)
            os.fsync(file.fileno())
        os.link(name, _path(folder, day))  # unlike a rename it never takes the place of another
    finally:
        Path(name).unlink(missing_ok=True)
    return digest(octets)


def check(folder: Path, head: str = "") -> Checked:
    """Follow the chain from the first record to the last. `head`: the hash that the last one must have, kept elsewhere.

    Every record is looked at, so that all faults are told, not only the first. Raises OSError if the folder cannot be
    read.
    """
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "no folder of records", str(folder))
    days, faults, expected = kept_days(folder), [], FIRST
    seen = set()
    for place, day in enumerate(days):
        octets = _path(folder, day).read_bytes()
        fault = _fault_of(octets, day, expected, days[place - 1] if place else "")
        if fault:
            faults.append(Fault(day, fault))
        expected = digest(octets)
        seen.add(expected)
    if head and head != expected:
        known = "records after it are not covered by it" if head in seen else "no record has it"
        faults.append(Fault("", f"the last hash is {expected}, not {head}: {known}"))
    return Checked(tuple(days), expected, tuple(faults))


def _fault_of(octets: bytes, day: str, expected: str, before: str) -> str:
    try:
        document = json.loads(octets)
        previous, named = document["previous"], document["day"]
        evidence = document["evidence"]
        start_ns = parse_instant(f"{day}T00:00:00Z", now_ns=0)
        covers = (evidence["since_ns"], evidence["until_ns"])
        written = canonical(document)
    except (ValueError, KeyError, TypeError, AttributeError):
        return "is no record any more"
    if written != octets:
        return "was rewritten in another form"
    if named != day or covers != (start_ns, start_ns + DAY_NS):
        return "holds another day"
    if previous != expected:
        return (
            f"does not follow the record of {before}: one of the two was changed"
            if before
            else ("is not the first: records before it are missing")
        )
    return ""
