"""Card stamps from the kernel's structures, as the headers of linux/ publish them."""

from __future__ import annotations

import asyncio
import errno
import random
import select
import struct
import time
from collections.abc import Sequence

import pytest

from noonmark.agent import card_socket, check, check_host, cmsg
from noonmark.agent.card_socket import CardSocket
from noonmark.agent.card_stamps import (
    ETHTOOL_GET_TS_INFO,
    SIOCETHTOOL,
    SIOCGHWTSTAMP,
    Card,
    CardStamps,
    ask_kernel,
    judge,
    open_card,
    stamping_cards,
)
from noonmark.agent.check import Verdict
from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.hardware_clock import PRECISE_LENGTH, Comparison, decode_precise
from noonmark.agent.schedule import PeerTarget
from noonmark.proto.records import ProbeRecord, StampSource

SECOND = 1_000_000_000
MS = 1_000_000
START = 1_750_000_000 * SECOND
TAI = 37 * SECOND
CARD = Card("quay0", 3, receives=True, sends=True)


# --- which card


def fake(modes: dict[str, tuple[int, int, int]]) -> object:
    """Interfaces by (tx_type, rx_filter, phc_index); others answer as those without a card do."""

    def ask(interface: str, request: int, structure: bytes) -> bytes:
        if interface not in modes:
            raise OSError(errno.EOPNOTSUPP, "Operation not supported")
        transmit, receive, clock = modes[interface]
        if request == SIOCGHWTSTAMP:
            assert structure == bytes(12), "struct hwtstamp_config: flags, tx_type, rx_filter"
            return struct.pack("=iii", 0, transmit, receive)
        assert request == SIOCETHTOOL
        assert len(structure) == 44
        assert struct.unpack_from("=I", structure) == (ETHTOOL_GET_TS_INFO,)
        return struct.pack("=IIiIIIIIIII", ETHTOOL_GET_TS_INFO, 0x5F, clock, 3, 0, 0, 0, 0xFFFF, 0, 0, 0)

    return ask


@pytest.mark.parametrize(
    ("modes", "path", "words"),
    [
        ({}, "", "none: no interface's card stamps"),
        ({"quay0": (0, 0, 3)}, "", "none: no interface's card stamps"),
        ({"quay0": (1, 1, 3)}, "/dev/ptp3", "of quay0, stamps packets as they come and as they leave"),
        ({"quay0": (1, 12, 3)}, "/dev/ptp3", "of quay0, stamps packets as they leave"),
        ({"quay0": (0, 1, 3)}, "/dev/ptp3", "of quay0, stamps packets as they come"),
        ({"quay0": (0, 12, 3)}, "", "packets of PTP only"),
        ({"quay0": (1, 1, -1)}, "", "no clock that can be read"),
        ({"quay0": (1, 1, 3), "quay1": (1, 1, 3)}, "/dev/ptp3", "of quay0, quay1"),
        ({"quay0": (1, 1, 3), "quay1": (1, 1, 4)}, "", "quay0, quay1 stamp by different clocks"),
        ({"quay0": (1, 1, 3), "quay1": (0, 0, 4)}, "/dev/ptp3", "of quay0,"),
    ],
)
def test_the_card_is_found(modes: dict[str, tuple[int, int, int]], path: str, words: str) -> None:
    found = judge(stamping_cards(fake(modes), ["lo", "quay0", "quay1"]))  # type: ignore[arg-type]
    assert found.path == path
    assert words in found.text


@pytest.mark.sockets
def test_the_kernel_says_that_loopback_has_no_card() -> None:
    with pytest.raises(OSError, match="not supported"):
        ask_kernel("lo", SIOCGHWTSTAMP, bytes(12))
    told = ask_kernel("lo", SIOCETHTOOL, struct.pack("=I40x", ETHTOOL_GET_TS_INFO))
    assert struct.unpack_from("=IIi", told)[2] == -1, "ethtool's answer: no clock"
    assert stamping_cards(interfaces=["lo"]) == []


def test_a_clock_that_cannot_be_opened_is_said() -> None:
    card, told = open_card(lambda: [Card("quay0", 987_654, receives=True, sends=True)])
    assert card is None
    assert told == "none: /dev/ptp987654 cannot be read: No such file or directory"


def test_check_says_how_it_stands() -> None:
    told = check_host.card_stamps(wanted=True, look=list)
    assert (told.verdict, told.text) == (Verdict.SKIPPED, "Card stamps: none: no interface's card stamps.")
    assert check_host.card_stamps(wanted=False, look=lambda: [CARD]).text.startswith("Card stamps: not used")
    unreadable = check_host.card_stamps(wanted=True, look=lambda: [Card("quay0", 987_654, receives=True, sends=True)])
    assert unreadable.verdict is Verdict.WARNING
    assert unreadable.remedy
    assert check.card_stamps("/dev/ptp3", "it stamps", wanted=True, readable=True).verdict is Verdict.OK


