"""Whether anybody listens on a port already. Rim: it binds, and lets go at once."""

from __future__ import annotations

import errno
import socket

from noonmark.proto.options import HostPort


def is_free(where: HostPort) -> bool:
    """Whether each address of it could be bound by one alone, as a server would that shares its port with nobody.

    One that is no address of this host is left to whoever binds it to complain of.
    """
    try:
        found = socket.getaddrinfo(where.host or None, where.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except OSError:
        return True
    return all(_can_bind(family, address) for family, _, _, _, address in found)


def _can_bind(family: int, address: tuple[object, ...]) -> bool:
    try:
        with socket.socket(family, socket.SOCK_STREAM) as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
            one.bind(address)
            one.listen(1)
    except OSError as error:
        return error.errno != errno.EADDRINUSE
    return True
