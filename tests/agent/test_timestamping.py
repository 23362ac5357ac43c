"""The stamped socket on loopback: real kernel, real error queue."""

from __future__ import annotations

import errno
import select
import socket
from collections.abc import Iterator

import pytest

from noonmark.agent import timestamping
from noonmark.agent.clocks import SystemClock
from noonmark.agent.timestamping import StampedSocket, Stamping

pytestmark = pytest.mark.sockets

Pair = tuple[StampedSocket[str], StampedSocket[str]]


def wait(sock: StampedSocket[str]) -> None:
    assert select.select([sock.fileno()], [], [], 5)[0], "nothing came"


def until_stamped(a: StampedSocket[str], b: StampedSocket[str]) -> None:
    """The kernel switches receive stamps on a moment after they were asked for: the first packets may come without."""
    for _ in range(10_000):
        a.send([(b"first", b.address, "first", None)])
        wait(b)
        received = b.receive()
        a.transmit_stamps()
        if received[0][2]:
            return
    pytest.fail("receive stamps never came")


@pytest.fixture(params=["127.0.9.1", "::1"])
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    a: StampedSocket[str] = StampedSocket(request.param, 0)
    b: StampedSocket[str] = StampedSocket(request.param, 0)
    until_stamped(a, b)
    yield a, b
    a.close()
    b.close()


def test_both_stamps_lie_between_readings_of_the_clock(pair: Pair) -> None:
    a, b = pair
    assert a.stamping is Stamping.BOTH
    clock = SystemClock()
    before = clock.realtime_ns()
    a.send([(b"probe", b.address, "probe", None)])
    wait(b)
    (message,) = b.receive()
    after = clock.realtime_ns()
    data, address, received_ns, hop_limit, *_ = message
    ((token, sent_ns),) = a.transmit_stamps()
    assert (data, address[:2], hop_limit, token) == (b"probe", a.address[:2], 64, "probe")
    assert before <= sent_ns <= received_ns <= after


def test_stamps_come_back_with_their_own_tokens(pair: Pair) -> None:
    a, b = pair
    assert a.send([(b"x", b.address, f"packet {number}", None) for number in range(50)]) == []
    stamps = a.transmit_stamps()
    assert [token for token, _ in stamps] == [f"packet {number}" for number in range(50)]
    assert [at for _, at in stamps] == sorted(at for _, at in stamps)
    assert not a.awaits_stamps


def test_failed_sends_leave_the_others_with_their_own_tokens() -> None:
    a: StampedSocket[str] = StampedSocket("127.0.9.1", 0)
    b: StampedSocket[str] = StampedSocket("127.0.9.1", 0)
    broadcast = ("127.255.255.255", 9)  # refused by the kernel, which was not asked to allow it
    messages = [
        (b"x", b.address, "before", None),
        (b"x", broadcast, "broadcast", None),
        (bytes(70_000), b.address, "long", None),
        (b"x", ("no number", 9), "unnumbered", None),
        (b"x", ("::1", 9), "other family", None),
        (b"x", b.address, "after", None),
    ]
    failures = {token: errno.errorcode.get(error.errno or 0) for token, error in a.send(messages)}
    assert set(failures) == {"broadcast", "long", "unnumbered", "other family"}
    assert (failures["broadcast"], failures["long"]) == ("EACCES", "EMSGSIZE")
    assert {token for token, _ in a.transmit_stamps()} == {"before", "after"}
    assert len(b.receive()) == 2
    assert a.given_up == 0
    a.close()
    b.close()


def test_empty_socket_gives_nothing(pair: Pair) -> None:
    a, _ = pair
    assert a.receive() == []
    assert a.transmit_stamps() == []


def test_oversized_datagram_is_dropped_and_counted(pair: Pair) -> None:
    _, b = pair
    with socket.socket(b.family, socket.SOCK_DGRAM) as sender:
        for length in (timestamping.LONGEST_DATAGRAM + 1, timestamping.LONGEST_DATAGRAM):
            sender.sendto(bytes(length), b.address)
    wait(b)
    (message,) = b.receive()
    assert len(message[0]) == timestamping.LONGEST_DATAGRAM
    assert b.oversized == 1


def test_full_receive_buffer_loses_stamps_but_never_mixes_them(pair: Pair) -> None:
    a, b = pair
    a.send([(b"x", b.address, f"{number}", None) for number in range(2000)])
    stamps = a.transmit_stamps()
    assert 0 < len(stamps) < 2000
    for number, (token, _) in enumerate(stamps):
        assert token == f"{number}", "those that came first had room"
    a.forget_awaited()
    assert a.given_up == 2000 - len(stamps)
    a.send([(b"x", b.address, "then", None)])
    assert [token for token, _ in a.transmit_stamps()] == ["then"]


@pytest.mark.parametrize(("wildcard", "asked"), [("0.0.0.0", "127.0.9.77"), ("::", "::1")])
def test_reply_leaves_from_the_address_that_was_asked(wildcard: str, asked: str) -> None:
    server: StampedSocket[str] = StampedSocket(wildcard, 0)
    client: StampedSocket[str] = StampedSocket("127.0.9.2" if wildcard == "0.0.0.0" else "::1", 0)
    try:
        client.send([(b"question", (asked, server.address[1]), "question", None)])
        wait(server)
        (message,) = server.receive()
        server.send([(b"answer", message[1], "answer", message[4])])
        wait(client)
        (answer,) = client.receive()
        assert answer[1][:2] == (asked, server.address[1])
    finally:
        server.close()
        client.close()


def test_both_families_share_a_port() -> None:
    four: StampedSocket[str] = StampedSocket("0.0.0.0", 0)
    six: StampedSocket[str] = StampedSocket("::", four.address[1])
    four.close()
    six.close()


def test_address_in_use_is_an_error_and_leaks_nothing() -> None:
    taken: StampedSocket[str] = StampedSocket("127.0.9.1", 0)
    with pytest.raises(OSError, match="in use"):
        StampedSocket("127.0.9.1", taken.address[1])
    taken.close()


class Refusing(socket.socket):
    """A kernel that knows fewer options."""

    refused: tuple[int, ...] = ()

    def setsockopt(self, level: int, option: int, value: int | bytes) -> None:  # type: ignore[override]
        if level == socket.SOL_SOCKET and option in self.refused:
            raise OSError(92, "Protocol not available")
        super().setsockopt(level, option, value)


@pytest.mark.parametrize(
    ("refused", "stamping"),
    [
        ((timestamping.SO_TIMESTAMPING,), Stamping.RECEIVE),
        ((timestamping.SO_TIMESTAMPING, timestamping.SO_TIMESTAMPNS), Stamping.NONE),
    ],
)
def test_kernel_that_refuses_stamps_is_lived_with(
    monkeypatch: pytest.MonkeyPatch, refused: tuple[int, ...], stamping: Stamping
) -> None:
    monkeypatch.setattr(Refusing, "refused", refused)
    monkeypatch.setattr(socket, "socket", Refusing)
    a: StampedSocket[str] = StampedSocket("127.0.9.1", 0)
    b: StampedSocket[str] = StampedSocket("127.0.9.1", 0)
    try:
        assert a.stamping is stamping
        if stamping is Stamping.RECEIVE:
            until_stamped(a, b)
        a.send([(b"x", b.address, "x", None)])
        wait(b)
        (message,) = b.receive()
        assert bool(message[2]) is (stamping is Stamping.RECEIVE)
        assert a.transmit_stamps() == []
        assert not a.awaits_stamps
    finally:
        a.close()
        b.close()
