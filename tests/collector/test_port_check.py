from __future__ import annotations

import socket

import pytest

from noonmark.collector.port_check import claimed, is_free
from noonmark.proto.options import HostPort

pytestmark = pytest.mark.sockets


@pytest.mark.parametrize(("family", "host"), [(socket.AF_INET, "127.0.0.1"), (socket.AF_INET6, "::1")])
def test_a_port_that_another_shares_is_not_free(family: int, host: str) -> None:
    with socket.socket(family, socket.SOCK_STREAM) as other:
        try:
            other.bind((host, 0))
        except OSError:
            pytest.skip("this host has no IPv6")
        port = other.getsockname()[1]
    assert is_free(HostPort(host, port))
    with socket.socket(family, socket.SOCK_STREAM) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        other.bind((host, port))
        other.listen(1)
        assert not is_free(HostPort(host, port))
    assert is_free(HostPort(host, port))


def test_any_free_port_is_free_and_a_strange_address_is_for_others_to_refuse() -> None:
    assert is_free(HostPort("127.0.0.1", 0))
    assert is_free(HostPort("192.0.2.1", 18621)), "TEST-NET-1 (RFC 5737): no address of this host"


def test_of_two_that_start_in_one_instant_one_has_the_port() -> None:
    where = HostPort("127.93.5.1", 18621)
    with claimed(where) as first:
        assert first
        with claimed(where) as second:
            assert not second
        with claimed(HostPort("127.93.5.2", 18621)) as other:
            assert other
    with claimed(where) as later:
        assert later
    with claimed(HostPort("127.0.0.1", 0)) as one, claimed(HostPort("127.0.0.1", 0)) as another:
        assert one
        assert another
