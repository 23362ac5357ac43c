"""Authenticated probing between hosts: the same records as plain probing, and nothing from anybody without the key."""

from __future__ import annotations

import random

import pytest
from fakenet import ERROR_ESTIMATE, PORT, START_NS, FakeNetwork, Host, steady
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent import authentication, tlv
from noonmark.agent.exchange import Exchange, ExchangeSettings, Probe
from noonmark.agent.reflector import Reflector, ReflectorSettings
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import SenderPacket, encode_sender, is_request
from noonmark.collector.probe_keys import ProbeKeyring
from noonmark.proto.control import Hello, ProbeKey
from noonmark.proto.records import Stamp, StampSource

A, B, C = "127.0.7.1", "127.0.7.2", "127.0.7.3"
SECOND, MS = 1_000_000_000, 1_000_000
KERNEL = StampSource.KERNEL
HMAC_FLAGS = 144
"""The one octet outside of both HMACs: the flags of the HMAC field itself, which nobody reads."""
KEYRING = ProbeKeyring(bytes(range(32)), 86_400.0)


def key(asker: str, asked: str, generation: int = 7, instance: int = 1) -> ProbeKey:
    return KEYRING.key(Hello(asker, instance, probe_authentication="accept"), asked, generation)


def target(asker: str, asked: str, generation: int = 7, interval_ns: int = SECOND) -> PeerTarget:
    found = key(asker, asked, generation)
    return PeerTarget(asked, asked, PORT, interval_ns, found.secret, found.session_id)


class Bench:
    """A asks B with a key; the test carries, changes and makes up the packets."""

    def __init__(self, mode: str = "accept") -> None:
        self.exchange = Exchange(random.Random(1))
        self.reflector = Reflector(ReflectorSettings(authentication=mode))
        self.reflector.set_clock(epoch=9, error_estimate=ERROR_ESTIMATE)
        self.reflector.replace_keys([key(A, B)])
        self.exchange.replace_peers([target(A, B)], now=0)
        self.now = self.exchange.get_timer() or 0
        self.started = False

    def send(self) -> list[tuple[Probe, bytes]]:
        self.now += self.started * 2 * SECOND
        self.started = True
        self.exchange.handle_timer(now=self.now)
        sent = []
        for probe in self.exchange.datagrams_to_send(now=self.now):
            self.now += 1000
            at = START_NS + self.now
            sent.append((probe, self.exchange.depart(probe, at, now=self.now, epoch=7, error_estimate=ERROR_ESTIMATE)))
        return sent

    def ask(self, data: bytes, source: str = A) -> bytes | None:
        at = START_NS + self.now
        got = self.reflector.receive_request(data, (source, PORT), at, KERNEL, 64, self.now, at + 5000)
        return None if got is None else got[0]

    def reply(self, data: bytes) -> bytes:
        got = self.ask(data)
        assert got is not None
        return got

    def receive(self, data: bytes) -> None:
        self.now += 50_000
        self.exchange.receive_datagram(data, (B, PORT), Stamp(START_NS + self.now, KERNEL), now=self.now)

    def rejected(self) -> dict[str, int]:
        return dict(self.exchange.statistics().rejected)

    def refused(self) -> dict[str, int]:
        return dict(self.reflector.statistics(now=self.now).refused)

    def completed(self) -> int:
        return self.exchange.statistics().completed


def network(keyed: bool, mode: str = "accept") -> tuple[FakeNetwork, Host, Host]:
    settings = ExchangeSettings(keys_required=mode == "require")
    reflecting = ReflectorSettings(authentication=mode)
    a = Host(A, 0, 1, exchange_settings=settings, reflector_settings=reflecting)
    b = Host(B, 5 * MS, 2, epoch=9, exchange_settings=settings, reflector_settings=reflecting)
    made = FakeNetwork([a, b], steady(100_000))
    for host, other in ((a, b), (b, a)):
        peer = target(host.address, other.address) if keyed else PeerTarget(other.address, other.address, PORT, SECOND)
        host.exchange.replace_peers([peer], now=0)
        host.reflector.replace_keys([key(other.address, host.address)])
    return made, a, b


