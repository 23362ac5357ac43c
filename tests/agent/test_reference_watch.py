from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from ntp_server import NtpServer
from receivers import SECOND_NS, StillClock

from noonmark.agent.clocks import SystemClock
from noonmark.agent.reference import Observation
from noonmark.agent.reference_config import Device, ReferenceConfig
from noonmark.agent.reference_watch import LEAPS_EVERY_NS, Leaps, ReferenceWatch, load_leaps
from noonmark.proto.leap_seconds import NTP_TO_UNIX_S, LeapList
from noonmark.proto.options import HostPort
from noonmark.proto.records import ClockEvent, ClockEventKind, ProbeRecord
from noonmark.proto.reference import KernelClock, ReferenceState, Verdict
from noonmark.proto.reference_messages import status_from_message

LEAPS = Leaps(LeapList((0,), (37,), 1 << 40))


class Script:
    """A reader that says what it is given, then fails."""

    name = "pps:script"

    def __init__(self, *observations: Observation) -> None:
        self.left = list(observations)
        self.forgot = 0

    async def observations(self) -> AsyncIterator[Observation]:
        while self.left:
            yield self.left.pop(0)
        raise RuntimeError("a fault of the reader's own")

    def clock_set(self) -> None:
        self.forgot += 1


class Bench:
    def __init__(self, **config: object) -> None:
        self.clock = StillClock()
        self.clock.kernel = KernelClock(True, 900_000, 100_000, 0.0)
        self.changes = 0
        self.reader = Script()
        self.watch = ReferenceWatch(
            ReferenceConfig(oscillator="ocxo", **config),  # type: ignore[arg-type]
            self.clock,
            on_records=lambda records: None,
            epoch=lambda: 1,
            on_change=self.changed,
            readers=[self.reader],
            leaps=LEAPS,
        )

    def changed(self) -> None:
        self.changes += 1

    def seconds(self, count: int, *, good: bool, offset_ns: int = 300) -> ReferenceState:
        for _ in range(count):
            self.clock.advance(SECOND_NS)
            self.watch.take(
                Observation(
                    "pps:script",
                    "pps",
                    self.clock.realtime_ns(),
                    self.clock.monotonic_ns(),
                    good,
                    offset_ns,
                    100,
                    500,
                )
            )
            self.watch.look()
        status = self.watch.status()
        assert status is not None
        return status.state


def test_a_reference_locks_holds_over_and_returns() -> None:
    bench = Bench()
    assert bench.seconds(12, good=True) is ReferenceState.LOCKED
    assert bench.seconds(8, good=False) is ReferenceState.HOLDOVER
    status = bench.watch.status()
    assert status is not None
    assert (status.source, status.oscillator) == ("pps:script", "ocxo")
    assert [source.verdict for source in status.sources] == [Verdict.UNUSABLE]
    assert bench.seconds(12, good=True) is ReferenceState.LOCKED
    assert bench.changes == 3, "each change is told at once"


def test_a_clock_event_forgets_what_was_compared() -> None:
    bench = Bench()
    bench.seconds(12, good=True)
    bench.watch.clock_event(ClockEvent(ClockEventKind.STEP, 2, 0, 5_000_000))
    assert bench.reader.forgot == 1
    bench.clock.advance(SECOND_NS)
    bench.watch.look()
    status = bench.watch.status()
    assert status is not None
    assert (status.state, status.sources) == (ReferenceState.LOCKED, ())
    assert status.uncertainty_ns is not None
    assert status.uncertainty_ns >= 5_000_000


def test_messages_tell_the_status_each_time_and_the_kernel_when_it_is_news() -> None:
    bench = Bench()
    bench.seconds(12, good=True)
    kinds = [message.WhichOneof("body") for message in bench.watch.messages(True)]
    assert kinds == ["reference", "kernel_clock"]
    (message,) = bench.watch.messages(False)
    assert status_from_message(message.reference) == bench.watch.status()
    bench.clock.kernel = KernelClock(False, 900_000, 100_000, 0.0)
    bench.seconds(9, good=True)
    assert [message.WhichOneof("body") for message in bench.watch.messages(False)] == ["reference", "kernel_clock"]
    bench.seconds(70, good=True)
    assert len(bench.watch.messages(False)) == 2, "and once a minute"


