"""Which addresses an agent announces; the kernel's routing table is asked, nothing is sent."""

from __future__ import annotations

import asyncio
import socket

import pytest

from noonmark.agent.addresses import local_address, reachable_at
from noonmark.proto.control import Endpoint
from noonmark.proto.options import HostPort

pytestmark = pytest.mark.sockets
COLLECTOR = HostPort("127.0.0.1", 18621)


def announce(bound: list[tuple[str, int]], *configured: HostPort) -> tuple[Endpoint, ...]:
    return asyncio.run(reachable_at(bound, configured, COLLECTOR))


def test_a_bound_address_is_announced_as_it_is() -> None:
    assert announce([("127.0.0.5", 18620), ("::1", 18621)]) == (
        Endpoint("127.0.0.5", 18620),
        Endpoint("::1", 18621),
    )


def test_what_is_configured_wins() -> None:
    assert announce([("0.0.0.0", 18620)], HostPort("127.0.0.9", 5)) == (Endpoint("127.0.0.9", 5),)


def test_a_wildcard_becomes_a_real_address_of_its_family() -> None:
    found = announce([("0.0.0.0", 18620)])
    assert Endpoint("127.0.0.1", 18620) in found
    assert all(endpoint.version == 4 and endpoint.port == 18620 for endpoint in found)
    # A collector on this very host says nothing about how others reach it: an outward address goes first.
    outward = [endpoint for endpoint in found if not endpoint.address.startswith("127.")]
    assert list(found[: len(outward)]) == outward


def test_a_collector_that_cannot_be_resolved_is_no_fault() -> None:
    # A label of more than 63 letters is refused before anyone is asked (RFC 1035 section 2.3.4).
    found = asyncio.run(reachable_at([("127.0.0.5", 1)], (), HostPort("x" * 64, 1)))
    assert found == (Endpoint("127.0.0.5", 1),)


def test_the_way_to_a_loopback_address_starts_on_loopback() -> None:
    assert local_address(socket.AF_INET, "127.0.0.7") == "127.0.0.1"
    assert local_address(socket.AF_INET, "not an address") is None
