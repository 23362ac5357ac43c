"""A satellite receiver's sentences as a source. Rim: joins a stream (reference_streams.py), the clock and the receiver
(gnss_receiver.py).

A sentence comes late: after the second that it speaks of, the receiver reckons, and a serial line of 9600 baud takes a
millisecond an octet. So the offset is known only as well as that delay: `delay` in the mean, never off by more than
`delay_limit`. Alone it is good to tenths of a second; its use is to number the seconds of a pulse. Measure the delay of
your receiver against its pulse and declare it to get more.

Verified on hardware: nothing yet (pseudo-terminals, sockets and files only). To check yours: `cat DEVICE` as the
agent's user shows lines beginning with `$G`; after a minute `noonmark agent --log-level debug` and the collector's
findings show fix and satellites; take the antenna off and the reference leaves *locked* within 5 seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections import Counter, deque
from collections.abc import AsyncIterator, Iterator
from contextlib import aclosing

from noonmark.agent.clocks import Clock
from noonmark.agent.gnss_receiver import GnssReceiver, NmeaSettings, ReceiverTime
from noonmark.agent.nmea import NmeaError, parse
from noonmark.agent.reference import Observation, unusable
from noonmark.agent.reference_places import Place
from noonmark.agent.reference_streams import Chunk, open_stream
from noonmark.proto.reference import SourceNotice

KIND = "nmea"
SILENT_AFTER = 3.0
FIRST_PAUSE, LONGEST_PAUSE = 0.5, 30.0
GARBAGE_AFTER = 20
"""So many bad lines in a row are not a line's noise: the speed is wrong, or this is no receiver."""
EPOCHS_COMPARED = 8
"""As many as RFC 5905's clock filter; an older one's limit has grown by its age."""
LEAST_COMPARED = 3
"""One sentence alone may be late, most of all just after a fix came back."""
PHI = 15e-6
"""Rate at which a clock may go astray (RFC 5905)."""
_LONGEST_LINE = 1024


class LineSplitter:
    """Chunks to lines; a line without an end is given up."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """The lines that are whole now."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > _LONGEST_LINE:
            self._rest = b""
        return (line for line in lines if line.strip(b"\r\0 "))


class NmeaReader:
    """Watches one receiver."""

    def __init__(self, place: Place, clock: Clock, settings: NmeaSettings | None = None) -> None:
        self._place = place
        self._clock = clock
        self._settings = settings or NmeaSettings()
        self._receiver = GnssReceiver(fixed_antenna=self._settings.fixed_antenna)
        self._recent: deque[tuple[int, int]] = deque(maxlen=EPOCHS_COMPARED)
        """Monotonic time and offset, ns, of epochs that were trusted."""
        self._bad_in_a_row = 0
        self.sentences = 0
        self.rejected: Counter[str] = Counter()

    @property
    def name(self) -> str:
        """`nmea:` and the place."""
        return f"{KIND}:{self._place}"

    async def observations(self) -> AsyncIterator[Observation]:
        """One an epoch; one every few seconds that says so while nothing comes."""
        queue: asyncio.Queue[Observation] = asyncio.Queue(64)
        pump = asyncio.create_task(self._pump(queue))
        try:
            while True:
                try:
                    async with asyncio.timeout(SILENT_AFTER):
                        observation = await queue.get()
                except TimeoutError:
                    observation = self._unusable("silent", "no sentence comes")
                yield observation
        finally:
            pump.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await pump

    async def _pump(self, queue: asyncio.Queue[Observation]) -> None:
        pause = FIRST_PAUSE
        while True:
            try:
                async with aclosing(open_stream(self._place)) as chunks:
                    splitter = LineSplitter()
                    async for chunk in chunks:
                        for observation in self.take(splitter, chunk):
                            await queue.put(observation)
                            pause = FIRST_PAUSE
            except OSError as error:
                await queue.put(self._unusable("cannot-read", str(error.strerror or error)))
            await asyncio.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE)

    def take(self, splitter: LineSplitter, chunk: Chunk) -> Iterator[Observation]:
        """What a chunk that came just now completes."""
        host_ns, monotonic_ns = self._clock.realtime_ns(), self._clock.monotonic_ns()
        for line in splitter.feed(chunk.data):
            try:
                sentence = parse(line)
            except NmeaError as error:
                self.rejected[error.reason] += 1
                self._bad_in_a_row += 1
                if self._bad_in_a_row % GARBAGE_AFTER == 0:
                    yield self._unusable("garbage", f"{self._bad_in_a_row} lines in a row make no sense: {error}")
                continue
            self._bad_in_a_row = 0
            self.sentences += 1
            if sentence is None:
                continue
            told = self._receiver.feed(sentence, host_ns=host_ns if chunk.live else None, monotonic_ns=monotonic_ns)
            if told is not None and chunk.live:
                yield self._observation(told, host_ns)

    def clock_set(self) -> None:
        """The host's clock was set: offsets of before no longer hold."""
        self._recent.clear()

    def _observation(self, told: ReceiverTime, host_ns: int) -> Observation:
        figures = {**told.figures, "rejected": float(self.rejected.total())}
        offset, limit = None, self._settings.delay_limit_ns
        if told.time_ns is not None and told.host_ns is not None:
            newest = told.host_ns - told.time_ns - self._settings.delay_ns
            at_ns, offset = self._least_late(newest, told)
            limit += math.ceil(PHI * (told.monotonic_ns - at_ns))
            figures["late_ns"] = float(newest - offset)
        known = offset is not None
        return Observation(
            self.name,
            KIND,
            told.host_ns or host_ns,
            told.monotonic_ns,
            usable=told.trusted and known and len(self._recent) >= LEAST_COMPARED,
            offset_ns=offset,
            uncertainty_ns=math.ceil(limit / math.sqrt(3)) if known else None,
            limit_ns=limit if known else None,
            notices=told.notices,
            figures=figures,
        )

    def _least_late(self, newest: int, told: ReceiverTime) -> tuple[int, int]:
        """The epoch that came least late of the last few, its monotonic time and offset: a busy host reads sentences
        later than the receiver's own delay explains, and never sooner."""
        if not told.trusted:
            self._recent.clear()
            return told.monotonic_ns, newest
        self._recent.append((told.monotonic_ns, newest))
        return min(self._recent, key=lambda one: (one[1], -one[0]))

    def _unusable(self, kind: str, text: str) -> Observation:
        notice = SourceNotice(kind, text)
        return unusable(self.name, KIND, self._clock.realtime_ns(), self._clock.monotonic_ns(), notice)
