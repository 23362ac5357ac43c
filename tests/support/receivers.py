"""Sentences of a satellite receiver, and clocks that stand still until told to go on; pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from noonmark.agent.kernel_clock import Discipline
from noonmark.proto.reference import KernelClock

SECOND_NS = 1_000_000_000
START_NS = 1_795_589_703 * SECOND_NS
"""2026-11-25T06:55:03Z."""
QUAY = ("5403.1200", "N", "00311.4500", "W")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def sentence(body: str) -> bytes:
    """With its frame and checksum."""
    value = 0
    for octet in body.encode():
        value ^= octet
    return f"${body}*{value:02X}\r\n".encode()


def epoch(
    time_ns: int,
    *,
    fix: bool = True,
    place: tuple[str, str, str, str] = QUAY,
    talker: str = "GN",
    mode: str = "A",
    zda: bool = True,
) -> bytes:
    """All sentences of one second, as a receiver of several systems sends them."""
    at = EPOCH + timedelta(microseconds=time_ns // 1000)
    clock = f"{at:%H%M%S}.{at.microsecond // 10_000:02d}"
    latitude, north, longitude, east = place
    position = f"{latitude},{north},{longitude},{east}" if fix else ",,,"
    status, quality, dimensions = ("A", 1, 3) if fix else ("V", 0, 1)
    satellites = 9 if fix else 0
    bodies = [
        f"{talker}RMC,{clock},{status},{position},0.0,0.0,{at:%d%m%y},,,{mode if fix else 'N'}",
        f"{talker}GGA,{clock},{position},{quality},{satellites:02d},0.9,12.0,M,50.0,M,,",
        f"{talker}GSA,A,{dimensions},04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
    ]
    if zda:
        bodies.append(f"{talker}ZDA,{clock},{at:%d,%m,%Y},00,00")
    return b"".join(map(sentence, bodies))


class StillClock:
    """A host's clock that is `offset_ns` ahead of true time and moves only by `advance`."""

    def __init__(self, true_ns: int = START_NS, offset_ns: int = 0) -> None:
        self.true_ns, self.offset_ns = true_ns, offset_ns
        self.monotonic = 1_000 * SECOND_NS
        self.kernel: KernelClock | None = None

    def advance(self, span_ns: int) -> None:
        self.true_ns += span_ns
        self.monotonic += span_ns

    def realtime_ns(self) -> int:
        return self.true_ns + self.offset_ns

    def monotonic_ns(self) -> int:
        return self.monotonic

    def monotonic_raw_ns(self) -> int:
        return self.monotonic

    def boottime_ns(self) -> int:
        return self.monotonic

    def kernel_to_clock(self, kernel_ns: int) -> int:
        return kernel_ns

    def discipline(self) -> Discipline:
        return Discipline(False, 16 * SECOND_NS, 37)

    def kernel_clock(self) -> KernelClock | None:
        return self.kernel