def test_a_host_without_sources_tells_its_kernels_view_only() -> None:
    clock = StillClock()
    clock.kernel = KernelClock(True, 900_000, 100_000, 0.0)
    watch = ReferenceWatch(ReferenceConfig(), clock, on_records=lambda records: None, epoch=lambda: 1)
    watch.look()
    assert watch.status() is None
    assert [message.WhichOneof("body") for message in watch.messages(False)] == ["kernel_clock"]


def test_sources_that_disagree_are_told() -> None:
    bench = Bench()
    now = bench.clock.monotonic_ns()
    for name, offset in (("ntp:a", 0), ("ntp:b", 10**9)):
        bench.watch.take(Observation(name, "ntp", 0, now, True, offset, 10, 50))
    bench.watch.look()
    status = bench.watch.status()
    assert status is not None
    assert [notice.kind for notice in status.notices] == ["sources-disagree"]


def test_a_reader_that_fails_is_logged_and_the_watch_goes_on(caplog: pytest.LogCaptureFixture) -> None:
    clock = SystemClock()
    reader = Script(Observation("pps:script", "pps", 0, clock.monotonic_ns(), False))

    async def body() -> None:
        watch = ReferenceWatch(
            ReferenceConfig(),
            clock,
            on_records=lambda records: None,
            epoch=lambda: 1,
            readers=[reader],
            leaps=LEAPS,
        )
        task = asyncio.create_task(watch.run())
        while "a reader failed" not in caplog.text:
            await asyncio.sleep(0)
        assert not task.done()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    async def bounded() -> None:
        async with asyncio.timeout(20):
            await body()

    asyncio.run(bounded())


@pytest.mark.sockets
def test_an_ntp_server_is_followed_and_measured() -> None:
    async def body() -> None:
        server = await NtpServer(offset_ns=-40_000_000).start()
        records: list[ProbeRecord] = []
        changed = asyncio.Event()
        watch = ReferenceWatch(
            ReferenceConfig(ntp=(HostPort("127.0.0.1", server.port),), lock_after=0.0),
            SystemClock(),
            on_records=records.extend,
            epoch=lambda: 3,
            on_change=changed.set,
            leaps=LEAPS,
        )
        task = asyncio.create_task(watch.run())
        async with asyncio.timeout(20):
            await changed.wait()
        task.cancel()
        server.close()
        status = watch.status()
        assert status is not None
        assert status.state is ReferenceState.LOCKED
        assert status.source == records[0].destination
        assert status.uncertainty_ns == pytest.approx(40_000_000, rel=0.1)
        assert abs(status.offset_ns or 0) <= (status.limit_ns or 0)
        (source,) = status.sources
        assert source.declared_limit_ns is not None

    asyncio.run(body())


NEWER = "#@ 4200000000\n3692217600 37\n4100000000 38\n"


def test_the_list_that_expires_later_is_used(tmp_path: Path) -> None:
    system = tmp_path / "leap-seconds.list"
    assert load_leaps("", system).known.tai_minus_utc_s[-1] == 37, "no list of the system's"
    system.write_text(NEWER)
    assert load_leaps("", system).known.tai_minus_utc_s[-1] == 38
    system.write_text("#@ 3700000000\n3692217600 37\n")
    assert len(load_leaps("", system).known.from_s) == 28, "an older one gives way to the shipped one"
    assert len(load_leaps(str(system)).known.from_s) == 1, "the one that is named is used"


def test_a_newer_list_is_taken_up_without_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "leap-seconds.list"
    path.write_text("#@ 3700000000\n3692217600 37\n")
    clock = StillClock()
    config = ReferenceConfig(phc=(Device("/dev/ptp0", "tai", (250, 1000)),), leap_list=str(path))
    watch = ReferenceWatch(config, clock, on_records=lambda records: None, epoch=lambda: 1)
    watch.look()
    path.write_text(NEWER)
    clock.advance(LEAPS_EVERY_NS - 1)
    watch.look()
    assert watch.leaps.known.tai_minus_utc_s[-1] == 37
    clock.advance(1)
    watch.look()
    assert watch.leaps.known.tai_minus_utc_s[-1] == 38
    # The reader of a card that counts TAI goes by the newer one too.
    (reader,) = watch._readers
    assert reader._tai_minus_utc((4_100_000_000 - NTP_TO_UNIX_S) * SECOND_NS) == 38  # type: ignore[attr-defined]


def test_a_named_list_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    leaps = load_leaps(str(tmp_path / "none"))
    assert [notice.kind for notice in leaps.notices] == ["leap-list-unreadable"]
    (tmp_path / "bad").write_text("hello")
    assert "line 1" in load_leaps(str(tmp_path / "bad")).notices[0].text
