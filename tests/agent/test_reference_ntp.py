from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ntp_server import NtpServer, answer
from receivers import SECOND_NS, START_NS, StillClock

from noonmark.agent.clocks import SystemClock
from noonmark.agent.ntp_association import PHI, Association, Exchange, NtpSettings
from noonmark.agent.ntp_packet import NtpPacket, decode, encode, precision_ns, short_ns, to_short
from noonmark.agent.reference import Observation
from noonmark.agent.reference_ntp import NtpReader, graph_name
from noonmark.agent.timestamps import WireError
from noonmark.proto.options import HostPort
from noonmark.proto.records import ProbeRecord, StampSource
from noonmark.proto.reference import Leap

KERNEL = StampSource.KERNEL
LIMIT = 20.0


class Talk:
    """A client and a server `ahead_ns` of it, joined by delays."""

    def __init__(
        self,
        *,
        ahead_ns: int = 0,
        there_ns: int = 1_000_000,
        back_ns: int = 1_000_000,
        settings: NtpSettings | None = None,
    ) -> None:
        self.client = Association("ntp:quay", random.Random(7), settings)
        self.ahead_ns, self.there_ns, self.back_ns = ahead_ns, there_ns, back_ns
        self.now = 0
        self.asked_at: list[int] = []

    def ask(self, epoch: int = 1) -> NtpPacket:
        self.now = max(self.now, self.client.next_ns(now=self.now))
        data = self.client.request(START_NS + self.now, now=self.now, epoch=epoch)
        assert data is not None
        self.asked_at.append(self.now)
        return decode(data)

    def hear(self, reply: NtpPacket, epoch: int = 1) -> Exchange | None:
        self.now += self.there_ns + 10_000 + self.back_ns
        return self.client.receive(encode(reply), START_NS + self.now, KERNEL, now=self.now, epoch=epoch)

    def honest(self, request: NtpPacket) -> NtpPacket:
        arrived = START_NS + self.now + self.there_ns + self.ahead_ns
        return answer(request, arrived, arrived + 10_000)

    def exchange(self) -> Exchange | None:
        return self.hear(self.honest(self.ask()))

    def kinds(self) -> list[str]:
        return [notice.kind for notice in self.client.notices]


def test_an_exchange_is_a_probe_record_and_an_offset() -> None:
    talk = Talk(ahead_ns=5_000_000, there_ns=3_000_000, back_ns=1_000_000)
    found = talk.exchange()
    assert found is not None
    # The server is 5 ms ahead, so the host is 5 ms behind; asymmetry moves that by (3 - 1) / 2 ms.
    assert found.offset_ns == pytest.approx(-6_000_000, abs=2)
    assert found.delay_ns == pytest.approx(4_000_000, abs=2)
    assert (found.record.destination, found.record.destination_epoch, found.record.source_epoch) == ("ntp:quay", 0, 1)
    assert abs(found.offset_ns + 5_000_000) <= found.limit_ns(talk.now)
    assert found.root_distance_ns(talk.now) == found.root_delay_ns // 2 + found.root_dispersion_ns + 954
    assert found.root_delay_ns == pytest.approx(2_000_000, abs=15_259), "a step of 16.16 seconds"
    assert (found.stratum, found.leap, found.reference_id) == (1, Leap.NONE, b"GNSS")


@given(st.integers(-(10**12), 10**12), st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 3 * 10**9))
def test_the_limit_holds_whatever_the_network_does(ahead: int, there: int, back: int, age: int) -> None:
    found = Talk(ahead_ns=ahead, there_ns=there, back_ns=back).exchange()
    assert found is not None
    assert abs(found.offset_ns + ahead) <= found.limit_ns(found.at_ns + age)
    assert found.uncertainty_ns(found.at_ns + age) <= found.limit_ns(found.at_ns + age)


def test_limits_grow_with_age() -> None:
    found = Talk().exchange()
    assert found is not None
    grown = found.limit_ns(found.at_ns + 1000 * SECOND_NS) - found.limit_ns(found.at_ns)
    assert grown == pytest.approx(PHI * 1000 * SECOND_NS, abs=2)


