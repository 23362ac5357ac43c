"""What is done to the history's disk and file, and what must hold meanwhile and afterwards."""

from __future__ import annotations

import contextlib
import hashlib
import random
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fault_fleet import TICK, FaultFleet, Program
from fault_scenarios import Figures, all_kept, nothing_dropped, place_of, stored, watch

SHARE_BYTES = 64 << 20
PAGE_BYTES = 16_384


@dataclass
class Disk:
    """A small file system (ext4) of its own, that can be hurt and mended."""

    place: Path
    image: Path

    def turn_read_only(self) -> None:
        """As ext4 does by itself when the disk below it fails (`errors=remount-ro`): at once, whoever has files open.

        `mount -o remount,ro` alone is refused while somebody writes.
        """
        _run("mount", "-o", "remount,abort", str(self.place))
        assert "emergency_ro" in _mounts(self.place) or " ro" in _mounts(self.place)

    def mend(self) -> None:
        """As an operator does it: let go, looked at, mounted again. Nobody may have a file open."""
        _run("umount", str(self.place))
        told = subprocess.run(["fsck.ext4", "-y", "-f", str(self.image)], capture_output=True, check=False)
        assert told.returncode in (0, 1), told.stdout
        _run("mount", "-o", "loop", str(self.image), str(self.place))

    def lock(self, wanted: bool) -> None:
        """Refuse every write to the files of the history that are there, open or not; or take them again."""
        files = [str(path) for path in self.place.glob("history.sqlite*") if not path.name.endswith("-shm")]
        _run("chattr", "+i" if wanted else "-i", *files)


@contextlib.contextmanager
def disk(folder: Path) -> Iterator[Disk]:
    """Raises CalledProcessError where one cannot be made."""
    place, image = folder / "disk", folder / "disk.image"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(SHARE_BYTES)
    _run("mkfs.ext4", "-q", "-F", str(image))
    # Shared, so that the network namespaces' own views of it are let go too.
    _run("mount", "--bind", str(place), str(place))
    try:
        _run("mount", "--make-shared", str(place))
        _run("mount", "-o", "loop", str(image), str(place))
        yield Disk(place, image)
    finally:
        for _ in range(2):
            subprocess.run(["umount", str(place)], check=False, capture_output=True)


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, text=True, timeout=60)


def _mounts(place: Path) -> str:
    lines = Path("/proc/self/mounts").read_text().splitlines()
    return next(line for line in reversed(lines) if f" {place} " in line)


def acknowledged(fleet: FaultFleet) -> dict[str, float]:
    """Records that each agent was told are kept."""
    return {host: fleet.agent_metrics(host).get("agent_records_acknowledged", 0) for host in fleet.agents}


def refused_writes(fleet: FaultFleet, begin: Callable[[], None], seconds: float) -> tuple[int, int]:
    """Begin an outage, and hold what must hold in it: answers held, and how many estimates wait in the end."""
    collector = fleet.collectors[0]
    begin()
    time.sleep(1.0)  # what was stored before is being told of
    kept, published = acknowledged(fleet), fleet.fleet()["at_ns"]
    held = watch(fleet, seconds)
    assert fleet.fleet()["at_ns"] > published + 0.5 * seconds * 1e9, "live numbers go on"
    assert acknowledged(fleet) == kept, "nothing is called kept"
    numbers = fleet.metrics(collector, 18623)
    assert numbers["collector_store_failures"] > 0
    assert numbers["collector_estimates_waiting"] > 3
    assert "the estimate was not stored" in collector.log.read_text()
    return held, int(numbers["collector_estimates_waiting"])


def files_locked(fleet: FaultFleet, where: Disk, seconds: float = 10) -> Figures:
    """Writing to the history's files is refused, and allowed again, while the collector runs."""
    place = place_of(fleet)
    first_ns = time.time_ns()
    try:
        held, waited = refused_writes(fleet, lambda: where.lock(True), seconds)
    finally:
        where.lock(False)
    recovery = fleet.wait(
        lambda: fleet.metrics(fleet.collectors[0], 18623).get("collector_estimates_waiting") == 0, "all is stored"
    )
    all_kept(fleet)
    nothing_dropped(fleet)
    _, instants = stored(place)
    gap = max(np.diff(instants[instants > first_ns - 3 * 10**9])) / 1e9
    assert fleet.metrics(fleet.collectors[0], 18623)["collector_estimates_given_up"] == 0
    assert gap < 4 * TICK, gap
    return {"recovery_s": recovery, "answers_held": held, "gap_in_history_s": gap, "waited": waited}


