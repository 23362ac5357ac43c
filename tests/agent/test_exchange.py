from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from fakenet import ERROR_ESTIMATE, PORT, START_NS, FakeNetwork, Host, steady
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import tlv
from noonmark.agent.exchange import Exchange, ExchangeSettings, Probe, Role
from noonmark.agent.reflector import Reflector
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import SenderPacket, decode_reflector, decode_sender, encode_reflector, encode_sender
from noonmark.agent.timestamps import encode_error_estimate, encode_ptp
from noonmark.proto.records import Stamp, StampSource

A, B = "127.0.7.1", "127.0.7.2"
SECOND = 1_000_000_000
MS = 1_000_000
KERNEL, USER = StampSource.KERNEL, StampSource.USER


def pair(**settings: int) -> tuple[Host, Host]:
    exchange = ExchangeSettings(**settings)
    return Host(A, 0, 1, exchange_settings=exchange), Host(B, 5 * MS, 2, epoch=9, exchange_settings=exchange)


class Bench:
    """One exchange with one peer, whose answers the test makes itself."""

    def __init__(self, interval_ns: int = SECOND) -> None:
        self.exchange = Exchange(random.Random(1))
        self.reflector = Reflector()
        self.reflector.set_clock(epoch=9, error_estimate=ERROR_ESTIMATE)
        self.exchange.replace_peers([PeerTarget("quay", B, PORT, interval_ns)], now=0)
        self.now = self.exchange.get_timer() or 0

    def send(self) -> list[tuple[Probe, bytes]]:
        sent = []
        for probe in self.exchange.datagrams_to_send(now=self.now):
            self.now += 1000
            data = self.exchange.depart(
                probe, START_NS + self.now, now=self.now, epoch=7, error_estimate=ERROR_ESTIMATE
            )
            sent.append((probe, data))
        return sent

    def reply(self, data: bytes) -> bytes:
        at = START_NS + self.now
        got = self.reflector.receive_request(data, (A, PORT), at, KERNEL, 64, self.now, at + 5000)
        assert got is not None
        return got[0]

    def receive(self, data: bytes, address: tuple[str, int] = (B, PORT)) -> None:
        self.now += 50_000
        self.exchange.receive_datagram(data, address, Stamp(START_NS + self.now, KERNEL), now=self.now)

    def rejected(self) -> dict[str, int]:
        return dict(self.exchange.statistics().rejected)


def test_records_hold_the_exact_stamps_of_both_hosts() -> None:
    a, b = pair()
    network = FakeNetwork([a, b], steady(100_000))
    network.probe_all(SECOND)
    network.run(until=20 * SECOND)
    for host, other, difference in ((a, b, 5 * MS), (b, a, -5 * MS)):
        assert len(host.records) > 30
        for record in host.records:
            assert record.destination == other.address
            assert record.stamped_by == (KERNEL, KERNEL, KERNEL, KERNEL)
            assert record.forward_ns == difference + 100_000
            assert record.backward_ns == difference - 100_000
            assert (record.source_epoch, record.destination_epoch) == (host.epoch, other.epoch)
        assert abs(sum(1 if record.measuring else -1 for record in host.records)) <= 1


def test_packets_go_in_pairs_and_conform() -> None:
    a, b = pair()
    network = FakeNetwork([a, b], steady(100_000))
    network.probe_all(SECOND)
    network.run(until=5 * SECOND)
    requests = [decode_sender(data) for source, _, data in network.seen if source == A and data[16:24] == bytes(8)]
    assert [packet.sequence for packet in requests] == list(range(len(requests)))
    assert len({packet.session_id for packet in requests}) == 1
    assert requests[0].session_id != 0
    assert all(packet.error_estimate == ERROR_ESTIMATE for packet in requests)


