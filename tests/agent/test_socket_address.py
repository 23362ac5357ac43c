"""Against the kernel itself: what a real socket says of its peers."""

from __future__ import annotations

import contextlib
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.socket_address import AddressTable, decode, encode

ports = st.integers(1, 65535)


@given(st.ip_addresses(v=4).map(str), ports)
def test_ipv4_comes_back(host: str, port: int) -> None:
    assert decode(encode((host, port))) == (host, port)


@given(st.binary(min_size=16, max_size=16).map(lambda octets: socket.inet_ntop(socket.AF_INET6, octets)), ports)
def test_ipv6_comes_back(host: str, port: int) -> None:
    assert decode(encode((host, port))) == (host, port, 0, 0)


def test_link_local_address_names_its_interface() -> None:
    index = socket.if_nametoindex("lo")
    expected = ("fe80::1%lo", 8620, 0, index)
    for address in (("fe80::1%lo", 8620), (f"fe80::1%{index}", 8620), ("fe80::1", 8620, 0, index)):
        assert decode(encode(address)) == expected
    assert encode(expected) == encode(("fe80::1%lo", 8620))


@pytest.mark.parametrize(
    "host",
    [
        "",
        "quay",
        "1.2.3",
        "::1::",
        "fe80::1%no-such-interface",
        "fe80::1%4294967296",
        f"fe80::1%{'9' * 5000}",
        "fe80::1%lo\0",
        "127.0.0.1\0",
    ],
)
def test_no_number_is_an_error(host: str) -> None:
    with pytest.raises(OSError, match=r"."):
        encode((host, 1))


@given(st.binary(max_size=40))
def test_any_octets_are_read_or_refused(structure: bytes) -> None:
    with contextlib.suppress(ValueError):
        decode(structure)


def test_other_families_are_refused() -> None:
    for structure in (b"", bytes(16), bytes(28), encode(("127.0.0.1", 1))[:15]):
        with pytest.raises(ValueError, match="neither IPv4 nor IPv6"):
            decode(structure)


def test_table_is_bounded() -> None:
    table = AddressTable()
    for number in range(20_000):
        address = (f"127.{number >> 16}.{number >> 8 & 255}.{number & 255}", 8620)
        assert table.to_tuple(table.to_structure(address)) == address
    assert table.remembered <= 2 * 8192


@pytest.mark.sockets
@pytest.mark.parametrize("host", ["127.0.9.5", "::1"])
def test_kernel_writes_addresses_the_same_way(host: str) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as bound, socket.socket(family, socket.SOCK_DGRAM) as asking:
        bound.bind((host, 0))
        asking.bind((host, 0))
        asking.sendto(b"x", decode(encode(bound.getsockname())))
        assert bound.recvfrom(10)[1] == decode(encode(asking.getsockname()))
