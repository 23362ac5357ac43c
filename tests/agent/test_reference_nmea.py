from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from receivers import QUAY, SECOND_NS, START_NS, StillClock, epoch, sentence

from noonmark.agent.clocks import SystemClock
from noonmark.agent.gnss_guards import WEEKS_1024_NS
from noonmark.agent.gnss_receiver import GnssReceiver, NmeaSettings, ReceiverTime
from noonmark.agent.nmea import FixData, NmeaError, Position, Recommended, parse
from noonmark.agent.reference import Observation
from noonmark.agent.reference_nmea import GARBAGE_AFTER, LineSplitter, NmeaReader
from noonmark.agent.reference_places import Place, parse_place
from noonmark.agent.reference_streams import Chunk

LIMIT = 20.0


class Bench:
    """A receiver and a clock that follow true time."""

    def __init__(self, *, fixed_antenna: bool = True) -> None:
        self.receiver = GnssReceiver(fixed_antenna=fixed_antenna)
        self.clock = StillClock()
        self.latest: ReceiverTime | None = None

    def feed(self, octets: bytes) -> list[ReceiverTime]:
        told = []
        for line in octets.splitlines():
            parsed = parse(line)
            if parsed is not None:
                found = self.receiver.feed(
                    parsed, host_ns=self.clock.realtime_ns(), monotonic_ns=self.clock.monotonic_ns()
                )
                if found is not None:
                    told.append(found)
        return told

    def seconds(self, count: int, *, told_ns: int = 0, **options: object) -> list[ReceiverTime]:
        """So many seconds go by; the receiver's time is `told_ns` ahead of the truth."""
        found = []
        for _ in range(count):
            self.clock.advance(SECOND_NS)
            found += self.feed(epoch(self.clock.true_ns + told_ns, **options))  # type: ignore[arg-type]
        return found

    def locked(self, **options: object) -> Bench:
        assert self.seconds(5, **options)[-1].trusted
        return self


def kinds(told: ReceiverTime) -> list[str]:
    return [notice.kind for notice in told.notices]


def test_a_steady_receiver_is_trusted_from_its_third_epoch() -> None:
    told = Bench().seconds(4)
    assert [one.trusted for one in told] == [False, False, True, True]
    assert told[-1].time_ns == START_NS + 4 * SECOND_NS == told[-1].host_ns
    assert told[-1].figures["satellites"] == 9
    assert told[-1].figures["fix_dimensions"] == 3
    assert kinds(told[-1]) == []


def test_a_lost_fix_is_told_and_not_trusted() -> None:
    bench = Bench().locked()
    told = bench.seconds(1, fix=False)[-1]
    assert (told.trusted, kinds(told)) == (False, ["no-fix"])
    assert bench.seconds(4)[-1].trusted, "and it recovers"


@pytest.mark.parametrize("mode", ["E", "M", "S"])
def test_a_fix_that_is_not_measured_is_none(mode: str) -> None:
    told = Bench().seconds(5, mode=mode)[-1]
    assert (told.trusted, "no-fix" in kinds(told)) == (False, True)


def test_a_receiver_without_any_time_says_so() -> None:
    (told,) = Bench().feed(sentence("GPRMC,,V,,,,,,,,,,N"))
    assert (told.time_ns, told.trusted, kinds(told)) == (None, False, ["no-fix"])


@pytest.mark.parametrize("jump_s", [-3600, -2, 1, 5, 86_400])
def test_a_jump_is_named_with_its_size_until_time_is_steady_again(jump_s: int) -> None:
    bench = Bench().locked()
    told = bench.seconds(4, told_ns=jump_s * SECOND_NS)
    assert [one.trusted for one in told] == [False, False, True, True]
    (notice,) = told[0].notices
    assert (notice.kind, notice.size_ns) == ("time-jump", jump_s * SECOND_NS)


def test_a_single_wrong_second_is_never_believed() -> None:
    bench = Bench().locked()
    assert not any(told.trusted for told in bench.seconds(1, told_ns=SECOND_NS))
    after = bench.seconds(3)
    assert [told.trusted for told in after] == [True, True], "and costs the second beside it at most"
    assert after[-1].time_ns == bench.clock.true_ns


@pytest.mark.parametrize("off_ms", [20, 300, -400])
def test_a_time_between_the_seconds_is_not_believed_of_a_receiver_that_tells_whole_ones(off_ms: int) -> None:
    bench = Bench().locked()
    assert not any(told.trusted for told in bench.seconds(1, told_ns=off_ms * 1_000_000))
    assert bench.seconds(2)[-1].trusted


