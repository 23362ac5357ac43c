"""An agent that means harm, as a process: what it sends makes no sense, or far too much of it.

    python hostile_agent.py HOST:PORT absurd|million|garbage|scan

It prints a line of JSON: how many messages it sent, and with which gRPC codes its streams ended.
"""

from __future__ import annotations

import json
import random
import socket
import sys
from collections import Counter
from collections.abc import Iterator

import grpc

from noonmark.proto import noonmark_pb2 as pb

CALL = "/noonmark.v1.Reports/Report"
FAR_NS = 2**63 - 1
"""2262-04-11, the last instant that a signed 64-bit count of nanoseconds reaches."""
PATHS_A_BATCH = 4096
MILLION = 1_000_000


def hello(name: str, instance: int = 1) -> bytes:
    endpoint = pb.Endpoint(address="127.0.0.1", port=9)
    return pb.AgentMessage(hello=pb.Hello(host=name, instance=instance, endpoints=[endpoint])).SerializeToString()


def batch(sequence: int, names: list[str], times: list[tuple[int, int, int, int]], **more: object) -> bytes:
    """One row a name; the columns hold whatever the times come to, wrapped to 64 bits."""
    last, t1_delta = 0, []
    for row in times:
        t1_delta.append(wrap(row[0] - last))
        last = row[0]
    made = pb.RecordBatch(
        sequence=sequence,
        destinations=names,
        destination=range(len(names)),
        t1_delta=t1_delta,
        forward_delta=[wrap(t2 - t1) for t1, t2, _, _ in times],
        turnaround_delta=[wrap(t3 - t2) for _, t2, t3, _ in times],
        backward_delta=[wrap(t3 - t4) for _, _, t3, t4 in times],
        flags=[0x155] * len(names),
        source_epoch=[1] * len(names),
        destination_epoch=[1] * len(names),
    )
    for key, value in more.items():
        getattr(made, key)[:] = value
    return pb.AgentMessage(batch=made).SerializeToString()


def wrap(value: int) -> int:
    return (value + 2**63) % 2**64 - 2**63


def absurd() -> Iterator[list[bytes]]:
    """Streams, each of one kind of nonsense."""
    victims = ["quay-reference", "quay-gate-1", "skerry-gate-1"]
    for number, time in enumerate((-FAR_NS, -1, 0, FAR_NS, FAR_NS - 5, 10**18)):
        rows = [(time, time + 1, time + 2, time + 3)] * len(victims)
        yield [hello(f"mallory-{number}"), batch(1, victims, rows)]
    # Replies before requests, and clocks years apart in one batch.
    yield [hello("mallory-a"), batch(1, victims, [(10**18, -(10**18), FAR_NS, 3), (1, 2, 3, 4), (5, 5, 5, 5)])]
    yield [hello("mallory-b"), batch(1, victims, [(1, 2, 3, 4)] * 3, t1_delta=[1])]
    yield [hello("mallory-c"), batch(1, victims, [(1, 2, 3, 4)] * 3, destination=[0, 1, 4_000_000_000])]
    yield [hello("mallory-d"), batch(1, victims, [(1, 2, 3, 4)] * 3, flags=[2**32 - 1] * 3)]
    yield [hello("mallory-e"), batch(2**64 - 1, victims, [(1, 2, 3, 4)] * 3)]
    yield [hello("x" * 100_000)]
    yield [hello("mallory-f")] * 2
    event = pb.ClockEvent(sequence=1, kind=pb.ClockEvent.STEP, epoch=2**32 - 1, at_ns=-FAR_NS, size_ns=FAR_NS)
    yield [hello("mallory-g"), pb.AgentMessage(clock_event=event).SerializeToString()]
    clock = pb.KernelClock(maximum_error_ns=2**64 - 1, frequency=float("nan"), offset_ns=-FAR_NS)
    yield [hello("mallory-h"), pb.AgentMessage(kernel_clock=clock).SerializeToString()]
    status = pb.ReferenceStatus(state=pb.LOCKED, uncertainty_ns=0, limit_ns=0, source="\0", oscillator="?")
    yield [hello("mallory-i"), pb.AgentMessage(reference=status).SerializeToString()]


def million() -> Iterator[list[bytes]]:
    """A million paths to hosts that do not exist, from one host."""
    messages = [hello("mallory")]
    for number in range(0, MILLION, PATHS_A_BATCH):
        names = [f"no-{number + place}" for place in range(PATHS_A_BATCH)]
        now = 10**18 + number
        messages.append(batch(1 + number // PATHS_A_BATCH, names, [(now, now + 10, now + 20, now + 30)] * len(names)))
    yield messages


def garbage() -> Iterator[list[bytes]]:
    """What no protobuf parser takes, and what it takes and nobody meant."""
    draw = random.Random(3)
    for size in (1, 7, 100, 5000):
        yield [draw.randbytes(size)]
        yield [hello("mallory"), draw.randbytes(size)]
        sound = bytearray(batch(1, ["quay-gate-1"], [(1, 2, 3, 4)]))
        for _ in range(3):
            sound[draw.randrange(len(sound))] ^= 1 << draw.randrange(8)
        yield [hello("mallory"), bytes(sound)]
    yield [b"\xff" * (3 << 20)]
    yield [b"\x0a\x00" * (1 << 20)]
    yield [bytes(5 << 20)]


def speak(address: str, streams: Iterator[list[bytes]]) -> tuple[int, Counter[str]]:
    codes: Counter[str] = Counter()
    sent = 0
    with grpc.insecure_channel(address, options=[("grpc.max_send_message_length", -1)]) as channel:
        for messages in streams:
            call = channel.stream_stream(CALL)(iter(messages), timeout=60)
            sent += len(messages)
            try:
                for _ in call:
                    pass
            except grpc.RpcError:
                pass
            codes[call.code().name] += 1
    return sent, codes


def scan(address: str) -> tuple[int, Counter[str]]:
    """Connections that say nothing, or something else than HTTP/2; and other ports."""
    host, _, port = address.rpartition(":")
    draw = random.Random(4)
    told: Counter[str] = Counter()
    words = [
        b"",
        b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01" + bytes(512),
        b"SSH-2.0-x\r\n",
    ]
    words += [b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n" + draw.randbytes(4000), draw.randbytes(20_000)]
    sockets = []
    for number in range(200):
        try:
            sockets.append(socket.create_connection((host, int(port)), timeout=5))
            sockets[-1].sendall(words[number % len(words)])
            told["connected"] += 1
        except OSError as error:
            told[type(error).__name__] += 1
    for other in range(18_600, 18_640):
        with socket.socket() as trial:
            trial.settimeout(1)
            told["open" if trial.connect_ex((host, other)) == 0 else "closed"] += 1
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
            trial.sendto(draw.randbytes(draw.randrange(1, 1400)), (host, other))
    for each in sockets:
        each.close()
    return 200, told


def main(address: str, what: str) -> None:
    sent, told = scan(address) if what == "scan" else speak(address, globals()[what]())
    print(json.dumps({"sent": sent, "told": told}))


if __name__ == "__main__":
    main(*sys.argv[1:])
