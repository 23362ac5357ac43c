"""Network namespaces joined by a bridge, for tests that need more than loopback. Needs root and the program `ip`.

Every name carries a random prefix; the addresses live only inside, on links that lead nowhere else: the bridge itself
has a namespace of its own, so nothing is added to the host's network and no packet can leave. Whatever happens, all
is removed: deleting a namespace removes the links in it.

    with bridged_namespaces(3) as hosts:
        process = subprocess.Popen(hosts[0].command("python", "-c", "..."))
"""

from __future__ import annotations

import contextlib
import secrets
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Namespace:
    """One host of the test network."""

    name: str
    address: str
    """IPv4, out of 10.77.0.0/16."""
    address6: str
    """IPv6, out of a unique local prefix."""

    def command(self, *words: str) -> list[str]:
        """The command line that runs a program inside."""
        return ["ip", "netns", "exec", self.name, *words]


@contextlib.contextmanager
def bridged_namespaces(count: int) -> Iterator[list[Namespace]]:
    """So many namespaces, each joined by a virtual link to one bridge. Raises CalledProcessError where `ip` fails."""
    prefix = f"nm{secrets.token_hex(3)}"
    switch = f"{prefix}-sw"
    hosts = [Namespace(f"{prefix}-{n}", f"10.77.{n >> 8}.{(n & 255) + 1}", f"fd77::{n + 1:x}") for n in range(count)]
    with contextlib.ExitStack() as made:
        made.callback(_delete, switch)
        _ip("netns", "add", switch)
        _ip("-n", switch, "link", "add", "bridge", "type", "bridge", "forward_delay", "0")
        _ip("-n", switch, "link", "set", "bridge", "up")
        for number, host in enumerate(hosts):
            made.callback(_delete, host.name)
            _ip("netns", "add", host.name)
            _join(host, switch, f"port{number}")
        yield hosts


def _join(host: Namespace, switch: str, port: str) -> None:
    _ip("-n", switch, "link", "add", port, "type", "veth", "peer", "name", "eth0", "netns", host.name)
    _ip("-n", switch, "link", "set", port, "master", "bridge", "up")
    _ip("-n", host.name, "link", "set", "lo", "up")
    _ip("-n", host.name, "address", "add", f"{host.address}/16", "dev", "eth0")
    # Without duplicate address detection the address can be used at once.
    _ip("-n", host.name, "address", "add", f"{host.address6}/64", "dev", "eth0", "nodad")
    _ip("-n", host.name, "link", "set", "eth0", "up")


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=30)


def _delete(name: str) -> None:
    subprocess.run(["ip", "netns", "delete", name], check=False, capture_output=True, timeout=30)
