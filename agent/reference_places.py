"""Where a receiver's octets come from, as it is written in the settings. Pure.

`serial:/dev/ttyS0@9600`, `tcp:HOST:PORT`, `udp:ADDRESS:PORT`, `file:PATH`; a bare /dev/... is a serial device.
"""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.proto.options import host_port

DEFAULT_BAUD = 9600


@dataclass(frozen=True, slots=True)
class Place:
    """Where a stream comes from; `port` is a UDP or TCP port, or a serial line's speed."""

    kind: str
    where: str
    port: int = 0

    def __str__(self) -> str:
        if self.kind in ("tcp", "udp"):
            return (
                f"{self.kind}:[{self.where}]:{self.port}"
                if ":" in self.where
                else (f"{self.kind}:{self.where}:{self.port}")
            )
        return self.where


def parse_place(text: str) -> Place:
    """Read a place. Raises ValueError with the remedy."""
    kind, colon, where = text.partition(":")
    if kind in ("tcp", "udp") and where:
        address = host_port()(where)
        return Place(kind, address.host, address.port)
    if kind == "file" and where:
        return Place(kind, where)
    if kind == "serial" and where:
        path, at, speed = where.partition("@")
        if not path or (at and not (speed.isdecimal() and 50 <= int(speed) <= 4_000_000)):
            raise ValueError("use serial:DEVICE or serial:DEVICE@SPEED, such as serial:/dev/ttyS0@9600")
        return Place(kind, path, int(speed) if speed else DEFAULT_BAUD)
    if not colon and text.startswith("/dev/"):
        return Place("serial", text, DEFAULT_BAUD)
    raise ValueError("use serial:DEVICE[@SPEED], tcp:HOST:PORT, udp:ADDRESS:PORT or file:PATH")