def test_a_request_tells_nothing_of_the_host() -> None:
    request = Talk().ask()
    assert request == NtpPacket(mode=3, version=4, transmit=request.transmit)
    assert request.transmit != 0


def test_the_kernels_stamp_replaces_the_programs() -> None:
    talk = Talk()
    request = talk.ask()
    talk.client.transmit_stamp(talk.client.nonce, START_NS + talk.now + 40_000)
    found = talk.hear(talk.honest(request))
    assert found is not None
    assert found.record.t1_ns == START_NS + talk.asked_at[0] + 40_000
    assert found.record.stamped_by[0] is KERNEL


def test_an_answer_to_another_request_is_not_taken() -> None:
    talk = Talk()
    request = talk.ask()
    forged = talk.honest(request)._replace(origin=request.transmit ^ 1)
    assert talk.hear(forged) is None
    assert talk.client.rejected == {"unsolicited": 1}
    good = talk.honest(request)
    assert talk.hear(good) is not None, "and does no harm"
    assert talk.hear(good) is None, "an answer counts once"


def test_a_kiss_that_nobody_asked_for_is_nothing() -> None:
    talk = Talk()
    talk.ask()
    kiss = NtpPacket(mode=4, stratum=0, reference_id=b"DENY", origin=5)
    assert talk.hear(kiss) is None
    assert not talk.client.denied


@pytest.mark.parametrize("code", [b"DENY", b"RSTR"])
def test_a_server_that_denies_is_asked_no_more(code: bytes) -> None:
    talk = Talk()
    talk.exchange()
    request = talk.ask()
    assert talk.hear(talk.honest(request)._replace(stratum=0, reference_id=code)) is None
    assert (talk.client.denied, talk.kinds(), talk.client.best(now=talk.now)) == (True, ["kiss-deny"], None)
    assert talk.client.request(START_NS, now=talk.now + 10**18, epoch=1) is None


def test_a_server_that_wants_fewer_requests_gets_fewer_for_good() -> None:
    talk = Talk()
    for _ in range(6):
        talk.exchange()
    before = talk.client.interval_ns
    for _ in range(2):
        request = talk.ask()
        talk.hear(talk.honest(request)._replace(stratum=0, reference_id=b"RATE"))
    assert talk.client.interval_ns == 4 * before
    assert talk.kinds() == ["kiss-rate"]
    talk.asked_at.clear()
    for _ in range(4):
        talk.exchange()
    spacings = [later - earlier for earlier, later in zip(talk.asked_at, talk.asked_at[1:], strict=False)]
    assert min(spacings) >= 4 * before
    for _ in range(40):
        talk.hear(talk.honest(talk.ask())._replace(stratum=0, reference_id=b"RATE"))
    assert talk.client.interval_ns == (1 << 17) * SECOND_NS, "never less often than RFC 5905 knows"


def test_any_other_kiss_is_told_and_gives_no_time() -> None:
    talk = Talk()
    request = talk.ask()
    assert talk.hear(talk.honest(request)._replace(stratum=0, reference_id=b"INIT")) is None
    assert (talk.kinds(), talk.client.denied) == (["kiss"], False)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"leap": 3}, "unsynchronized"),
        ({"stratum": 16}, "unsynchronized"),
        ({"root_dispersion": 16 << 16}, "unsynchronized"),
        ({"mode": 3}, "not-a-server"),
        ({"mode": 5}, "not-a-server"),
        ({"version": 7}, "not-a-server"),
        ({"transmit": 0}, "no-stamps"),
        ({"receive": 0}, "no-stamps"),
        ({"receive": 1 << 40}, "inconsistent"),
    ],
)
def test_an_answer_that_cannot_be_used_is_counted_by_its_reason(change: dict[str, int], reason: str) -> None:
    talk = Talk()
    assert talk.hear(talk.honest(talk.ask())._replace(**change)) is None
    assert talk.client.rejected[reason] == 1
    assert talk.client.best(now=talk.now) is None


def test_a_server_that_loses_its_own_source_no_longer_counts() -> None:
    talk = Talk()
    talk.exchange()
    talk.hear(talk.honest(talk.ask())._replace(leap=3))
    assert talk.client.best(now=talk.now) is None
    assert talk.exchange() is not None