def test_a_receiver_that_tells_thirds_of_a_second_is_believed() -> None:
    bench, told = Bench(), []
    for third in range(12):
        bench.clock.advance(SECOND_NS // 3)
        at = START_NS + third // 3 * SECOND_NS + third % 3 * 330_000_000
        told += bench.feed(epoch(at))
    assert told[-1].trusted


def test_time_that_stands_still_is_noticed() -> None:
    bench = Bench().locked()
    stuck = epoch(bench.clock.true_ns)
    told: list[ReceiverTime] = []
    for _ in range(4):
        bench.clock.advance(SECOND_NS)
        told += bench.feed(stuck)
    assert told
    assert not any(one.trusted for one in told)
    assert "time-frozen" in kinds(told[-1])


def test_a_leap_second_is_no_jump() -> None:
    bench = Bench()
    bench.clock.true_ns = 1_798_761_595 * SECOND_NS  # 2026-12-31T23:59:55Z
    assert bench.seconds(4)[-1].trusted
    leap = sentence("GNRMC,235960.00,A,5403.1200,N,00311.4500,W,0.0,0.0,311226,,,A")
    bench.clock.monotonic += SECOND_NS  # POSIX time stands still
    (told,) = bench.feed(leap)
    assert (told.trusted, kinds(told)) == (False, ["leap-second"])
    after = bench.seconds(1)[-1]
    assert (after.trusted, kinds(after)) == (True, [])


@pytest.mark.parametrize("cycles", [-1, 1, 2])
def test_a_wrong_cycle_of_weeks_is_named_and_not_believed(cycles: int) -> None:
    bench = Bench()
    told = bench.seconds(5, told_ns=-cycles * WEEKS_1024_NS)[-1]
    assert not told.trusted
    (notice,) = told.notices
    assert (notice.kind, notice.size_ns) == ("week-rollover", -cycles * WEEKS_1024_NS)


def test_a_date_of_long_ago_is_not_believed_even_if_the_host_shares_it() -> None:
    bench = Bench()
    bench.clock.true_ns = 1_000_000_000 * SECOND_NS
    told = bench.seconds(5)[-1]
    assert (told.trusted, kinds(told)) == (False, ["date-past"])


def test_a_fixed_antenna_that_travels_is_a_contradiction() -> None:
    bench = Bench().locked()
    away = ("5404.1200", *QUAY[1:])
    told = bench.seconds(4, place=away)
    assert kinds(told[-1]) == ["antenna-moved"]
    assert not told[-1].trusted
    assert told[-1].figures["moved_m"] == pytest.approx(1853, rel=0.01), "a minute of latitude is a nautical mile"
    assert bench.seconds(2)[-1].trusted
    moving = Bench(fixed_antenna=False).locked()
    assert moving.seconds(4, place=away)[-1].trusted


def test_an_antenna_that_stays_elsewhere_is_at_home_there() -> None:
    bench = Bench().locked()
    away = ("5404.1200", *QUAY[1:])
    bench.seconds(3590, place=away)
    assert not bench.seconds(1, place=away)[-1].trusted
    assert bench.seconds(20, place=away)[-1].trusted


@pytest.mark.parametrize("talker", ["GP", "GL", "GA", "GB", "GN"])
def test_every_system_is_understood(talker: str) -> None:
    assert Bench().seconds(4, talker=talker)[-1].trusted


def test_a_stream_without_dates_tells_nothing() -> None:
    assert Bench().feed(sentence("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")) == []


# --- the reader


def reader(clock: StillClock, **settings: int) -> NmeaReader:
    return NmeaReader(Place("file", "here"), clock, NmeaSettings(**settings))


def test_an_observation_takes_the_delay_off() -> None:
    clock = StillClock(offset_ns=7_000_000)
    watched, splitter = reader(clock, delay_ns=120_000_000, delay_limit_ns=30_000_000), LineSplitter()
    found: list[Observation] = []
    for _ in range(5):
        clock.advance(SECOND_NS)
        told = epoch(clock.true_ns)
        clock.advance(130_000_000)
        found += watched.take(splitter, Chunk(told))
        clock.advance(-130_000_000)
    assert found[-1].usable
    assert found[-1].offset_ns == 17_000_000, "7 ms ahead, and 10 ms later than declared"
    assert (found[-1].limit_ns, found[-1].uncertainty_ns) == (30_000_000, 17_320_509)


def test_a_busy_host_that_reads_late_does_not_accuse_its_receiver() -> None:
    """True time stays within the observation's limit however late the sentences are read, and a clock that is set
    begins anew."""
    clock = StillClock(offset_ns=7_000_000)
    watched, splitter = reader(clock, delay_ns=120_000_000, delay_limit_ns=30_000_000), LineSplitter()
    late_ms = [0, 0, 90, 0, 5, 210, 440, 700, 450, 30, 0]
    usable = 0
    for late in late_ms:
        clock.advance(SECOND_NS)
        told = epoch(clock.true_ns)
        clock.advance(120_000_000 + late * 1_000_000)
        (observation,) = watched.take(splitter, Chunk(told))
        clock.advance(-120_000_000 - late * 1_000_000)
        usable += observation.usable
        assert observation.offset_ns is not None
        assert observation.limit_ns is not None
        if observation.usable:
            assert abs(observation.offset_ns - clock.offset_ns) <= observation.limit_ns
            assert observation.limit_ns <= 30_000_000 + 8 * 15_000 + 10
            assert observation.figures["late_ns"] == pytest.approx(late * 1e6, abs=1)
    assert usable == len(late_ms) - 4, "trusted from its third epoch on, used from the third of those"
    clock.offset_ns += 50_000_000
    watched.clock_set()
    clock.advance(SECOND_NS + 120_000_000)
    (observation,) = watched.take(splitter, Chunk(epoch(clock.true_ns - 120_000_000)))
    assert observation.offset_ns == 57_000_000


def test_a_recording_sets_the_state_and_is_no_observation() -> None:
    clock = StillClock()
    watched, splitter = reader(clock), LineSplitter()
    assert list(watched.take(splitter, Chunk(epoch(START_NS), live=False))) == []
    assert watched.sentences == 4


def test_lines_that_make_no_sense_are_counted_and_told() -> None:
    clock = StillClock()
    watched, splitter = reader(clock), LineSplitter()
    found = list(watched.take(splitter, Chunk(b"\xff\xfe!\n" * GARBAGE_AFTER)))
    assert watched.rejected["no-sentence"] == GARBAGE_AFTER
    assert [notice.kind for one in found for notice in one.notices] == ["garbage"]


def test_a_sentence_in_pieces_is_whole_and_an_endless_one_is_given_up() -> None:
    splitter = LineSplitter()
    assert list(splitter.feed(b"$GPGGA,12")) == []
    assert list(splitter.feed(b"3519\r\n$x")) == [b"$GPGGA,123519\r"]
    assert list(splitter.feed(b"y" * 2000)) == []
    assert list(splitter.feed(b"z\n$a\n")) == [b"z", b"$a"]


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("/dev/ttyS0", Place("serial", "/dev/ttyS0", 9600)),
        ("serial:/dev/ttyUSB1@115200", Place("serial", "/dev/ttyUSB1", 115_200)),
        ("tcp:quay-gnss:10110", Place("tcp", "quay-gnss", 10_110)),
        ("udp:[::1]:10110", Place("udp", "::1", 10_110)),
        ("file:/run/gnss.nmea", Place("file", "/run/gnss.nmea")),
    ],
)
def test_places(text: str, place: Place) -> None:
    assert parse_place(text) == place


