"""At which addresses others reach this host. Rim: asks the kernel's routing table, and sends nothing.

A socket bound to all addresses has none of its own to tell. The address from which this host would speak to the
collector is one that the fleet's network knows; for a collector on this very host, the one of the default route.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Sequence

from noonmark.proto.control import Endpoint
from noonmark.proto.options import HostPort

_WILDCARDS = ("0.0.0.0", "::")
# Addresses of the documentation ranges (RFC 5737, RFC 3849): any will do to ask for the default route.
_OUTWARD = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}


async def reachable_at(
    bound: Sequence[tuple[str, int]], announced: Sequence[HostPort], collector: HostPort
) -> tuple[Endpoint, ...]:
    """What to announce: as configured; else the bound addresses, wildcards replaced by real ones of their family."""
    if announced:
        return tuple(Endpoint(where.host, where.port) for where in announced)
    remote = await _resolve(collector)
    endpoints: list[Endpoint] = []
    for address, port in bound:
        found = [address] if address not in _WILDCARDS else _of_family(address, remote)
        endpoints += [Endpoint(host, port) for host in found]
    return tuple(dict.fromkeys(endpoints))


async def _resolve(collector: HostPort) -> dict[socket.AddressFamily, str]:
    try:
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(collector.host, collector.port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError):  # the latter for a name that is none by the rules of domain names
        return {}
    return {family: str(address[0]) for family, _, _, _, address in reversed(found)}


def _of_family(wildcard: str, remote: dict[socket.AddressFamily, str]) -> list[str]:
    family = socket.AF_INET6 if ":" in wildcard else socket.AF_INET
    towards = local_address(family, remote[family]) if family in remote else None
    if towards is not None and not _is_loopback(towards):
        return [towards]
    outward = local_address(family, _OUTWARD[family])
    return [address for address in (outward, towards) if address is not None]


def _is_loopback(address: str) -> bool:
    return address.startswith("127.") or address == "::1"


def local_address(family: socket.AddressFamily, remote: str) -> str | None:
    """The address that this host would speak from to `remote`; None if no route leads there. Nothing is sent."""
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((remote, 9))
            address = str(sock.getsockname()[0])
    except OSError:
        return None
    # A link-local address means nothing without its interface.
    return None if address.lower().startswith("fe80") else address.partition("%")[0]