def test_an_answer_faster_than_light_is_refused() -> None:
    talk = Talk(there_ns=-3_000_000, back_ns=0)
    talk.now = 10**9
    assert talk.exchange() is None
    assert talk.client.rejected == {"inconsistent": 1}


def test_a_clock_set_between_request_and_answer_spoils_the_exchange() -> None:
    talk = Talk()
    request = talk.ask(epoch=1)
    assert talk.hear(talk.honest(request), epoch=2) is None
    talk.exchange()
    talk.client.clock_set()
    assert talk.client.best(now=talk.now) is None


def test_requests_are_never_closer_than_the_least_poll_interval() -> None:
    """RFC 5905, figure 6: MINPOLL is 4, that is 16 s; here with a tenth of jitter."""
    talk = Talk()
    for _ in range(30):
        talk.exchange()
    spacings = [later - earlier for earlier, later in zip(talk.asked_at, talk.asked_at[1:], strict=False)]
    assert all(14 * SECOND_NS <= spacing <= 18 * SECOND_NS for spacing in spacings)
    assert sum(spacings) / len(spacings) == pytest.approx(16 * SECOND_NS, rel=0.05)


def test_requests_are_spaced_as_they_are_asked_to_be() -> None:
    talk = Talk(settings=NtpSettings(interval_ns=64 * SECOND_NS))
    for _ in range(30):
        talk.exchange()
    spacings = [later - earlier for earlier, later in zip(talk.asked_at, talk.asked_at[1:], strict=False)]
    assert all(spacing >= 14 * SECOND_NS for spacing in spacings[:3])
    assert all(57 * SECOND_NS <= spacing <= 71 * SECOND_NS for spacing in spacings[4:])
    assert len(set(spacings)) > 20, "not in step with anything"


def test_a_silent_server_is_asked_ever_less_often() -> None:
    talk = Talk()
    for _ in range(20):
        talk.ask()
        talk.now += talk.client.settings.answer_within_ns
        assert talk.client.expire(now=talk.now)
    spacings = [later - earlier for earlier, later in zip(talk.asked_at, talk.asked_at[1:], strict=False)]
    assert spacings[-1] > 900 * SECOND_NS
    assert talk.kinds() == ["no-answer"]
    talk.exchange()
    talk.exchange()
    assert talk.client.next_ns(now=talk.now) - talk.now < 80 * SECOND_NS, "until it answers again"


def test_the_best_of_eight_is_the_one_with_the_least_delay() -> None:
    talk = Talk()
    for delay in (9, 3, 1, 7):
        talk.there_ns = delay * 10_000_000
        talk.exchange()
    best = talk.client.best(now=talk.now)
    assert best is not None
    assert best.delay_ns == pytest.approx(11_000_000, abs=2)
    assert talk.client.jitter_ns() > 0


@given(st.binary(max_size=120))
def test_any_datagram_is_an_answer_or_counted(data: bytes) -> None:
    talk = Talk()
    talk.ask()
    assert talk.client.receive(data, START_NS, KERNEL, now=talk.now, epoch=1) is None
    assert talk.client.rejected.total() == 1


@given(st.integers(0, 47), st.integers(0, 255))
def test_no_changed_octet_of_an_answer_raises(place: int, value: int) -> None:
    talk = Talk()
    reply = bytearray(encode(talk.honest(talk.ask())))
    reply[place] = value
    found = talk.client.receive(bytes(reply), START_NS + talk.now + 2_010_000, KERNEL, now=talk.now, epoch=1)
    if found is not None:
        assert 1 <= found.stratum <= 15
        assert found.record.round_trip_ns >= -found.precision_ns


@given(st.integers(0, 0xFFFF_FFFF))
def test_short_spans_are_rounded_up_and_back(value: int) -> None:
    assert to_short(short_ns(value)) in (value, min(value + 1, 0xFFFF_FFFF))
    assert short_ns(to_short(short_ns(value))) >= short_ns(value)


def test_a_short_packet_is_refused() -> None:
    with pytest.raises(WireError, match="47 octets"):
        decode(bytes(47))


