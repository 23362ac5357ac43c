"""Runs a host's readers, weighs what they say once a second, and keeps the state of the reference. Rim.

It decides nothing of its own: sources are weighed by reference_selection.py, the state follows reference_state.py,
leap seconds are reference_leaps.py's. A reader that fails by a fault of its own is logged and started again; the
others do not notice. Only the newest observation of each source is kept, so nothing here grows.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from noonmark.agent.clocks import Clock
from noonmark.agent.reference import Observation, Reader
from noonmark.agent.reference_config import ReferenceConfig
from noonmark.agent.reference_leaps import leap_notices
from noonmark.agent.reference_selection import Judgement, judge_sources, reports
from noonmark.agent.reference_state import Standing, advance, start, status
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.leap_seconds import LeapList, LeapListError, parse_leap_list
from noonmark.proto.records import ClockEvent, ProbeRecord
from noonmark.proto.reference import KernelClock, ReferenceState, ReferenceStatus, SourceNotice
from noonmark.proto.reference_messages import kernel_clock_to_message, status_to_message

log = logging.getLogger("noonmark.agent.reference")

LOOK_EVERY = 1.0
KERNEL_EVERY_NS = 8_000_000_000
TELL_KERNEL_EVERY_NS = 60_000_000_000
RESTART_AFTER = 10.0
LEAPS_EVERY_NS = 3_600_000_000_000
"""A newer list of leap seconds is to be taken up without a restart."""
SYSTEM_LEAP_LIST = Path("/usr/share/zoneinfo/leap-seconds.list")


@dataclass(frozen=True, slots=True)
class Leaps:
    """The list of leap seconds in use, and what was wrong with finding it."""

    known: LeapList
    notices: tuple[SourceNotice, ...] = ()


NO_LEAPS = Leaps(LeapList((0,), (37,), 1 << 40))


def load_leaps(path: str, system: Path = SYSTEM_LEAP_LIST) -> Leaps:
    """The list named, else the one of the shipped and the system's that expires later."""
    from importlib.resources import files  # only here: most hosts have no reference, and the agent is to stay small

    shipped = parse_leap_list((files("noonmark.proto") / "leap-seconds.list").read_text(encoding="ascii"))
    where = Path(path) if path else system
    try:
        found = parse_leap_list(where.read_text(encoding="utf-8", errors="replace"))
    except (OSError, LeapListError) as error:
        if not path:
            return Leaps(shipped)
        reason = getattr(error, "strerror", None) or error
        notice = SourceNotice("leap-list-unreadable", f"{path}: {reason}; the shipped list is used")
        return Leaps(shipped, (notice,))
    return Leaps(found if path or found.expires_s > shipped.expires_s else shipped)


