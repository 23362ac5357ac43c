"""What is the reference time now, how sure, within which limits? Asked in one call of a mapped record. Rim.

For programs on a host with an agent that was given `--time-record FILE`; needs nothing but the standard library. Other
languages find the layout in time_record.py.

    from noonmark.proto.time_client import ReferenceTime

    with ReferenceTime("/run/noonmark/time") as clock:
        reading = clock.now()
        if reading.known and reading.latest_ns < deadline_ns: ...

A call takes some microseconds: it reads memory and the host's clocks, and asks nobody. While the collector is away the
answer ages honestly: its limits widen second by second.
"""

from __future__ import annotations

import mmap
import os
import time
from pathlib import Path
from types import TracebackType

from noonmark.proto.time_record import SIZE, BadRecord, TimeReading, TimeRecord, check_head, read_at, unpack

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
TRIES = 100
"""A writer takes some microseconds for a record each second or so: this often at once, for it is soon done; then it has
lost its processor, and is waited for up to `PATIENCE_NS`."""
PATIENCE_NS = 250_000_000
AGAIN, CLOSE_NS = 10, 2_000
"""The host's clocks are read together: within so much, or once more, since a process may lose its processor."""
_monotonic_ns, _realtime_ns = time.monotonic_ns, time.time_ns
LOOK_AGAIN_NS = 1_000_000_000
"""So often it is looked whether the agent made a new file in place of a silent one."""


class NoRecord(OSError):  # noqa: N818 - named for what the catcher holds
    """There is no time record at the place; the text says why."""


def this_boot(path: Path = BOOT_ID) -> bytes:
    """The kernel's identifier of this boot, 16 octets; zeros where it tells none."""
    try:
        return bytes.fromhex(path.read_text().strip().replace("-", ""))
    except (OSError, ValueError):
        return bytes(16)


class ReferenceTime:
    """One mapped record. Any number of threads may ask at once. Raises NoRecord if there is none."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = os.fspath(path)
        self._boot = this_boot()
        self._map, self._file = _mapped(self._path)
        self._looked_ns = time.monotonic_ns()

    def __enter__(self) -> ReferenceTime:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the file go."""
        self._map.close()

    def record(self) -> TimeRecord:
        """The record as it is now. Raises NoRecord if it cannot be read whole: its writer died while it wrote."""
        octets = self._map
        for _ in range(TRIES):
            if (found := unpack(octets[:SIZE])) is not None:
                return found
        deadline = _monotonic_ns() + PATIENCE_NS
        while _monotonic_ns() < deadline:
            time.sleep(1e-4)
            if (found := unpack(octets[:SIZE])) is not None:
                return found
        raise NoRecord(f"{self._path}: the record is half written, and nobody completes it")

    def now(self) -> TimeReading:
        """The reference time, at this moment."""
        record = self.record()
        for _ in range(AGAIN):
            before_ns, realtime_ns, after_ns = _monotonic_ns(), _realtime_ns(), _monotonic_ns()
            if after_ns - before_ns < CLOSE_NS:
                break
        monotonic_ns = (before_ns + after_ns) // 2
        reading = read_at(record, monotonic_ns, time.clock_gettime_ns(time.CLOCK_BOOTTIME), realtime_ns, self._boot)
        if reading.age_ns > LOOK_AGAIN_NS and monotonic_ns - self._looked_ns > LOOK_AGAIN_NS:
            self._look_again(monotonic_ns)
        return reading

    def _look_again(self, now: int) -> None:
        """Take up the file that stands at the place now, if it is another one."""
        self._looked_ns = now
        try:
            found = Path(self._path).stat()
            if (found.st_dev, found.st_ino) != self._file:
                self._map, self._file = _mapped(self._path)  # the old map goes when the last thread has read it
        except OSError:
            pass  # the old record still says how old it is


def _mapped(path: str) -> tuple[mmap.mmap, tuple[int, int]]:
    try:
        with open(path, "rb") as file:  # noqa: PTH123 - a program may give any path-like
            facts = os.fstat(file.fileno())
            octets = file.read(SIZE)
            check_head(octets)
            return mmap.mmap(file.fileno(), SIZE, access=mmap.ACCESS_READ), (facts.st_dev, facts.st_ino)
    except OSError as error:
        raise NoRecord(f"{path}: {error.strerror}: is an agent running with --time-record {path}?") from error
    except BadRecord as error:
        raise NoRecord(f"{path}: {error}") from error
