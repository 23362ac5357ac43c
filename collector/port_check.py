"""Whether anybody listens on a port already, or is about to. Rim.

A port that is shared is refused to nobody by the kernel, so both must be asked: whoever listens already is found by
binding the port alone, and letting go at once; another collector that starts in the same instant, and has not bound
yet, by a name that only one can hold.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import socket
from collections.abc import Iterator

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


@contextlib.contextmanager
def claimed(where: HostPort) -> Iterator[bool]:
    """Hold the place against other collectors that would bind the same words; False: another one holds it.

    The name is that of a Unix socket without a file: it belongs to the network namespace, as ports do, and goes with
    the process. Port 0 is nobody's.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as name:
        try:
            if where.port:
                name.bind(b"\0noonmark-collector-" + hashlib.sha256(str(where).encode()).hexdigest().encode())
        except OSError as error:
            yield error.errno != errno.EADDRINUSE
        else:
            yield True


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