@pytest.mark.parametrize("mode", ["accept", "require"])
def test_authenticated_records_are_the_plain_ones(mode: str) -> None:
    plain, keyed = network(False), network(True, mode)
    for made, *_ in (plain, keyed):
        made.run(until=20 * SECOND)
    for without, having in zip(plain[1:], keyed[1:], strict=True):
        assert len(having.records) > 30
        spans = [[(r.forward_ns, r.backward_ns, r.measuring) for r in host.records] for host in (having, without)]
        assert spans[0] == spans[1]
        assert {r.stamped_by for r in having.records} == {r.stamped_by for r in without.records}
        assert not having.exchange.statistics().rejected
        assert not having.reflector.statistics(now=0).refused
    lengths = {len(data) for _, _, data in keyed[0].seen}
    assert lengths == {112 + 32 + 20}, "replies are as long as requests"


def test_packets_are_rfc_8762s_and_rfc_8972s() -> None:
    """Offsets from RFC 8762 sections 4.2.2 and 4.3.2; the HMAC field's place and text from RFC 8972 section 4.8."""
    bench = Bench()
    (probe, request), _ = bench.send()
    reply = bench.reply(request)
    secret = key(A, B).secret
    assert request[:4] == probe.sequence.to_bytes(4, "big") == reply[48:52]
    assert request[4:16] == bytes(12) == reply[4:16]
    assert request[16:24] == reply[64:72] == probe.timestamp.to_bytes(8, "big")
    assert request[26:28] == reply[26:28] == key(A, B).session_id.to_bytes(2, "big")
    assert request[28:96] == bytes(68)
    assert reply[80] == 64
    for packet in (request, reply):
        assert packet[96:112] == authentication.truncated_hmac(secret, packet[:96])
        fields = packet[112:144]
        assert packet[145:148] == bytes([tlv.HMAC, 0, 16])
        assert packet[148:] == authentication.truncated_hmac(secret, packet[:4] + fields)
    assert request[144] == 0x80
    assert reply[144] == 0
    assert is_request(request)
    assert not is_request(reply)


def test_no_octet_of_a_request_can_be_changed() -> None:
    bench = Bench()
    (_, request), _ = bench.send()
    for place in set(range(len(request))) - {HMAC_FLAGS}:
        for bit in (1, 0x80):
            changed = bytearray(request)
            changed[place] ^= bit
            answer = bench.ask(bytes(changed))
            # Where it does not look authenticated any more, the answer is a plain one: nobody believes it.
            if answer is not None:
                assert not authentication.is_authenticated(answer)
                bench.receive(answer)
    for cut in (0, 43, 44, 111, 113, 143, len(request) - 1):
        answer = bench.ask(request[:cut])
        assert answer is None or not authentication.is_authenticated(answer)
    assert bench.completed() == 0
    assert bench.refused()["forged"] > 200
    assert bench.refused()["unknown-key"] >= 4
    bench.receive(bench.reply(request))
    assert bench.completed() == 1, "and none of it kept the true one from being answered"


def test_no_octet_of_a_reply_can_be_changed() -> None:
    bench = Bench()
    (_, request), _ = bench.send()
    reply = bench.reply(request)
    for place in set(range(len(reply))) - {HMAC_FLAGS}:
        for bit in (1, 0x80):
            changed = bytearray(reply)
            changed[place] ^= bit
            bench.receive(bytes(changed))
    for cut in (0, 43, 44, 111, 112, 113, 143, len(reply) - 1):
        bench.receive(reply[:cut])
    assert bench.completed() == 0
    assert set(bench.rejected()) == {"forged", "unauthenticated"}
    bench.receive(reply)
    assert bench.completed() == 1


def test_fields_that_are_cut_off_on_the_way_are_missed() -> None:
    bench = Bench()
    (_, request), _ = bench.send()
    bench.receive(bench.reply(request[:112]))
    assert bench.rejected() == {"forged": 1}


def test_a_request_is_answered_once() -> None:
    bench = Bench()
    sent = [data for _ in range(40) for _, data in bench.send()]
    for data in sent[10:]:
        assert bench.ask(data) is not None
    for data in sent[10:]:
        assert bench.ask(data, source="127.0.7.99") is None
    assert bench.refused() == {"replayed": len(sent) - 10}
    for data in sent[:10]:
        # Older ones that never came are taken while they are told from repeats, and once.
        assert (bench.ask(data) is None) is (len(sent) - 1 - sent.index(data) >= 64)
        assert bench.ask(data) is None


def test_a_reply_counts_once_and_only_for_its_own_probe() -> None:
    bench = Bench()
    (_, one), (_, two) = bench.send()
    reply_one, reply_two = bench.reply(one), bench.reply(two)
    bench.receive(reply_one)
    bench.receive(reply_one)
    bench.receive(reply_two)
    assert bench.rejected() == {"duplicate": 1}
    later = bench.send()
    assert later
    bench.receive(reply_one)
    assert bench.rejected() == {"duplicate": 2}
    assert bench.completed() == 2