def turned_read_only(fleet: FaultFleet, where: Disk, seconds: float = 10) -> Figures:
    """The file system turns read-only under the running collector; an operator ends it, mends, starts anew."""
    collector = fleet.collectors[0]
    first_ns = time.time_ns()
    held, waited = refused_writes(fleet, where.turn_read_only, seconds)
    began = time.monotonic()
    collector.end()
    ending = time.monotonic() - began
    assert collector.process is not None
    assert collector.process.returncode == 0, collector.log.read_text()[-800:]
    assert "estimates could not be kept" in collector.log.read_text()
    told = refused_start(collector)
    assert "read-only" in told.lower() or "readonly" in told.lower(), told
    kept = acknowledged(fleet)
    where.mend()
    last_ns, _ = stored(where.place)
    assert last_ns > first_ns - 3 * TICK * 1e9, "what was stored before is there"
    collector.start()
    recovery = fleet.wait_measured()
    held += watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    assert all(count > kept[host] for host, count in acknowledged(fleet).items())
    _, instants = stored(where.place)
    gap = max(np.diff(instants[instants >= last_ns])) / 1e9
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "gap_in_history_s": gap,
        "waited": waited,
        "ending_s": ending,
        "refused": told,
    }


def refused_start(collector: Program, within: float = 60) -> str:
    """Start a collector that must not start: exit code 2, and one line, which is returned."""
    before = len(collector.log.read_text())
    collector.start()
    assert collector.process is not None
    code = collector.process.wait(within)
    lines = collector.log.read_text()[before:].splitlines()
    assert code == 2, (code, lines)
    told = [line for line in lines if " info " not in line]
    assert len(told) == 1, lines
    return told[0]


def _page_of_noise(content: bytes) -> bytes:
    begin = len(content) // 2 // PAGE_BYTES * PAGE_BYTES
    return content[:begin] + random.Random(3).randbytes(PAGE_BYTES) + content[begin + PAGE_BYTES :]


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "a page of noise": _page_of_noise,
    "its second half lost": lambda content: content[: len(content) // 2],
    "a piece of zeros": lambda content: content[:PAGE_BYTES] + bytes(len(content) - PAGE_BYTES),
    "its head lost": lambda content: content[PAGE_BYTES:],
    "something else altogether": lambda content: b"time,offset\n" * 100,
}


def history_damaged(fleet: FaultFleet, damages: dict[str, Callable[[bytes], bytes]] = DAMAGES) -> Figures:
    """The history's file is damaged while the collector is down: refused, left as it is; a copy put back goes on."""
    collector = fleet.collectors[0]
    path = place_of(fleet) / "history.sqlite"
    collector.end()
    down = time.monotonic()
    last_ns, before = stored(path.parent)
    sound = path.read_bytes()
    for name, damage in damages.items():
        damaged = damage(sound)
        path.write_bytes(damaged)
        told = refused_start(collector)
        assert str(path) in told, told
        assert "left as it is" in told or "was left as it was" in told, told
        assert hashlib.sha256(path.read_bytes()).digest() == hashlib.sha256(damaged).digest(), name
        for beside in path.parent.glob("history.sqlite-*"):
            assert beside.stat().st_size == 0 or beside.name.endswith("-shm"), beside
    path.write_bytes(sound)
    lasted = time.monotonic() - down
    collector.start()
    recovery = fleet.wait_measured()
    held = watch(fleet, 2)
    all_kept(fleet)
    nothing_dropped(fleet)
    _, instants = stored(path.parent)
    assert np.isin(before, instants).all(), "what the copy held is there"
    gap = max(np.diff(instants[instants >= last_ns])) / 1e9
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "kinds_of_damage": len(damages),
        "down_s": lasted,
        "gap_in_history_s": gap,
    }