def test_record_waits_one_interval_for_its_exact_t3() -> None:
    a, b = pair()
    network = FakeNetwork([a, b], steady(100_000))
    a.exchange.replace_peers([PeerTarget("holm", B, PORT, SECOND)], now=0)
    first = a.exchange.get_timer()
    assert first is not None
    network.run(until=first + 50 * MS)
    assert [record.measuring for record in a.records] == [False]
    network.run(until=first + 1300 * MS)
    assert [record.measuring for record in a.records] == [False, True, False]


def test_long_interval_sends_a_third_packet_and_waits_for_nothing() -> None:
    a, b = pair()
    network = FakeNetwork([a, b], steady(100_000))
    a.exchange.replace_peers([PeerTarget("holm", B, PORT, 30 * SECOND)], now=0)
    first = a.exchange.get_timer()
    assert first is not None
    network.run(until=first + 50 * MS)
    assert [record.measuring for record in a.records] == [False, True, False]
    assert [record.stamped_by[2] for record in a.records] == [KERNEL, KERNEL, USER]
    assert a.exchange.statistics().sent == 3


def test_missing_transmit_stamps_leave_marked_and_safe_records() -> None:
    a, b = pair()
    a.transmit_stamps = b.transmit_stamps = False
    network = FakeNetwork([a, b], steady(100_000))
    a.exchange.replace_peers([PeerTarget("holm", B, PORT, SECOND)], now=0)
    network.run(until=20 * SECOND)
    assert len(a.records) > 20
    for record in a.records:
        assert record.stamped_by == (USER, KERNEL, USER, KERNEL)
        assert record.backward_ns <= 5 * MS <= record.forward_ns
    statistics = a.exchange.statistics()
    assert statistics.missing_transmit_stamps == statistics.missing_follow_ups == len(a.records)
    assert statistics.held == 0, "records do not wait for what never comes"
    b.transmit_stamps = True
    network.run(until=40 * SECOND)
    assert a.records[-1].stamped_by[2] is KERNEL


