"""A pulse per second as a source, by the Linux PPS interface (RFC 2783). Rim: opens the device and asks the kernel.

The kernel stamps each pulse as its interrupt comes, so asking twice a second loses nothing. The stamp is late by the
interrupt's latency, some microseconds, and by the cable: both belong to the declared uncertainty.

Verified on hardware: nothing yet (recorded structures only). To check yours: `ls -l /dev/pps0` names a group that the
agent's user is in; `/sys/class/pps/pps0/assert` shows a new number each second; the source's jitter is some
microseconds. A receiver without a fix may pulse all the same: give it together with its sentences.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import math
import os
from collections.abc import AsyncIterator, Callable

from noonmark.agent.clocks import Clock
from noonmark.agent.pulses import PPS_FETCH, Edge, PulseTrain, decode_fetch, encode_fetch
from noonmark.agent.reference import Observation, unusable
from noonmark.proto.reference import SourceNotice

KIND = "pps"
LOOK_EVERY = 0.5
PAUSE = 5.0


class PulseDevice:
    """One open /dev/ppsN. Raises OSError if it cannot be opened or is none."""

    def __init__(self, path: str) -> None:
        self._descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def fetch(self) -> bytes:
        """struct pps_fdata as the kernel fills it, without waiting."""
        data = encode_fetch()
        fcntl.ioctl(self._descriptor, PPS_FETCH, data, True)
        return bytes(data)

    def close(self) -> None:
        """Give the descriptor back."""
        os.close(self._descriptor)


class PulseReader:
    """Watches one device. `declared` is the pulse's own standard uncertainty and limit (ns)."""

    def __init__(
        self,
        path: str,
        clock: Clock,
        declared: tuple[int, int],
        *,
        clear: bool = False,
        open_device: Callable[[str], PulseDevice] = PulseDevice,
        look_every: float = LOOK_EVERY,
    ) -> None:
        self._path = path
        self._clock = clock
        self._declared = declared
        self._clear = clear
        self._open_device = open_device
        self._look_every = look_every
        self.train = PulseTrain()

    @property
    def name(self) -> str:
        """`pps:` and the path."""
        return f"{KIND}:{self._path}"

    async def observations(self) -> AsyncIterator[Observation]:
        """Twice a second."""
        while True:
            try:
                device = self._open_device(self._path)
            except OSError as error:
                yield self._unusable("cannot-read", str(error.strerror or error))
                await asyncio.sleep(PAUSE)
                continue
            with contextlib.closing(device):
                while (observation := self._look(device)) is not None:
                    yield observation
                    await asyncio.sleep(self._look_every)
            yield self._unusable("cannot-read", "the kernel does not tell of its pulses: is it a PPS device?")
            await asyncio.sleep(PAUSE)

    def _look(self, device: PulseDevice) -> Observation | None:
        """None if the device does not answer as it should."""
        try:
            edge = decode_fetch(device.fetch(), clear=self._clear)
        except (OSError, ValueError):
            return None
        return self.observe(edge.sequence, edge.time_ns)

    def observe(self, sequence: int, kernel_ns: int) -> Observation:
        """What the newest pulse tells, by the kernel's number and stamp of it."""
        host_ns, now = self._clock.realtime_ns(), self._clock.monotonic_ns()
        report = self.train.look(Edge(sequence, self._clock.kernel_to_clock(kernel_ns)), monotonic_ns=now)
        uncertainty, limit = self._declared
        known = report.offset_ns is not None
        return Observation(
            self.name,
            KIND,
            host_ns,
            now,
            usable=report.present,
            offset_ns=report.offset_ns,
            uncertainty_ns=math.ceil(math.hypot(uncertainty, report.jitter_ns)) if known else None,
            limit_ns=limit + math.ceil(5 * report.jitter_ns) if known else None,
            declared_uncertainty_ns=uncertainty,
            declared_limit_ns=limit,
            modulo_second=True,
            notices=report.notices,
            figures=report.figures,
        )

    def clock_set(self) -> None:
        """The host's clock was set."""
        self.train.clock_set()

    def _unusable(self, kind: str, text: str) -> Observation:
        notice = SourceNotice(kind, text)
        return unusable(self.name, KIND, self._clock.realtime_ns(), self._clock.monotonic_ns(), notice)
