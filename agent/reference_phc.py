"""A PTP hardware clock of a network card as a source, by the kernel's own comparison. Rim: opens and asks.

The kernel reads card and host one after the other, several times (the extended request, Linux 5.0; before that the
basic one, whose neighbours share readings); the sample with the shortest reading counts. That the card follows a PTP
master is for whoever keeps it to know: the kernel does not tell, so its uncertainty is declared, and standing still or
jumping is all that can be noticed here.

Verified on hardware: nothing yet (recorded structures only). To check yours: `/sys/class/net/INTERFACE/device/ptp`
names the device; its group must be one of the agent's user's, and reading must be allowed (`ls -l /dev/ptp0`); the
source's `reading_ns` is some microseconds, and its offset is near zero, not near 37 s (then it counts UTC: say so).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import math
import os
from collections.abc import AsyncIterator, Callable

from noonmark.agent.clocks import Clock
from noonmark.agent.gnss_guards import TimeGuard
from noonmark.agent.hardware_clock import (
    PRECISE_LENGTH,
    PTP_SYS_OFFSET,
    PTP_SYS_OFFSET_EXTENDED,
    PTP_SYS_OFFSET_PRECISE,
    SECOND_NS,
    Comparison,
    decode_basic,
    decode_extended,
    decode_precise,
    encode_request,
    narrowest,
    scale_notice,
)
from noonmark.agent.reference import Observation, unusable
from noonmark.proto.reference import SourceNotice

KIND = "phc"
LOOK_EVERY = 1.0
PAUSE = 5.0
SAMPLES = 9
JUMP_NS = 20_000_000
"""The monotonic clock is read beside the comparison, not within it."""
_UNKNOWN_REQUEST = frozenset({errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL})


class HardwareClock:
    """One open /dev/ptpN. Raises OSError if it cannot be opened or compared."""

    def __init__(self, path: str) -> None:
        self._descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        self._extended = True
        self._precise = True

    def compare(self) -> list[Comparison]:
        """Some readings of card and host. Raises OSError or ValueError."""
        if self._extended:
            try:
                return decode_extended(self._ask(PTP_SYS_OFFSET_EXTENDED, encode_request(SAMPLES, extended=True)))
            except OSError as error:
                if error.errno not in _UNKNOWN_REQUEST:
                    raise
                self._extended = False
        return decode_basic(self._ask(PTP_SYS_OFFSET, encode_request(SAMPLES, extended=False)))

    def compare_best(self) -> Comparison | None:
        """Card and host caught at once by hardware where both can, else the narrowest reading; None if there is none.
        Raises OSError or ValueError."""
        if self._precise:
            try:
                return decode_precise(self._ask(PTP_SYS_OFFSET_PRECISE, bytearray(PRECISE_LENGTH)))
            except OSError as error:
                if error.errno not in _UNKNOWN_REQUEST:
                    raise
                self._precise = False
        return narrowest(self.compare())

    def _ask(self, request: int, data: bytearray) -> bytearray:
        fcntl.ioctl(self._descriptor, request, data, True)
        return data

    def close(self) -> None:
        """Give the descriptor back."""
        os.close(self._descriptor)


class HardwareClockReader:
    """Watches one card. `declared` is its own standard uncertainty and limit (ns); `tai_minus_utc` tells seconds."""

    def __init__(
        self,
        path: str,
        clock: Clock,
        declared: tuple[int, int],
        *,
        counts_tai: bool = True,
        tai_minus_utc: Callable[[int], int],
        open_device: Callable[[str], HardwareClock] = HardwareClock,
    ) -> None:
        self._path = path
        self._clock = clock
        self._declared = declared
        self._counts_tai = counts_tai
        self._tai_minus_utc = tai_minus_utc
        self._open_device = open_device
        self._guard = TimeGuard(JUMP_NS, in_steps=False)
        self._last_card_ns: int | None = None

    @property
    def name(self) -> str:
        """`phc:` and the path."""
        return f"{KIND}:{self._path}"

    async def observations(self) -> AsyncIterator[Observation]:
        """Once a second."""
        while True:
            try:
                with contextlib.closing(self._open_device(self._path)) as device:
                    while True:
                        yield self.observe(device.compare())
                        await asyncio.sleep(LOOK_EVERY)
            except (OSError, ValueError) as error:
                text = str(getattr(error, "strerror", None) or error)
                yield self._unusable("cannot-read", text)
            await asyncio.sleep(PAUSE)

    def observe(self, comparisons: list[Comparison]) -> Observation:
        """What the kernel's comparison tells now."""
        host_ns, now = self._clock.realtime_ns(), self._clock.monotonic_ns()
        best = narrowest(comparisons)
        if best is None:
            return self._unusable("clock-set", "the host's clock went backwards meanwhile")
        best = Comparison(
            self._clock.kernel_to_clock(best.before_ns), best.card_ns, self._clock.kernel_to_clock(best.after_ns)
        )
        tai_minus_utc_s = self._tai_minus_utc(host_ns)
        offset = best.offset_ns(tai_minus_utc_s if self._counts_tai else 0)
        notices = self._objections(best, offset, tai_minus_utc_s, now)
        uncertainty, limit = self._declared
        half = best.width_ns / 2
        return Observation(
            self.name,
            KIND,
            host_ns,
            now,
            usable=not notices and self._guard.steady,
            offset_ns=offset,
            uncertainty_ns=math.ceil(math.hypot(uncertainty, half / math.sqrt(3))),
            limit_ns=limit + math.ceil(half),
            declared_uncertainty_ns=uncertainty,
            declared_limit_ns=limit,
            notices=notices,
            figures={"reading_ns": float(best.width_ns), "samples": float(len(comparisons))},
        )

    def _objections(self, best: Comparison, offset: int, tai_minus_utc_s: int, now: int) -> tuple[SourceNotice, ...]:
        notices = []
        if best.card_ns == self._last_card_ns:
            notices.append(SourceNotice("time-frozen", "its clock stands still"))
        self._last_card_ns = best.card_ns
        notices += self._guard.follow(best.card_ns, now)
        wrong_scale = scale_notice(offset, tai_minus_utc_s, self._counts_tai)
        if wrong_scale:
            notices.append(SourceNotice("wrong-scale", wrong_scale, round(offset / SECOND_NS) * SECOND_NS))
        return tuple(notices)

    def _unusable(self, kind: str, text: str) -> Observation:
        notice = SourceNotice(kind, text)
        return unusable(self.name, KIND, self._clock.realtime_ns(), self._clock.monotonic_ns(), notice)