# --- the kernel's messages


def stamp(software_ns: int, card_ns: int) -> bytes:
    """struct scm_timestamping: software, disused, the card's."""
    return struct.pack("=qqqqqq", *divmod(software_ns, SECOND), 0, 0, *divmod(card_ns, SECOND))


def error(count: int) -> bytes:
    """struct sock_extended_err of a sent packet's stamp (ENOMSG)."""
    return struct.pack("=IBBBBII", 42, 4, 0, 0, 0, 0, count) + bytes(16)


def test_all_three_times_of_a_stamp() -> None:
    both = [(1, 37, stamp(START, START + TAI)), (0, 2, struct.pack("=i", 64))]
    assert cmsg.receive_details(both) == (START, 64)
    assert cmsg.card_time(both) == START + TAI
    assert cmsg.card_time([(1, 37, struct.pack("=iiiiii", 1, 2, 0, 0, 1_700_000_000, 6))]) == 1_700_000_000 * SECOND + 6
    assert cmsg.card_time([(1, 35, struct.pack("=qq", 5, 6)), (0, 2, bytes(4))]) == 0
    departure = [(1, 37, stamp(0, START + TAI)), (0, 11, error(7))]
    assert cmsg.card_departure(departure) == (7, START + TAI)
    assert cmsg.transmit_details(departure) is None
    assert cmsg.card_departure([(1, 37, stamp(START, 0)), (0, 11, error(7))]) is None


def test_card_and_host_caught_at_once() -> None:
    """struct ptp_sys_offset_precise."""
    times = [part for at in (START + TAI, START, 5) for part in (*divmod(at, SECOND), 0)]
    data = struct.pack("=qIIqIIqII16x", *times)
    assert len(data) == PRECISE_LENGTH
    assert decode_precise(data) == Comparison(START, START + TAI, START)
    with pytest.raises(ValueError, match="octets"):
        decode_precise(data[1:])


# --- the socket, whose kernel's messages are written over with those of a card


class Device:
    """A card 37 s ahead, read in 100 ns."""

    def __init__(self) -> None:
        self.host_ns = START
        self.compared = 0
        self.broken = False

    def compare_best(self) -> Comparison:
        if self.broken:
            raise OSError(errno.EIO, "broken")
        self.compared += 1
        return Comparison(self.host_ns, self.host_ns + 50 + TAI, self.host_ns + 100)

    def close(self) -> None:
        pass


class Rewritten(CardSocket[str]):
    """Loopback carries the packets; what the kernel tells of them is `told`, message by message."""

    told: Sequence[cmsg.AncillaryData] = ()

    def _next(self) -> bytes:
        first, *self.told = self.told
        return cmsg.join(first)

    def _card_receipt(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int]:
        data = self._next()
        return super()._card_receipt(data, 0, len(data))

    def _card_departure(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int] | None:
        data = self._next()
        return super()._card_departure(data, 0, len(data))


def settled(device: Device, look: Sequence[Card] = (CARD,)) -> CardStamps:
    card = CardStamps(device, [CARD], lambda: look, lambda: device.host_ns / 1e9)
    for _ in range(10):
        device.host_ns += 250 * MS
        card.follow()
    return card


@pytest.mark.sockets
def test_receipts_are_the_cards_where_it_says_more() -> None:
    device = Device()
    sock = Rewritten("127.0.9.7", 0, settled(device))
    before, device.host_ns = device.host_ns, device.host_ns + 250 * MS
    came = [before + 10 * MS * n for n in range(1, 5)]
    hops = (0, 2, struct.pack("=i", 64))
    try:
        sock.send([(b"x", sock.address, str(n), None) for n in range(4)])
        assert select.select([sock.fileno()], [], [], 5)[0]
        sock.told = [
            [(1, 37, stamp(came[0] + 9_000, came[0] + TAI)), hops],
            [(1, 37, stamp(came[1] + 9_000, 0)), hops],
            [(1, 37, stamp(came[2] - 9_000, came[2] + TAI)), hops],
            [(1, 37, stamp(came[3] + 9_000, came[3] + 3 * SECOND + TAI)), hops],
        ]
        times = [message[2] for message in sock.receive()]
    finally:
        sock.close()
    assert came[0] <= times[0] <= came[0] + 1_000, "later by the bound"
    assert times[1] == came[1] + 9_000, "the card gave none"
    assert times[2] == came[2] - 9_000, "a card cannot stamp after the kernel"
    assert times[3] == came[3] + 9_000, "later than the comparison"
    assert sock._card.counts == {"used": 1, "implausible": 1, "not-compared": 1}


