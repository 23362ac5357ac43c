"""Pulses per second, as the kernel stamps them, to the offset of the host's clock; and the layout they come in. Pure.

A pulse marks the beginning of a second and does not say of which: the offset is the stamp's distance from the nearest
whole second of the host's clock, from -0.5 s to 0.5 s. The kernel numbers pulses (RFC 2783: `sequence`), so pulses
missed or in excess show between two looks, however seldom one looks.

Layout: struct pps_fdata of linux/pps.h, which RFC 2783's time_pps_fetch() rests on: 64 octets, of which 48 are struct
pps_kinfo (two sequence numbers, two times of a 64-bit second, a 32-bit nanosecond and flags, the mode), and the rest
the time to wait.
"""

from __future__ import annotations

import math
import struct
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from noonmark.proto.reference import SourceNotice

SECOND_NS = 1_000_000_000
PPS_FETCH = 0xC00870A4
"""_IOWR('p', 0xa4, struct pps_fdata *) where pointers have 8 octets."""
PPS_GETCAP = 0x800870A3
CAPTURE_ASSERT, CAPTURE_CLEAR = 1, 2
TIME_INVALID = 1
FETCH_LENGTH = 64
_FETCH = struct.Struct("=IIqiIqiIi4xqiI")
KEPT = 16
"""Pulses that jitter is reckoned from."""
SILENT_NS = 2_500_000_000
OUTLYING_NS = 1_000_000
"""A pulse that comes so far from where the last one lets it be is none of the train."""
MOST_RATE = 1_000e-6
"""Host clocks are off in rate by less than this."""


@dataclass(frozen=True, slots=True)
class Edge:
    """The newest pulse of one edge: its number and the host's clock at it; number 0 before the first."""

    sequence: int
    time_ns: int


def encode_fetch() -> bytearray:
    """A request for what is there now, without waiting."""
    return bytearray(FETCH_LENGTH)


def decode_fetch(data: bytes | bytearray, *, clear: bool = False) -> Edge:
    """The newest asserted (or cleared) edge. Raises ValueError for another length or a time that is none."""
    if len(data) != FETCH_LENGTH:
        raise ValueError(f"{len(data)} octets; struct pps_fdata has {FETCH_LENGTH}")
    fields = _FETCH.unpack(data)
    seconds, nanoseconds = fields[5:7] if clear else fields[2:4]
    if not 0 <= nanoseconds < SECOND_NS:
        raise ValueError(f"{nanoseconds} nanoseconds do not fit in a second")
    return Edge(fields[1] if clear else fields[0], seconds * SECOND_NS + nanoseconds)


def from_second(time_ns: int) -> int:
    """Distance from the nearest whole second, ns: from -0.5 s up to, not including, 0.5 s."""
    return (time_ns + SECOND_NS // 2) % SECOND_NS - SECOND_NS // 2


@dataclass(frozen=True, slots=True)
class PulseReport:
    """What the train says now."""

    present: bool
    """Pulses come, and lie where the ones before let expect."""
    offset_ns: int | None
    jitter_ns: float
    """Root mean square of a pulse's distance from the middle of its neighbours, as a standard deviation."""
    notices: tuple[SourceNotice, ...]
    figures: Mapping[str, float]


class PulseTrain:
    """Follows one source of pulses. Counts are since the start."""

    def __init__(self) -> None:
        self._edge: Edge | None = None
        self._seen_ns = 0
        self._recent: deque[int] = deque(maxlen=KEPT)
        self._steady = 0
        self._doubtful: SourceNotice | None = None
        self.pulses = self.missed = self.extra = 0

    def look(self, edge: Edge, *, monotonic_ns: int) -> PulseReport:
        """The newest edge, seen now; the same one again is no pulse."""
        if edge.sequence and (self._edge is None or edge.sequence != self._edge.sequence):
            self._take(edge)
            self._seen_ns = monotonic_ns
        return self._report(monotonic_ns)

    def clock_set(self) -> None:
        """The host's clock was set: stamps before and after do not belong together."""
        self._edge = None
        self._recent.clear()
        self._steady = 0

    def _take(self, edge: Edge) -> None:
        last, self._edge = self._edge, edge
        self.pulses += 1
        self._doubtful = None
        if last is None:
            self._recent.append(edge.time_ns)
            self._steady = 1
            return
        counted = (edge.sequence - last.sequence) & 0xFFFF_FFFF
        passed_ns = edge.time_ns - last.time_ns
        seconds = round(passed_ns / SECOND_NS)
        off_ns = passed_ns - seconds * SECOND_NS
        if seconds < 0 or counted > 1 << 31 or abs(off_ns) > OUTLYING_NS + abs(passed_ns) * MOST_RATE:
            self._doubtful = SourceNotice("pulse-astray", f"a pulse came {off_ns / 1e6:+.3f} ms off the second", off_ns)
            self.extra += 1
            self._recent.clear()
            self._steady = 0
        elif counted < seconds:
            self.missed += seconds - counted
            self._doubtful = SourceNotice("pulses-missed", f"{seconds - counted} of the last {seconds} pulses missed")
        elif counted > seconds:
            self.extra += counted - seconds
            self._doubtful = SourceNotice("pulses-extra", f"{counted - seconds} pulses too many in {seconds} s")
            self._steady = 0
        self._steady += 1
        self._recent.append(edge.time_ns)

    def _report(self, now: int) -> PulseReport:
        figures = {"pulses": float(self.pulses), "missed": float(self.missed), "extra": float(self.extra)}
        if self._edge is None or now - self._seen_ns > SILENT_NS:
            text = "no pulse yet" if self._edge is None else f"no pulse for {(now - self._seen_ns) / 1e9:.0f} s"
            return PulseReport(False, None, 0.0, (SourceNotice("no-pulse", text),), figures)
        jitter = self._jitter_ns()
        figures["jitter_ns"] = jitter
        notices = () if self._doubtful is None else (self._doubtful,)
        return PulseReport(self._steady >= 3, from_second(self._edge.time_ns), jitter, notices, figures)

    def _jitter_ns(self) -> float:
        """Second differences take the offset and the rate out; of white phase noise they have 6 times the variance."""
        phases = [from_second(time) for time in self._recent]
        start = phases[0] if phases else 0
        unwrapped = [start + from_second(phase - start) for phase in phases]
        bends = [
            unwrapped[place - 1] - 2 * unwrapped[place] + unwrapped[place + 1]
            for place in range(1, len(unwrapped) - 1)
            if self._recent[place + 1] - self._recent[place - 1] < 5 * SECOND_NS // 2
        ]
        return math.sqrt(sum(bend * bend for bend in bends) / (6 * len(bends))) if bends else 0.0