def test_bad_network_is_counted_and_leaves_only_true_records() -> None:
    rng = random.Random(9)

    def path(source: str, destination: str) -> Sequence[int]:
        copies = rng.choices((0, 1, 2), weights=(15, 75, 10))[0]
        return [100_000 + round(rng.expovariate(1 / 200_000)) for _ in range(copies)]

    a, b = pair(reply_timeout_ns=SECOND)
    network = FakeNetwork([a, b], path)
    network.probe_all(SECOND // 4)
    network.run(until=100 * SECOND)
    for host, difference in ((a, 5 * MS), (b, -5 * MS)):
        for record in host.records:
            assert record.backward_ns <= difference - 100_000
            assert record.forward_ns >= difference + 100_000
        counts = host.exchange.statistics()
        assert counts.sent == counts.completed + counts.lost + counts.outstanding
        assert counts.completed == len(host.records) + counts.held
        assert 0.2 < counts.lost / counts.sent < 0.35
        assert counts.reordered > 0
        assert counts.rejected["duplicate"] > 0
        assert set(counts.rejected) <= {"duplicate", "late"}


def test_silent_peer_costs_nothing_but_a_counter() -> None:
    a = Host(A)
    network = FakeNetwork([a], lambda source, destination: ())
    a.exchange.replace_peers([PeerTarget("holm", B, PORT, SECOND)], now=0)
    network.run(until=100 * SECOND)
    counts = a.exchange.statistics()
    assert a.records == []
    assert counts.lost > 180
    assert counts.outstanding <= 6
    assert counts.peers["holm"].lost == counts.lost


def test_duplicate_late_and_unknown_replies_are_told_apart() -> None:
    bench = Bench()
    (_, first), (_, second) = bench.send()
    reply = bench.reply(first)
    bench.receive(reply)
    bench.receive(reply)
    assert bench.rejected() == {"duplicate": 1}
    late = bench.reply(second)
    bench.now += 3 * SECOND
    bench.exchange.handle_timer(now=bench.now)
    bench.receive(late)
    assert bench.rejected() == {"duplicate": 1, "late": 1}
    bench.receive(bench.reply(encode_sender(SenderPacket(1000, 5, ERROR_ESTIMATE, 5)) + tlv.REQUEST_TLVS))
    assert bench.rejected() == {"duplicate": 1, "late": 1, "unknown-sequence": 1}
    assert bench.exchange.statistics().lost == 1


def test_reply_from_elsewhere_is_not_believed() -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    reply = bench.reply(first)
    bench.receive(reply, ("127.0.7.3", PORT))
    bench.receive(reply, (B, PORT + 1))
    assert bench.rejected() == {"unsolicited": 2}
    bench.receive(reply)
    assert bench.exchange.statistics().completed == 1


@pytest.mark.parametrize("change", [{"sender_timestamp": 1}, {"session_id": 1}])
def test_guessed_reply_is_not_believed_and_the_true_one_still_is(change: dict[str, int]) -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    reply = bench.reply(first)
    bench.receive(encode_reflector(decode_reflector(reply)._replace(**change)) + reply[44:])
    assert bench.rejected() == {"spoofed": 1}
    bench.receive(reply)
    assert bench.exchange.statistics().completed == 1


def test_reply_that_left_before_it_came_is_not_believed() -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    packet = decode_reflector(bench.reply(first))
    bench.receive(encode_reflector(packet._replace(timestamp=packet.receive_timestamp - (1 << 32))))
    assert bench.rejected() == {"inconsistent": 1}


def test_reflector_that_knows_only_rfc_8762_is_measured_at_once() -> None:
    bench = Bench()
    for _, data in bench.send():
        packet = decode_reflector(bench.reply(data[:44]))._replace(session_id=0)
        bench.receive(encode_reflector(packet) + data[44:])
    records = bench.exchange.take_records()
    assert [record.measuring for record in records] == [False, True]
    assert all(record.destination_epoch == 0 for record in records)
    assert all(record.stamped_by == (USER, USER, USER, KERNEL) for record in records)


def test_reflector_that_stamps_in_ptp_format_is_understood() -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    at = START_NS + 123_456_789
    estimate = encode_error_estimate(1000, synchronized=True, ptp=True)
    packet = decode_reflector(bench.reply(first[:44]))
    stamps = {"receive_timestamp": encode_ptp(at), "timestamp": encode_ptp(at + 7)}
    bench.receive(encode_reflector(packet._replace(error_estimate=estimate, **stamps)))
    (record,) = bench.exchange.take_records()
    assert (record.t2_ns, record.t3_ns) == (at, at + 7)


def test_host_that_is_decades_off_is_measured() -> None:
    for years in (-60, -10, 10, 60):
        a, b = Host(A), Host(B, years * 365 * 86400 * SECOND, 2)
        network = FakeNetwork([a, b], steady(100_000))
        network.probe_all(SECOND)
        network.run(until=5 * SECOND)
        assert a.records
        assert all(record.forward_ns == b.error_ns + 100_000 for record in a.records)


def test_transmit_stamp_from_before_the_sending_is_not_used() -> None:
    bench = Bench()
    (probe, first), _ = bench.send()
    bench.exchange.transmit_stamp(probe, START_NS)
    bench.receive(encode_reflector(decode_reflector(bench.reply(first))))
    (record,) = bench.exchange.take_records()
    assert record.stamped_by[0] is USER
    assert record.t1_ns > START_NS


def test_clock_event_gives_up_what_is_on_its_way_but_not_what_is_complete() -> None:
    bench = Bench()
    (_, first), (_, second) = bench.send()
    bench.receive(bench.reply(first))
    bench.exchange.clock_event()
    bench.receive(bench.reply(second))
    assert bench.rejected() == {"late": 1}
    bench.exchange.finish()
    records = bench.exchange.take_records()
    assert [record.source_epoch for record in records] == [7]
    assert bench.exchange.statistics().abandoned == 1


def test_failed_send_awaits_nothing() -> None:
    bench = Bench()
    for probe, _ in bench.send():
        bench.exchange.send_failed(probe, "ENETUNREACH")
    counts = bench.exchange.statistics()
    assert (counts.sent, counts.outstanding, counts.send_failures) == (0, 0, {"ENETUNREACH": 2})


def test_peer_that_leaves_passes_on_its_records_and_the_one_that_stays_its_session() -> None:
    bench = Bench()
    sent = bench.send()
    for _, data in sent:
        bench.receive(bench.reply(data))
    bench.exchange.replace_peers([PeerTarget("quay", B, PORT, 2 * SECOND)], now=bench.now)
    assert bench.exchange.statistics().held == 2
    bench.now += 2 * SECOND
    (again, _), _ = bench.send()
    assert again.sequence == 2
    assert again.session is sent[0][0].session
    bench.exchange.replace_peers([], now=bench.now)
    assert len(bench.exchange.take_records()) == 2
    counts = bench.exchange.statistics()
    assert (counts.held, counts.outstanding, counts.abandoned, counts.peers) == (0, 0, 2, {})
    assert bench.exchange.get_timer() is None


def test_unusable_peers_are_counted_and_the_others_probed() -> None:
    exchange = Exchange(random.Random(1))
    peers = [
        PeerTarget("quay", "no-number.example", PORT, SECOND),
        PeerTarget("holm", B, PORT, SECOND),
        PeerTarget("skerry", B, PORT, SECOND),
        PeerTarget("gate", "0:0:0:0:0:0:0:1", PORT, SECOND),
    ]
    exchange.replace_peers(peers, now=0)
    counts = exchange.statistics()
    assert counts.unusable_peers == {"address-not-numeric": 1, "address-twice": 1}
    assert set(counts.peers) == {"holm", "gate"}
    assert {probe.address for probe in exchange.datagrams_to_send(now=SECOND)} == {(B, PORT), ("::1", PORT)}


def test_roles_of_an_exchange() -> None:
    bench = Bench(interval_ns=10 * SECOND)
    sent = bench.send()
    assert [probe.role for probe, _ in sent] == [Role.WARM_UP, Role.MEASURING]
    for _, data in sent:
        bench.receive(bench.reply(data))
    assert bench.exchange.get_timer() == 0
    assert [probe.role for probe, _ in bench.send()] == [Role.TRAILING]


@given(st.binary(max_size=120), st.integers(0, 2))
def test_any_datagram_is_counted_and_never_raised(data: bytes, start: int) -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    reply = bench.reply(first)
    for garbage in (data, reply[: 22 * start] + data, reply[:44] + data):
        bench.receive(garbage)
    counts = bench.exchange.statistics()
    assert sum(counts.rejected.values()) + counts.completed == 3


@given(st.integers(0, 71), st.integers(1, 255))
def test_any_damaged_reply_is_counted_and_never_raised(place: int, change: int) -> None:
    bench = Bench()
    (_, first), _ = bench.send()
    damaged = bytearray(bench.reply(first))
    damaged[place] ^= change
    bench.receive(bytes(damaged))
    counts = bench.exchange.statistics()
    assert sum(counts.rejected.values()) + counts.completed == 1


def test_loop_that_was_paused_sheds_probes_and_counts_them_and_keeps_to_the_truth() -> None:
    a, b = pair()
    network = FakeNetwork([a, b], steady(100_000))
    network.probe_all(SECOND)
    network.run(until=10 * SECOND)
    before = a.exchange.statistics()
    assert before.skipped == 0
    network.now += 60 * SECOND
    network.run(until=network.now + SECOND // 2)
    paused = a.exchange.statistics()
    assert 55 <= paused.skipped <= 62
    assert paused.sent - before.sent <= 4, "what was missed is not made up for"
    assert paused.held + paused.outstanding <= 6
    network.run(until=network.now + 20 * SECOND)
    after = a.exchange.statistics()
    assert after.skipped == paused.skipped
    assert after.sent == after.completed + after.lost + after.outstanding
    for host, difference in ((a, 5 * MS), (b, -5 * MS)):
        assert all(record.backward_ns <= difference <= record.forward_ns for record in host.records)