def test_precisions() -> None:
    assert [precision_ns(power) for power in (-20, 0, 3, -128, 127)] == [
        954,
        SECOND_NS,
        8 * SECOND_NS,
        1,
        SECOND_NS << 25,
    ]


def test_graph_names() -> None:
    assert graph_name("127.0.0.1", 123) == "ntp:127.0.0.1"
    assert graph_name("::1", 123) == "ntp:::1"
    assert graph_name("::1", 4123) == "ntp:[::1]:4123"


# --- real sockets

FAST = NtpSettings(interval_ns=50_000_000, first_interval_ns=20_000_000, answer_within_ns=10_000_000)


async def gather(reader: NtpReader, enough: Callable[[list[Observation]], bool]) -> list[Observation]:
    found: list[Observation] = []
    stream = reader.observations()
    async with asyncio.timeout(LIMIT):
        async for observation in stream:
            found.append(observation)
            if enough(found):
                break
    await stream.aclose()  # type: ignore[attr-defined]
    return found


def ask(hosts: list[HostPort], records: list[ProbeRecord]) -> NtpReader:
    return NtpReader(
        hosts, SystemClock(), on_record=records.append, epoch=lambda: 5, settings=FAST, rng=random.Random(3)
    )


@pytest.mark.sockets
@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_a_server_on_loopback_is_measured(host: str) -> None:
    async def body() -> None:
        server = await NtpServer(offset_ns=-250_000_000).start(host)
        records: list[ProbeRecord] = []
        found = await gather(ask([HostPort(host, server.port)], records), lambda seen: len(seen) >= 3)
        server.close()
        last = found[-1]
        assert last.usable
        assert last.offset_ns == pytest.approx(250_000_000, abs=5_000_000), "the host is ahead of a server behind it"
        assert last.source == graph_name(host, server.port) == records[-1].destination
        assert len(records) >= 3
        assert records[-1].source_epoch == 5
        assert abs((last.offset_ns or 0) - 250_000_000) <= (last.limit_ns or 0)
        assert last.figures["stratum"] == 1
        assert records[-1].stamped_by[3] is KERNEL

    asyncio.run(body())


@pytest.mark.sockets
def test_several_servers_are_asked_and_one_that_is_silent_is_told() -> None:
    async def body() -> None:
        good, mute = await NtpServer().start(), await NtpServer().start()
        mute.silent = True
        records: list[ProbeRecord] = []
        wanted = {f"ntp:127.0.0.1:{server.port}" for server in (good, mute)}
        reader = ask([HostPort("127.0.0.1", good.port), HostPort("127.0.0.1", mute.port)], records)
        found = await gather(reader, lambda seen: {one.source for one in seen} == wanted)
        good.close()
        mute.close()
        last = {one.source: one for one in found}
        assert last[f"ntp:127.0.0.1:{good.port}"].usable
        silent = last[f"ntp:127.0.0.1:{mute.port}"]
        assert (silent.usable, silent.notices[0].kind) == (False, "no-answer")

    asyncio.run(body())


@pytest.mark.sockets
def test_a_server_that_denies_hears_nothing_more() -> None:
    async def body() -> None:
        server = await NtpServer(bend=lambda reply: reply._replace(stratum=0, reference_id=b"DENY")).start()
        reader = ask([HostPort("127.0.0.1", server.port)], [])
        found = await gather(reader, lambda seen: True)
        assert (found[0].usable, found[0].notices[0].kind) == (False, "kiss-deny")
        server.close()

    asyncio.run(body())


@pytest.mark.sockets
def test_a_name_that_cannot_be_is_told() -> None:
    async def body() -> None:
        (found,) = await gather(ask([HostPort("quay..holm", 123)], []), lambda seen: True)
        assert (found.usable, found.notices[0].kind) == (False, "no-address")

    asyncio.run(body())


def test_the_clock_of_the_records_is_the_hosts() -> None:
    """The reader asks its clock, and nothing else, what time it is."""
    reader = NtpReader([], StillClock(), on_record=lambda record: None, epoch=lambda: 1)
    assert reader.associations == []
    reader.clock_set()
