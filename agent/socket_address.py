"""The kernel's socket addresses (struct sockaddr_in and sockaddr_in6) <-> the tuples that Python writes for them. Rim.

Rim only because a link-local address names its interface by a number that the host knows. The tables make it cheap to
see the same peers again; they are bounded by being emptied.
"""

from __future__ import annotations

import errno
import socket
import struct

Address = tuple[str, int] | tuple[str, int, int, int]

LONGEST = 28
_FAMILY = struct.Struct("=H")
_PORT_HOST_4 = struct.Struct("!2xH4s8x")
_PORT_HOST_6 = struct.Struct("!2xHI16s")
_SCOPE = struct.Struct("=I")
_MOST = 8192
"""Entries in each direction."""


class AddressTable:
    """Both directions, remembered."""

    def __init__(self) -> None:
        self._tuples: dict[bytes, Address] = {}
        self._structures: dict[Address, bytes] = {}

    @property
    def remembered(self) -> int:
        """Entries in both directions."""
        return len(self._tuples) + len(self._structures)

    def to_tuple(self, structure: bytes) -> Address:
        """As `socket.recvfrom` gives it. Raises ValueError for another family."""
        known = self._tuples.get(structure)
        if known is None:
            if len(self._tuples) >= _MOST:
                self._tuples.clear()
            known = self._tuples[structure] = decode(structure)
        return known

    def to_structure(self, address: Address) -> bytes:
        """As the kernel takes it. Raises OSError for what is no numeric address."""
        known = self._structures.get(address)
        if known is None:
            if len(self._structures) >= _MOST:
                self._structures.clear()
            known = self._structures[address] = encode(address)
        return known


def decode(structure: bytes) -> Address:
    """Raises ValueError if it is neither IPv4 nor IPv6."""
    if len(structure) == 16 and _FAMILY.unpack_from(structure)[0] == socket.AF_INET:
        port, host = _PORT_HOST_4.unpack(structure)
        return socket.inet_ntop(socket.AF_INET, host), port
    if len(structure) == LONGEST and _FAMILY.unpack_from(structure)[0] == socket.AF_INET6:
        port, flow, host = _PORT_HOST_6.unpack_from(structure)
        (scope,) = _SCOPE.unpack_from(structure, 24)
        text = socket.inet_ntop(socket.AF_INET6, host)
        return (f"{text}%{_interface_name(scope)}" if scope else text), port, flow, scope
    raise ValueError(f"socket address of {len(structure)} octets is neither IPv4 nor IPv6")


def encode(address: Address) -> bytes:
    """Raises OSError if the host is no numeric address, or names an interface that is not there."""
    try:
        return _encode(address)
    except (ValueError, struct.error):
        # Numbers too large for their field, and texts that C cannot hold: other hosts' words, which must end nothing.
        raise OSError(errno.EINVAL, "no socket address") from None


def _encode(address: Address) -> bytes:
    host, port = address[0], address[1]
    if ":" not in host:
        return _FAMILY.pack(socket.AF_INET) + _PORT_HOST_4.pack(port, socket.inet_pton(socket.AF_INET, host))[2:]
    text, _, interface = host.partition("%")
    scope = address[3] if len(address) == 4 else 0
    if interface and not scope:
        scope = int(interface) if interface.isdecimal() else socket.if_nametoindex(interface)
    packed = _PORT_HOST_6.pack(port, 0, socket.inet_pton(socket.AF_INET6, text))[2:]
    return _FAMILY.pack(socket.AF_INET6) + packed + _SCOPE.pack(scope)


def _interface_name(scope: int) -> str:
    try:
        return socket.if_indextoname(scope)
    except OSError:
        return str(scope)
