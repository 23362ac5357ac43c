"""Keeps the record that tells programs on the host what the reference time is. Rim; layout in proto/time_record.py.

A new file comes into its place whole, by rename, with the rights 0644; one that is there and fits is taken over in
place, so that programs which have it mapped go on after the agent was restarted. Each estimate of the collector is
turned into a moment of the host's own clocks (`as_of`) and written under a sequence number (a seqlock).
"""

from __future__ import annotations

import errno
import fcntl
import math
import mmap
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from io import BufferedRandom
from pathlib import Path

from noonmark.agent.clocks import Clock
from noonmark.proto.control import OwnEstimate
from noonmark.proto.records import ClockEvent
from noonmark.proto.time_client import this_boot
from noonmark.proto.time_record import (
    BODY_AT,
    HOST_STATES,
    NO_LIMIT_NS,
    NOTHING,
    REFERENCE_STATES,
    SEQUENCE,
    SEQUENCE_AT,
    SIZE,
    UNKNOWN,
    BadRecord,
    TimeReading,
    TimeRecord,
    check_head,
    pack,
    read_at,
)

PHI = 15e-6
"""How fast limits widen past an estimate (RFC 5905)."""
WANDER = 1e-8
"""Standard uncertainty of a clock's rate while it is not measured; common practice for quartz, no source."""
OLDEST_NS = 600 * 10**9
"""An estimate of a moment further back, or ahead, cannot be placed: the clock was set since."""
AHEAD_NS = 10**9
MARGIN_NS = 10 * 10**9
TRIES = 10
CLOSE_NS = 1_000


@dataclass(frozen=True, slots=True)
class Moment:
    """The two clocks read together; the reading of one lay within `spread_ns` around that of the other."""

    monotonic_ns: int
    realtime_ns: int
    spread_ns: int