class ReferenceWatch:
    """All references of one host, and its kernel's view, which every host has."""

    def __init__(
        self,
        config: ReferenceConfig,
        clock: Clock,
        *,
        on_records: Callable[[Sequence[ProbeRecord]], None],
        epoch: Callable[[], int],
        on_change: Callable[[], None] = lambda: None,
        readers: Sequence[Reader] | None = None,
        leaps: Leaps | None = None,
    ) -> None:
        self._config = config
        self._clock = clock
        self._on_change = on_change
        # A host without sources has no use for leap seconds.
        self._watches_list = leaps is None and (config.sources or bool(readers))
        self.leaps = load_leaps(config.leap_list) if self._watches_list else leaps or NO_LEAPS
        self._leaps_read_ns = clock.monotonic_ns()
        if readers is None:
            readers = tuple(build_readers(config, clock, self._tai_minus_utc, on_records, epoch))
        self._readers = readers
        self._settings = config.states
        self._newest: dict[str, Observation] = {}
        self._moved_ns = 0
        self._kernel: KernelClock | None = None
        self._kernel_read_ns: int | None = None
        self._kernel_told: tuple[int, KernelClock] | None = None
        self._standing = start(now=clock.monotonic_ns(), host_ns=clock.realtime_ns())
        self._judgement = Judgement(None, {}, ())
        self._notices: tuple[SourceNotice, ...] = self.leaps.notices

    @property
    def standing(self) -> Standing:
        """The state now."""
        return self._standing

    def _tai_minus_utc(self, utc_ns: int) -> int:
        return self.leaps.known.tai_minus_utc(utc_ns)

    async def run(self) -> None:
        """Watch until cancelled."""
        async with asyncio.TaskGroup() as group:
            for reader in self._readers:
                group.create_task(self._follow(reader))
            while True:
                self.look()
                await asyncio.sleep(LOOK_EVERY if self._readers else KERNEL_EVERY_NS / 1e9)

    async def _follow(self, reader: Reader) -> None:
        while True:
            try:
                await self._take_all(reader.observations())
            except Exception:
                log.exception("a reader failed", extra={"fields": {"source": reader.name}})
            await asyncio.sleep(RESTART_AFTER)

    async def _take_all(self, observations: AsyncIterator[Observation]) -> None:
        async for observation in observations:
            self.take(observation)

    def take(self, observation: Observation) -> None:
        """The newest word of a source."""
        before = self._newest.get(observation.source)
        if before is None or before.usable != observation.usable:
            words = "; ".join(notice.text for notice in observation.notices)
            fields = {"source": observation.source, "usable": observation.usable, "says": words}
            log.info("a source changed", extra={"fields": fields})
        self._newest[observation.source] = observation

    def clock_event(self, event: ClockEvent) -> None:
        """The host's clock was set, or the host slept: what was compared before no longer holds."""
        self._moved_ns += event.size_ns
        self._newest.clear()
        for reader in self._readers:
            forget = getattr(reader, "clock_set", None)
            if forget is not None:
                forget()

    def look(self) -> None:
        """Weigh all sources as they are now."""
        now, host_ns = self._clock.monotonic_ns(), self._clock.realtime_ns()
        self._read_kernel(now)
        if not self._readers:
            return
        if self._watches_list and now - self._leaps_read_ns >= LEAPS_EVERY_NS:
            self.leaps, self._leaps_read_ns = load_leaps(self._config.leap_list), now
        kernel = self._kernel
        vouched = kernel.maximum_error_ns if kernel is not None and kernel.synchronized else None
        self._judgement = judge_sources(tuple(self._newest.values()), now=now, kernel_limit_ns=vouched)
        before = self._standing.state
        selected, moved = self._judgement.selected, self._moved_ns
        self._standing = advance(
            self._standing, selected, now=now, host_ns=host_ns, settings=self._settings, moved_ns=moved
        )
        self._moved_ns = 0
        self._notices = self._all_notices(host_ns)
        if self._standing.state is not before:
            self._tell_change(before)

    def _read_kernel(self, now: int) -> None:
        if self._kernel_read_ns is None or now - self._kernel_read_ns >= KERNEL_EVERY_NS:
            self._kernel, self._kernel_read_ns = self._clock.kernel_clock(), now

    def _all_notices(self, host_ns: int) -> tuple[SourceNotice, ...]:
        offset = 0 if self._judgement.selected is None else self._judgement.selected.offset_ns or 0
        notices = leap_notices(self._judgement, self._kernel, self.leaps.known, utc_ns=host_ns - offset)
        if self._judgement.disagreement:
            text = "sources disagree, and no majority tells which of them is right"
            notices = (SourceNotice("sources-disagree", text), *notices)
        return (*self.leaps.notices, *notices)

    def _tell_change(self, before: ReferenceState) -> None:
        fields = {"from": before.label, "to": self._standing.state.label, "source": self._standing.source}
        log.warning("the reference's state changed", extra={"fields": fields})
        self._on_change()

    def status(self) -> ReferenceStatus | None:
        """What the host tells of its references; None: it has none."""
        if not self._readers:
            return None
        now = self._clock.monotonic_ns()
        sources = reports(self._judgement, now=now)
        return status(self._standing, self._settings, sources, self._notices, now=now)

    def messages(self, first: bool) -> list[pb.AgentMessage]:
        """What is due to be told; `first`: on a new connection, where nothing was told yet."""
        due: list[pb.AgentMessage] = []
        now_status = self.status()
        if now_status is not None:
            due.append(pb.AgentMessage(reference=status_to_message(now_status)))
        kernel, now = self._kernel, self._clock.monotonic_ns()
        if kernel is not None and (first or self._kernel_is_news(kernel, now)):
            self._kernel_told = (now, kernel)
            due.append(pb.AgentMessage(kernel_clock=kernel_clock_to_message(kernel)))
        return due

    def _kernel_is_news(self, kernel: KernelClock, now: int) -> bool:
        if self._kernel_told is None:
            return True
        at, told = self._kernel_told
        changed = (kernel.synchronized, kernel.leap, kernel.tai_minus_utc_s, kernel.status) != (
            told.synchronized,
            told.leap,
            told.tai_minus_utc_s,
            told.status,
        )
        return changed or now - at >= TELL_KERNEL_EVERY_NS


def build_readers(
    config: ReferenceConfig,
    clock: Clock,
    tai_minus_utc: Callable[[int], int],
    on_records: Callable[[Sequence[ProbeRecord]], None],
    epoch: Callable[[], int],
) -> Iterator[Reader]:
    """A reader a source; each kind's code is loaded only where it is needed, for the agent is to stay small."""
    if config.nmea:
        from noonmark.agent.reference_nmea import NmeaReader

        for place in config.nmea:
            yield NmeaReader(place, clock, config.receiver)
    if config.pps:
        from noonmark.agent.reference_pps import PulseReader

        for pulse in config.pps:
            yield PulseReader(pulse.path, clock, pulse.declared, clear=pulse.variant == "clear")
    if config.phc:
        from noonmark.agent.reference_phc import HardwareClockReader

        for card in config.phc:
            yield HardwareClockReader(
                card.path,
                clock,
                card.declared,
                counts_tai=card.variant == "tai",
                tai_minus_utc=tai_minus_utc,
            )
    if config.ntp:
        from noonmark.agent.reference_ntp import NtpReader

        yield NtpReader(
            config.ntp,
            clock,
            on_record=lambda record: on_records([record]),
            epoch=epoch,
            settings=config.asking,
        )
