from __future__ import annotations

import socket

import pytest

from noonmark.agent.mmsg import Batch
from noonmark.agent.socket_address import decode, encode

pytestmark = pytest.mark.sockets


@pytest.fixture(params=["127.0.9.6", "::1"])
def host(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def bound(host: str) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM)
    made.bind((host, 0))
    return made


def test_datagrams_of_many_lengths_go_and_come_in_one_call(host: str) -> None:
    with bound(host) as a, bound(host) as b:
        outgoing, incoming = Batch(8, 100, 64), Batch(8, 100, 64)
        sent = [bytes([number]) * length for number, length in enumerate((0, 1, 50, 99, 100))]
        for slot, data in enumerate(sent):
            outgoing.put(slot, data, encode(b.getsockname()))
        assert outgoing.send(a.fileno(), 0, len(sent)) == 5
        assert incoming.receive(b.fileno()) == 5
        datagrams = incoming.datagrams(5)
        assert [octets for octets, *_ in datagrams] == sent
        assert {decode(name) for _, name, *_ in datagrams} == {a.getsockname()}
        assert not any(truncated for _, _, truncated, _, _ in datagrams)
        assert incoming.receive(b.fileno()) == 0


def test_slots_are_as_new_for_every_call(host: str) -> None:
    with bound(host) as a, bound(host) as b:
        outgoing, incoming = Batch(2, 100, 64), Batch(2, 100, 64)
        for length in (3, 100, 1):
            outgoing.put(0, b"x" * length, encode(b.getsockname()))
            outgoing.send(a.fileno(), 0, 1)
            assert incoming.receive(b.fileno()) == 1
            assert incoming.datagrams(1)[0][0] == b"x" * length


def test_more_than_the_room_is_told(host: str) -> None:
    with bound(host) as a, bound(host) as b:
        a.sendto(b"x" * 101, b.getsockname())
        incoming = Batch(2, 100, 64)
        assert incoming.receive(b.fileno()) == 1
        octets, _, truncated, _, _ = incoming.datagrams(1)[0]
        assert (len(octets), truncated) == (100, True)


def test_sending_stops_at_what_cannot_be_sent() -> None:
    with bound("127.0.9.6") as a, bound("127.0.9.6") as b:
        outgoing = Batch(3, 100, 64)
        for slot, address in enumerate((b.getsockname(), ("127.255.255.255", 9), b.getsockname())):
            outgoing.put(slot, b"x", encode(address))
        assert outgoing.send(a.fileno(), 0, 3) == 1
        with pytest.raises(PermissionError):
            outgoing.send(a.fileno(), 1, 2)
        assert outgoing.send(a.fileno(), 2, 1) == 1


def test_what_the_room_cannot_hold_is_an_error() -> None:
    outgoing = Batch(1, 100, 64)
    with pytest.raises(OSError, match="too long"):
        outgoing.put(0, bytes(101), b"")
    with pytest.raises(OSError, match="too long"):
        outgoing.put(0, b"", b"", bytes(65))


def test_closed_socket_is_an_error() -> None:
    gone = bound("127.0.9.6")
    number = gone.fileno()
    gone.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        Batch(1, 100, 64).receive(number)