def read_together(realtime_ns: Callable[[], int], monotonic_ns: Callable[[], int] = time.monotonic_ns) -> Moment:
    """Of some tries the one that took least, since a process may lose its processor between two readings."""
    best = None
    for _ in range(TRIES):
        before = monotonic_ns()
        real = realtime_ns()
        spread = monotonic_ns() - before
        if best is None or spread < best.spread_ns:
            best = Moment(before + spread // 2, real, spread)
        if spread <= CLOSE_NS:
            break
    assert best is not None
    return best


def age_of(estimate: OwnEstimate, realtime_ns: int) -> int | None:
    """How long ago, by the host's clock, the moment was that an estimate speaks of; None if it cannot be placed.

    At that moment the host's clock read reference time plus offset.
    """
    if estimate.offset_ns is None:
        return None
    age_ns = realtime_ns - (estimate.at_ns + estimate.offset_ns)
    return age_ns if -AHEAD_NS <= age_ns <= OLDEST_NS else None


class SharedTime:
    """What the host may say of reference time; kept in a file too, if there is a path.

    `injected_drift` is what the agent's clock gains on CLOCK_MONOTONIC, on trial; the record speaks of the latter.
    """

    def __init__(self, clock: Clock, path: Path | None = None, *, injected_drift: float = 0.0) -> None:
        self._clock = clock
        self._injected_drift = injected_drift
        self._boot = this_boot()
        self._record = NOTHING._replace(boot=self._boot)
        self._not_before_ns = 0
        self._file = RecordFile(path) if path is not None else None
        self._keep(self._record)

    @property
    def record(self) -> TimeRecord:
        """As last written."""
        return self._record

    def close(self) -> None:
        """The record stays where it is, and says how old it is."""
        if self._file is not None:
            self._file.close()

    def take(self, estimate: OwnEstimate, reference_state: str) -> None:
        """Keep what the collector said. `reference_state`: of the references it rests on."""
        here = read_together(self._clock.realtime_ns)
        told = self._record._replace(
            told_ns=here.monotonic_ns,
            host_state=_place(HOST_STATES, estimate.state),
            reference_state=_place(REFERENCE_STATES, reference_state),
        )
        age_ns = age_of(estimate, here.realtime_ns)
        if estimate.offset_ns is None or estimate.uncertainty_ns is None:
            self._keep(told._replace(uncertainty_ns=UNKNOWN))
            return
        since_ns = 0 if age_ns is None else round(age_ns / (1 + self._injected_drift))
        placed_ns = here.monotonic_ns - since_ns
        if age_ns is None or placed_ns < self._not_before_ns:
            self._keep(told)  # what was known before ages on
            return
        lower_ns, upper_ns = estimate.lower_ns, estimate.upper_ns
        self._keep(
            told._replace(
                monotonic_ns=placed_ns,
                boottime_ns=time.clock_gettime_ns(time.CLOCK_BOOTTIME) - since_ns,
                realtime_ns=estimate.at_ns + estimate.offset_ns,
                offset_ns=estimate.offset_ns,
                uncertainty_ns=math.ceil(math.hypot(estimate.uncertainty_ns, here.spread_ns / 2)),
                lower_ns=-NO_LIMIT_NS if lower_ns is None else lower_ns - here.spread_ns,
                upper_ns=NO_LIMIT_NS if upper_ns is None else upper_ns + here.spread_ns,
                drift=(estimate.drift or 0.0) - self._injected_drift,
                drift_uncertainty=math.hypot(estimate.drift_uncertainty or 0.0, WANDER),
                widening=PHI,
            )
        )

    def clock_event(self, event: ClockEvent) -> None:
        """The clock was set, or the host slept: estimates of moments before can no longer be placed.

        The record itself stays good when only the clock was set: it reckons by CLOCK_MONOTONIC. An estimate on its way
        would now be placed wrong by the size of the step, which a small step back would hide without the margin.
        """
        self._not_before_ns = time.monotonic_ns() + min(abs(event.size_ns), MARGIN_NS)

    def now(self) -> TimeReading:
        """What a program would read now."""
        boottime_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        return read_at(self._record, time.monotonic_ns(), boottime_ns, self._clock.realtime_ns(), self._boot)

    def _keep(self, record: TimeRecord) -> None:
        self._record = record
        if self._file is not None:
            self._file.write(record)


def _place(names: tuple[str, ...], name: str) -> int:
    return names.index(name) if name in names else 0


class RecordFile:
    """The mapped file. Raises OSError if it cannot be made, or if another agent writes it."""

    def __init__(self, path: Path) -> None:
        self._file = _open(path) or _make(path)
        self._map = mmap.mmap(self._file.fileno(), SIZE)
        (self._sequence,) = SEQUENCE.unpack_from(self._map, SEQUENCE_AT)

    def write(self, record: TimeRecord) -> None:
        """Replace the record. Readers see the old one or the new one, or know that they saw neither."""
        self._sequence = (self._sequence + 2) & ~1  # it is odd if an agent died while it wrote
        whole = pack(record, self._sequence)
        self._map[SEQUENCE_AT:BODY_AT] = SEQUENCE.pack(self._sequence - 1)
        self._map[BODY_AT:SIZE] = whole[BODY_AT:]
        self._map[SEQUENCE_AT:BODY_AT] = whole[SEQUENCE_AT:BODY_AT]

    def close(self) -> None:
        """Let the file go; it stays."""
        self._map.close()
        self._file.close()


def _open(path: Path) -> BufferedRandom | None:
    """The file that is there, if it fits. Raises OSError if another agent has it."""
    try:
        file = path.open("r+b")
    except OSError:
        return None
    try:
        check_head(file.read(SIZE))
    except BadRecord:
        file.close()
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        raise OSError(errno.EBUSY, "another agent writes this time record", str(path)) from None
    return file


def _make(path: Path) -> BufferedRandom:
    """A file that says that nothing is known, locked."""
    import tempfile  # only here: few hosts keep a record, and the agent is to stay small

    number, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    file = os.fdopen(number, "r+b")
    try:
        file.write(pack(NOTHING, 0))
        file.flush()
        os.fchmod(file.fileno(), 0o644)
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        Path(name).replace(path)
    except OSError:
        file.close()
        Path(name).unlink(missing_ok=True)
        raise
    return file
