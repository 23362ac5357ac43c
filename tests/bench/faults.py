"""Every fault of the laboratory against real programs, by hand: ``python tests/bench/faults.py [WORDS]``, as root.

Prints a table a line a fault, and exits 1 if something that must hold did not. Some twelve minutes on two cores.
WORDS: only faults whose names contain them.
"""

from __future__ import annotations

import contextlib
import functools
import os
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import fault_disks
import fault_scenarios as scenarios
from fault_certificates import Certificates, expired, renewed_in_time
from fault_clocks import ON_CLOCKS
from fault_fleet import FaultFleet, fault_fleet
from fault_memory import no_more_memory, too_little_to_start
from fault_scenarios import Figures

failed: list[str] = []


def report(name: str, work: Callable[[], Figures]) -> None:
    started = time.monotonic()
    try:
        figures = work()
    except Exception:
        failed.append(name)
        print(f"FAILED {name}", flush=True)
        traceback.print_exc()
        return
    told = ", ".join(
        f"{key} {value:.3g}" if isinstance(value, float) else f"{key} {value}" for key, value in figures.items()
    )
    print(f"{name} | {told} | {time.monotonic() - started:.0f} s", flush=True)


@contextlib.contextmanager
def mounted(folder: Path, *, kind: str) -> Iterator[tuple[Path, Callable[[bool], None]]]:
    """A small file system of its own, and how to freeze it."""
    place = folder / kind
    place.mkdir()
    if kind == "tmpfs":
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)], check=True)
    else:
        image = folder / "image"
        with image.open("wb") as file:
            file.truncate(64 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)

    def freeze(wanted: bool) -> None:
        subprocess.run(["fsfreeze", "--freeze" if wanted else "--unfreeze", str(place)], check=True)

    try:
        yield place, freeze
    finally:
        subprocess.run(["umount", str(place)], check=False)


def fresh(folder: Path, name: str) -> Path:
    made = folder / name
    made.mkdir()
    return made


def run(wanted: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        chosen = {key: work for key, work in scenarios.ON_A_FLEET.items() if wanted in key}
        if chosen:
            with fault_fleet(fresh(folder, "one")) as fleet:
                fleet.wait_measured()
                time.sleep(5)
                for key, work in chosen.items():
                    report(key, functools.partial(work, fleet))
        clocks = {key: work for key, work in ON_CLOCKS.items() if wanted in key}
        if clocks:
            with fault_fleet(fresh(folder, "clocks")) as fleet:
                fleet.wait_measured()
                time.sleep(8)
                for key, work in clocks.items():
                    report(key, functools.partial(work, fleet))
        for key, kind in (("disk full, 10 s", "tmpfs"), ("disk hangs, 10 s", "ext4")):
            if wanted in key:
                with (
                    mounted(folder, kind=kind) as (place, freeze),
                    fault_fleet(fresh(folder, key[:9]), data=place) as fleet,
                ):
                    fleet.wait_measured()
                    time.sleep(5)
                    report(key, functools.partial(disk, fleet, kind, freeze))
        others(folder, wanted)
        key = "first of two collectors killed, returns"
        if wanted in key:
            with fault_fleet(fresh(folder, "two"), collectors=2) as fleet:
                report(key, functools.partial(scenarios.standby_takes_over, fleet))


def others(folder: Path, wanted: str) -> None:
    """Faults that need a disk, certificates or a memory limit of their own."""
    on_disk = {
        "writing to the history is refused, 10 s": fault_disks.files_locked,
        "the disk turns read-only": fault_disks.turned_read_only,
        "history damaged while down": lambda fleet, _: fault_disks.history_damaged(fleet),
    }
    for number, (key, work) in enumerate(on_disk.items()):
        if wanted in key:
            place = fresh(folder, f"disk-{number}")
            with fault_disks.disk(place) as disk, fault_fleet(place, data=disk.place) as fleet:
                fleet.wait_measured()
                time.sleep(5)
                report(key, functools.partial(work, fleet, disk))
    key = "certificates expire, are replaced"
    if wanted in key:
        certificates = Certificates(folder / "tls", agents=4, seconds=30)
        with fault_fleet(fresh(folder, "secured"), tls=certificates.folders) as fleet:
            report(key, functools.partial(expired, fleet, certificates))
            report("certificates replaced in time", functools.partial(renewed_in_time, fleet, certificates))
    limits = {"no more memory, 12 s": no_more_memory, "too little memory to start": too_little_to_start}
    limits = {key: work for key, work in limits.items() if wanted in key}
    if limits:
        with fault_fleet(fresh(folder, "memory")) as fleet:
            fleet.wait_measured()
            time.sleep(5)
            for key, work in limits.items():
                report(key, functools.partial(work, fleet))


def disk(fleet: FaultFleet, kind: str, freeze: Callable[[bool], None]) -> Figures:
    return scenarios.disk_full(fleet) if kind == "tmpfs" else scenarios.disk_hangs(fleet, freeze)


if __name__ == "__main__":
    print(f"load average {os.getloadavg()[0]:.1f}", flush=True)
    run(" ".join(sys.argv[1:]))
    print(f"{len(failed)} failed")
    raise SystemExit(bool(failed))