def test_one_compromised_host_cannot_speak_for_another() -> None:
    """C holds every key that the collector ever gives it: of the pairs that it is one of."""
    bench = Bench()
    (probe, request), _ = bench.send()
    stolen = [key(C, B), key(C, A), key(A, C), key(B, C)]
    true = key(A, B)
    packet = SenderPacket(probe.sequence, probe.timestamp, ERROR_ESTIMATE, true.session_id)
    stamps = authentication.verify_reflector(bench.reply(request), true.secret)
    for known in stolen:
        assert bench.ask(authentication.request(packet._replace(sequence=99), known.secret)) is None
        reply = authentication.sign_reflector(stamps, known.secret)
        bench.receive(reply + authentication.sign_tlvs(tlv.REQUEST_TLVS, stamps.sequence, known.secret, flags=0))
    assert bench.completed() == 0
    assert bench.refused() == {"forged": 4}
    assert bench.rejected() == {"forged": 4}
    # A request cannot be turned round either: the key of A asking B is not that of B asking A.
    assert key(A, B).secret != key(B, A).secret
    # The identifier is no secret, and is not enough.
    own = authentication.request(packet._replace(session_id=key(C, B).session_id), key(C, B).secret)
    assert bench.ask(own) is None
    assert bench.refused()["unknown-key"] == 1


def test_plain_packets_where_authentication_is_required() -> None:
    bench = Bench("require")
    plain = encode_sender(SenderPacket(0, 12345, ERROR_ESTIMATE, 9)) + tlv.REQUEST_TLVS
    assert bench.ask(plain) is None
    assert bench.refused() == {"unauthenticated": 1}
    (probe, request), _ = bench.send()
    other = Reflector()
    other.set_clock(epoch=9, error_estimate=ERROR_ESTIMATE)
    as_plain = encode_sender(SenderPacket(probe.sequence, probe.timestamp, ERROR_ESTIMATE, key(A, B).session_id))
    got = other.receive_request(as_plain, (A, PORT), START_NS, KERNEL, 64, 0, START_NS)
    assert got is not None
    bench.receive(got[0])
    assert bench.rejected() == {"unauthenticated": 1}, "the right stamps without the key are not enough"
    bench.receive(bench.reply(request))
    assert bench.completed() == 1


def test_modes_meet() -> None:
    """Off: keys are not used, signed requests not answered. Required: peers without a key are left alone, and told."""
    off = Bench("off")
    (_, request), _ = off.send()
    assert off.ask(request) is None
    assert off.refused() == {"unknown-key": 1}
    required = Exchange(random.Random(1), ExchangeSettings(keys_required=True))
    required.replace_peers([target(A, B), PeerTarget(C, C, PORT, SECOND)], now=0)
    assert required.statistics().unusable_peers == {"no-key": 1}
    assert required.statistics().authenticated_peers == 1
    accepting = Bench("accept")
    plain = encode_sender(SenderPacket(0, 12345, ERROR_ESTIMATE, 9)) + tlv.REQUEST_TLVS
    assert accepting.ask(plain) is not None


def test_a_new_key_begins_a_new_count_and_keeps_the_moment() -> None:
    made, a, _b = network(True)
    made.run(until=5 * SECOND)
    before = len(a.records)
    due = a.exchange._schedule.next_ns()
    made.hosts[B].reflector.replace_keys([key(A, B, 7), key(A, B, 8), key(A, B, 9)])
    a.exchange.replace_peers([target(A, B, 8)], now=made.now)
    assert a.exchange._schedule.next_ns() == due
    made.run(until=15 * SECOND)
    statistics = a.exchange.statistics()
    assert len(a.records) > before + 15
    assert (statistics.lost, statistics.rejected) == (0, {})
    assert {(record.forward_ns, record.backward_ns) for record in a.records if record.stamped_by[2] is KERNEL} == {
        (5_100_000, 4_900_000)
    }
    assert all(record.backward_ns <= 5 * MS <= record.forward_ns for record in a.records)
    requests = [data for source, _, data in made.seen if source == A and is_request(data)]
    assert sum(data[:4] == bytes(4) for data in requests) == 2