@pytest.mark.parametrize("text", ["", "ttyS0", "serial:", "serial:/dev/x@fast", "tcp:quay", "usb:1", "file:"])
def test_a_place_that_is_none_is_refused_with_the_remedy(text: str) -> None:
    with pytest.raises(ValueError, match="use "):
        parse_place(text)


# --- real streams


async def first(watched: NmeaReader, wanted: Callable[[Observation], bool]) -> Observation:
    stream = watched.observations()
    try:
        async for observation in stream:
            if wanted(observation):
                return observation
    finally:
        await stream.aclose()  # type: ignore[attr-defined]
    raise AssertionError("the reader ended")


def fitting(observation: Observation) -> bool:
    return observation.offset_ns is not None


def now_told() -> bytes:
    """The present second's sentences."""
    return epoch(SystemClock.realtime_ns() // SECOND_NS * SECOND_NS)


@pytest.mark.sockets
def test_a_pseudo_terminal_is_read_as_a_serial_device() -> None:
    ours, theirs = os.openpty()
    path = os.ttyname(theirs)

    async def body() -> None:
        async with asyncio.timeout(LIMIT):
            watched = NmeaReader(parse_place(f"serial:{path}@9600"), SystemClock())
            asyncio.get_running_loop().call_later(0.1, os.write, ours, now_told())
            observation = await first(watched, fitting)
            assert observation.source == f"nmea:{path}"
            assert -1_000_000_000 < (observation.offset_ns or 0) < 1_000_000_000

    try:
        asyncio.run(body())
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.sockets
def test_a_serial_device_that_is_not_there_is_an_observation_and_no_error() -> None:
    async def body() -> None:
        async with asyncio.timeout(LIMIT):
            watched = NmeaReader(parse_place("serial:/dev/no-such-device"), SystemClock())
            observation = await first(watched, lambda one: bool(one.notices))
            assert (observation.usable, observation.notices[0].kind) == (False, "cannot-read")

    asyncio.run(body())


@pytest.mark.sockets
def test_a_tcp_stream_is_read_and_connected_to_again_when_it_breaks() -> None:
    async def body() -> None:
        connections = 0

        async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            nonlocal connections
            connections += 1
            if connections > 1:
                writer.write(now_told())
                await writer.drain()
            writer.close()

        async with asyncio.timeout(LIMIT), await asyncio.start_server(serve, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            observation = await first(NmeaReader(parse_place(f"tcp:127.0.0.1:{port}"), SystemClock()), fitting)
            assert observation.source == f"nmea:tcp:127.0.0.1:{port}"
            assert connections == 2

    asyncio.run(body())


@pytest.mark.sockets
def test_udp_datagrams_are_read() -> None:
    async def body() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:

            def send() -> None:
                for line in now_told().splitlines():
                    sender.sendto(line, ("127.0.0.1", port))

            async with asyncio.timeout(LIMIT):
                asyncio.get_running_loop().call_later(0.2, send)
                watched = NmeaReader(parse_place(f"udp:127.0.0.1:{port}"), SystemClock())
                assert (await first(watched, fitting)).kind == "nmea"

    asyncio.run(body())


@pytest.mark.sockets
def test_a_file_is_followed_from_where_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "quay.nmea"
    path.write_bytes(epoch(START_NS))

    async def body() -> None:
        async with asyncio.timeout(LIMIT):

            def grow() -> None:
                with path.open("ab") as file:
                    file.write(now_told())

            asyncio.get_running_loop().call_later(0.3, grow)
            observation = await first(NmeaReader(parse_place(f"file:{path}"), SystemClock()), fitting)
            assert abs(observation.offset_ns or 0) < SECOND_NS, "what lay there before is not compared"

    asyncio.run(body())


@pytest.mark.sockets
def test_a_named_pipe_is_read(tmp_path: Path) -> None:
    path = tmp_path / "quay.pipe"
    os.mkfifo(path)

    async def body() -> None:
        async with asyncio.timeout(LIMIT):

            def write() -> None:
                descriptor = os.open(path, os.O_WRONLY | os.O_NONBLOCK)
                os.write(descriptor, now_told())
                os.close(descriptor)

            asyncio.get_running_loop().call_later(0.3, write)
            assert (await first(NmeaReader(parse_place(f"file:{path}"), SystemClock()), fitting)).kind == "nmea"

    asyncio.run(body())


# --- fuzz

GOOD = epoch(START_NS)


@given(st.binary(max_size=150))
def test_any_line_is_a_sentence_none_or_refused(line: bytes) -> None:
    with contextlib.suppress(NmeaError):
        parse(line)


BODY = st.text(alphabet="0123456789.,AVNSEWMDRFP-", max_size=80)


@given(st.sampled_from(["RMC", "GGA", "GSA", "ZDA", "GNS"]), BODY)
def test_any_fields_under_a_right_checksum_are_read_or_refused(kind: str, fields: str) -> None:
    try:
        found = parse(sentence(f"GN{kind},{fields}"))
    except NmeaError:
        return
    assert found is not None
    if isinstance(found, Recommended | FixData) and found.position is not None:
        assert abs(found.position.latitude) <= 90
        assert abs(found.position.longitude) <= 180


@given(st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), min_size=1, max_size=4))
def test_no_mutation_makes_a_wrong_time_trusted(changes: list[tuple[int, int]]) -> None:
    bench = Bench().locked()
    bench.clock.advance(SECOND_NS)
    octets = bytearray(epoch(bench.clock.true_ns))
    for place, value in changes:
        octets[place % len(octets)] = value
    for line in bytes(octets).split(b"\n"):
        try:
            told = bench.feed(line)
        except NmeaError:
            continue
        for one in told:
            if one.trusted:
                assert one.time_ns == bench.clock.true_ns


def test_distances_on_the_sphere() -> None:
    assert Position(0, 0).distance_m(Position(0, 180)) == pytest.approx(6_371_008.8 * 3.14159265, rel=1e-6)
    assert Position(54, 179.9999).distance_m(Position(54, -179.9999)) == pytest.approx(13.07, rel=0.01)
