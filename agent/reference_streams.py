"""Streams of octets from a receiver: a serial device, TCP, UDP, or a file that is written to. Rim.

What lies in a file already is read at once and bears no time of arrival; then the file is followed as it grows. UDP
listens. Each stream is an asynchronous iterator of chunks that raises OSError when it cannot go on; whoever reads
decides when to try again. Serial devices need the extra `reference` (pyserial) and the device's group, mostly
`dialout`, and nothing else.
"""

from __future__ import annotations

import asyncio
import os
import stat
from collections.abc import AsyncGenerator, Callable
from contextlib import aclosing
from dataclasses import dataclass
from pathlib import Path

from noonmark.agent.reference_places import Place

FOLLOW_EVERY = 0.2
_CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Chunk:
    """Octets as they came; `live` is False for what lay in a file already."""

    data: bytes
    live: bool = True


def open_stream(place: Place) -> AsyncGenerator[Chunk, None]:
    """The stream of a place. Iterating raises OSError when it cannot go on."""
    return _OPENERS[place.kind](place)


async def _serial(place: Place) -> AsyncGenerator[Chunk, None]:
    try:
        import serial  # only here: an extra, and most hosts have no receiver
    except ImportError:
        raise OSError("a serial device needs pyserial: pip install noonmark[reference]") from None
    try:
        device = serial.Serial(place.where, place.port, timeout=0, exclusive=True)
    except (ValueError, serial.SerialException) as error:
        raise OSError(str(error)) from None
    try:
        async with aclosing(_descriptor(device.fileno())) as chunks:
            async for chunk in chunks:
                yield chunk
    finally:
        device.close()


async def _descriptor(descriptor: int) -> AsyncGenerator[Chunk, None]:
    """What a non-blocking descriptor gives."""
    loop = asyncio.get_running_loop()
    readable = asyncio.Event()
    loop.add_reader(descriptor, readable.set)
    try:
        while True:
            await readable.wait()
            readable.clear()
            try:
                data = os.read(descriptor, _CHUNK)
            except BlockingIOError:
                continue
            if not data:
                raise OSError("the device hung up")
            yield Chunk(data)
    finally:
        loop.remove_reader(descriptor)


async def _tcp(place: Place) -> AsyncGenerator[Chunk, None]:
    reader, writer = await asyncio.open_connection(place.where, place.port)
    try:
        while data := await reader.read(_CHUNK):
            yield Chunk(data)
        raise OSError("the connection was closed at the other end")
    finally:
        writer.close()


class _Datagrams(asyncio.DatagramProtocol):
    """Datagrams into a bounded queue; the newest are lost if nobody takes them."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[bytes | Exception] = asyncio.Queue(64)

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002 - the protocol's signature
        self._put(data)

    def error_received(self, exc: Exception) -> None:
        self._put(exc)

    def connection_lost(self, exc: Exception | None) -> None:
        self._put(exc or OSError("the socket was closed"))

    def _put(self, item: bytes | Exception) -> None:
        if not self.queue.full():
            self.queue.put_nowait(item)


async def _udp(place: Place) -> AsyncGenerator[Chunk, None]:
    loop = asyncio.get_running_loop()
    transport, protocol = await loop.create_datagram_endpoint(_Datagrams, local_addr=(place.where, place.port))
    try:
        while True:
            item = await protocol.queue.get()
            if isinstance(item, Exception):
                raise OSError(str(item))
            # A datagram holds whole sentences, with or without the last line end.
            yield Chunk(item if item.endswith(b"\n") else item + b"\n")
    finally:
        transport.close()


async def _file(place: Place) -> AsyncGenerator[Chunk, None]:
    path = Path(place.where)
    if stat.S_ISFIFO(path.stat().st_mode):
        # Opened for both ways it never ends, whoever writes to it and goes.
        descriptor = os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            async with aclosing(_descriptor(descriptor)) as chunks:
                async for chunk in chunks:
                    yield chunk
        finally:
            os.close(descriptor)
        return
    with path.open("rb", buffering=0) as file:
        live = False
        while True:
            while data := file.read(_CHUNK):
                yield Chunk(data, live)
            live = True
            await asyncio.sleep(FOLLOW_EVERY)
            if path.stat().st_size < file.tell():
                raise OSError("the file became shorter: it is read anew")


_OPENERS: dict[str, Callable[[Place], AsyncGenerator[Chunk, None]]] = {
    "serial": _serial,
    "tcp": _tcp,
    "udp": _udp,
    "file": _file,
}