@pytest.mark.sockets
def test_departures_come_from_the_kernel_and_then_from_the_card() -> None:
    device = Device()
    sock = Rewritten("127.0.9.7", 0, settled(device))
    before, device.host_ns = device.host_ns, device.host_ns + 250 * MS
    left = before + 10 * MS
    try:
        sock.send([(b"x", sock.address, name, None) for name in ("one", "two", "three", "four")])
        assert sock.awaits_stamps
        sock.told = [
            [(1, 37, stamp(left, 0)), (0, 11, error(0))],
            [(1, 37, stamp(left + 1, 0)), (0, 11, error(1))],
            [(1, 37, stamp(0, left + 7_000 + TAI)), (0, 11, error(0))],
            [(1, 37, stamp(0, left + 7_000 + TAI)), (0, 11, error(77))],
        ]
        assert sock.transmit_stamps() == [("one", left), ("two", left + 1)]
        ((token, time_ns, source),) = sock.card_departures
        assert (token, source) == ("one", StampSource.KERNEL), "100 ns of reading are not of hardware's class"
        assert left + 6_000 <= time_ns <= left + 7_000, "earlier by the bound"
        assert sock._card.counts == {"used": 1, "unmatched": 1}
        sock.forget_awaited()
        assert not sock.card_departures
        assert not sock.awaits_stamps
    finally:
        sock.close()


def test_an_unreadable_clock_and_a_second_one_silence_the_card() -> None:
    device = Device()
    card = settled(device)
    stamp_ns = device.host_ns - 100 * MS + TAI
    assert card.convert(stamp_ns) is not None
    device.broken = True
    card.follow()
    assert card.convert(stamp_ns) is None
    assert card.counts["unreadable"] == 1
    device.broken = False
    card.follow()
    assert card.convert(stamp_ns) is None, "the host's clock of this trial stood still: nothing joins the readings"
    assert card.counts["jump"] == 1

    other = settled(device := Device(), [CARD, Card("quay1", 4, receives=True, sends=True)])
    assert other.convert(device.host_ns - 100 * MS + TAI) is not None
    device.host_ns += 10 * SECOND
    compared = device.compared
    other.follow()
    assert other.convert(device.host_ns - 100 * MS + TAI) is None
    assert device.compared == compared


@pytest.mark.sockets
def test_the_kernel_takes_the_flags_and_loopback_stamps_by_software() -> None:
    device = Device()
    sock = CardSocket[str]("127.0.9.7", 0, CardStamps(device, [CARD], lambda: [CARD]))
    try:
        for _ in range(2_000):
            sock.send([(b"x", sock.address, "packet", None)])
            assert select.select([sock.fileno()], [], [], 5)[0]
            (message,) = sock.receive()
            stamps = sock.transmit_stamps()
            if message[2] and stamps:
                break
        assert message[2] >= stamps[0][1] > 0
        assert message[5] is StampSource.KERNEL
        assert not sock.card_departures
        assert device.compared == 0, "no card stamp, no comparison"
    finally:
        sock.close()


# --- whole probes


class Running:
    """A card 37 s ahead of this host's clock, caught at once with it."""

    def compare_best(self) -> Comparison:
        now = time.time_ns()
        return Comparison(now, now + TAI, now)

    def close(self) -> None:
        pass


class Stamping(CardSocket[str]):
    """As if a card had stamped what loopback carries: 40 ns after the kernel on departure, before it on receipt."""

    def _card_receipt(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int]:
        kernel_ns, hop_limit = super()._card_receipt(control, start, length)
        self._receipts[-1] = kernel_ns - 40 + TAI if kernel_ns else 0
        return kernel_ns, hop_limit

    def _card_departure(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int] | None:
        found = super()._card_departure(control, start, length)
        if found is not None:
            self._card_sent.append((found[0], found[1] + 40 + TAI))
        return found


@pytest.mark.sockets
def test_records_carry_the_cards_stamps_of_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(card_socket, "CardSocket", Stamping)

    async def scenario() -> None:
        records: list[ProbeRecord] = []
        enough = asyncio.Event()

        def take(more: Sequence[ProbeRecord]) -> None:
            records.extend(more)
            if sum(record.stamped_by == (StampSource.HARDWARE,) * 4 for record in records) >= 10:
                enough.set()

        sides = [
            Endpoint(
                binds=[(host, 0)],
                clock=SystemClock(),
                on_records=take,
                on_clock_event=lambda event: None,
                rng=random.Random(1),
                settings=EndpointSettings(card=CardStamps(Running(), [CARD], lambda: [CARD])),
            )
            for host in ("127.0.9.8", "127.0.9.9")
        ]
        for side in sides:
            await side.start()
        sides[0].replace_peers([PeerTarget("other", *sides[1].addresses[0], 20 * MS)])
        await asyncio.wait_for(enough.wait(), 20)
        for side in sides:
            await side.close()
            assert side.statistics().card_stamps["used"] >= 10
        for record in records:
            assert record.backward_ns <= 0 <= record.forward_ns, "a limit can never be wrong"

    asyncio.run(scenario())