def test_replies_under_an_old_key_are_not_mixed_with_a_new_count() -> None:
    bench = Bench()
    (_, old), _ = bench.send()
    reply = bench.reply(old)
    bench.reflector.replace_keys([key(A, B), key(A, B, 8)])
    bench.exchange.replace_peers([target(A, B, 8)], now=bench.now)
    assert bench.exchange.statistics().abandoned == 2
    bench.receive(reply)
    assert bench.rejected() == {"forged": 1}
    (_, request), _ = bench.send()
    bench.receive(bench.reply(request))
    assert bench.completed() == 1


def test_the_same_keys_again_leave_sessions_as_they_are() -> None:
    bench = Bench()
    (_, one), (_, two) = bench.send()
    bench.reply(one)
    bench.reflector.replace_keys([key(C, B), key(A, B)])
    assert bench.ask(one) is None
    assert bench.refused() == {"replayed": 1}
    reply = authentication.verify_reflector(bench.reply(two), key(A, B).secret)
    assert reply.sequence == 1
    bench.reflector.replace_keys([key(C, B)])
    assert bench.ask(two) is None
    assert bench.refused()["unknown-key"] == 1


def test_two_keys_with_one_identifier_are_told_apart_by_their_hmac() -> None:
    bench = Bench()
    same = ProbeKey(C, key(A, B).session_id, bytes(32))
    bench.reflector.replace_keys([same, key(A, B)])
    (_, request), _ = bench.send()
    bench.reply(request)
    packet = SenderPacket(0, 5, ERROR_ESTIMATE, same.session_id)
    assert bench.ask(authentication.request(packet, same.secret), source=C) is not None


def test_a_flood_in_anothers_name_takes_nothing_from_it() -> None:
    """Forged or plain, with A's own address: A's authenticated requests are limited by their key alone."""
    bench = Bench()
    forged = authentication.request(SenderPacket(1, 5, ERROR_ESTIMATE, key(A, B).session_id), bytes(32))
    plain = encode_sender(SenderPacket(0, 5, ERROR_ESTIMATE, 9))
    for _ in range(500):
        bench.ask(forged)
        bench.ask(plain)
    assert bench.refused()["rate-limited"] > 200
    (_, request), _ = bench.send()
    assert bench.ask(request) is not None


def test_a_key_holder_that_floods_is_limited() -> None:
    bench = Bench()
    packets = [SenderPacket(n, 5, ERROR_ESTIMATE, key(A, B).session_id) for n in range(500)]
    answered = sum(bench.ask(authentication.request(packet, key(A, B).secret)) is not None for packet in packets)
    assert answered == 200
    assert bench.refused() == {"rate-limited": 300}


def test_padding_alone_needs_no_hmac_and_any_other_field_does() -> None:
    """RFC 8972 section 4.8."""
    bench = Bench()
    secret, session_id = key(A, B).secret, key(A, B).session_id

    def signed(sequence: int) -> bytes:
        return authentication.sign_sender(SenderPacket(sequence, 5, ERROR_ESTIMATE, session_id), secret)

    padding = tlv.encode_tlv(tlv.Tlv(tlv.UNRECOGNIZED, tlv.EXTRA_PADDING, bytes(40)))
    for sequence, behind in enumerate((b"", padding)):
        answer = bench.reply(signed(sequence) + behind)
        assert len(answer) == 112 + len(behind)
    assert bench.ask(signed(3) + tlv.REQUEST_TLVS) is None
    covered = authentication.sign_tlvs(tlv.REQUEST_TLVS, 4, secret) + padding
    assert len(bench.reply(signed(4) + covered)) == 112 + len(covered)
    assert bench.refused() == {"forged": 1}


@given(data=st.binary(min_size=112, max_size=200), sign=st.booleans())
def test_any_octets_under_whatever_signature_leave_both_sides_working(data: bytes, sign: bool) -> None:
    bench = Bench()
    bench.reflector.replace_keys([key(A, B), key(C, B)])
    bench.send()
    head = data[:4] + bytes(12) + data[16:26] + key(A, B).session_id.to_bytes(2, "big") + data[28:96]
    mac = authentication.truncated_hmac(key(A, B).secret, head) if sign else data[96:112]
    answer = bench.ask(head + mac + data[112:])
    assert answer is None or len(answer) == len(data)
    bench.receive(head + mac + data[112:])
    assert bench.completed() == 0
    other = key(C, B)
    assert bench.ask(authentication.request(SenderPacket(0, 5, ERROR_ESTIMATE, other.session_id), other.secret), C)
