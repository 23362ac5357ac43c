"""What taking reports costs: messages a second, and microseconds a message into the window.

Run by hand: ``python tests/bench/bench_ingest.py``. Ratios hold across machines, absolute figures do not. Everything in
one process on one loop, so the figures of the streams hold client and server together. Compared in the same run: one
bidirectional stream with columns (ours) against one unary call a batch, and columns against a submessage a record.
"""

from __future__ import annotations

import asyncio
import resource
import time
from collections.abc import Callable

import grpc
import grpc.aio
import numpy as np
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

from noonmark.collector.directory import Directory
from noonmark.collector.ingest import Ingest
from noonmark.collector.window import Window, WindowSettings
from noonmark.proto import convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.noonmark_pb2_grpc import ReportsStub, add_ReportsServicer_to_server
from noonmark.proto.records import ProbeRecord, RecordBatch, StampSource

PEERS, PACKETS, SECONDS = 8, 2, 5
"""A batch each 5 s of 8 peers, two packets a second: 80 rows."""
KERNEL = (StampSource.KERNEL,) * 4
MESSAGES = 3000
AGENTS = 1000


def batch(sequence: int = 1) -> RecordBatch:
    """Rows as an agent would measure them."""
    generator = np.random.default_rng(1)
    rows = PEERS * PACKETS * SECONDS
    start = 1_800_000_000 * 10**9 + sequence * SECONDS * 10**9
    t1 = start + np.sort(generator.integers(0, SECONDS * 10**9, rows))
    there, turn, back = (generator.integers(20_000, 90_000, rows) for _ in range(3))
    return RecordBatch.from_records(
        sequence,
        [
            ProbeRecord(
                f"host-{row % PEERS}", int(a), int(a + b), int(a + b + c), int(a + b + c + d), KERNEL, 1, 1, True
            )
            for row, (a, b, c, d) in enumerate(zip(t1, there, turn, back, strict=True))
        ],
    )


def each(work: Callable[[int], object], times: int) -> float:
    """Microseconds a call, best of three."""
    best = float("inf")
    for _ in range(3):
        started = time.perf_counter()
        for number in range(times):
            work(number)
        best = min(best, (time.perf_counter() - started) / times * 1e6)
    return best


def submessages() -> type:
    """A message class with one submessage a record, for comparison only."""
    file = descriptor_pb2.FileDescriptorProto(name="bench.proto", package="bench", syntax="proto3")
    record = file.message_type.add(name="Record")
    field = descriptor_pb2.FieldDescriptorProto
    record.field.add(name="destination", number=1, type=field.TYPE_STRING, label=field.LABEL_OPTIONAL)
    for number, name in enumerate(("t1", "t2", "t3", "t4", "flags", "source_epoch", "destination_epoch"), 2):
        record.field.add(name=name, number=number, type=field.TYPE_SINT64, label=field.LABEL_OPTIONAL)
    whole = file.message_type.add(name="Batch")
    whole.field.add(
        name="records", number=1, type=field.TYPE_MESSAGE, label=field.LABEL_REPEATED, type_name=".bench.Record"
    )
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file) if hasattr(pool, "Add") else pool.AddSerializedFile(file.SerializeToString())
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("bench.Batch"))


def encodings() -> None:
    """Bytes of the wire to rows of the window, both ways of encoding."""
    columns = batch()
    wire = convert.batch_to_message(columns).SerializeToString()
    window = Window(WindowSettings(max_rows_per_host=1 << 62, max_rows=1_000_000))

    def ours(number: int) -> None:
        window.add("quay", convert.batch_from_message(pb.RecordBatch.FromString(wire)), number * 1e-3)

    kind = submessages()
    repeated = kind()
    for row in columns.records():
        repeated.records.add(
            destination=row.destination,
            t1=row.t1_ns,
            t2=row.t2_ns,
            t3=row.t3_ns,
            t4=row.t4_ns,
            flags=0,
            source_epoch=1,
            destination_epoch=1,
        )
    other_wire = repeated.SerializeToString()

    def other(number: int) -> None:
        rows = [
            ProbeRecord(
                row.destination, row.t1, row.t2, row.t3, row.t4, KERNEL, row.source_epoch, row.destination_epoch, True
            )
            for row in kind.FromString(other_wire).records
        ]
        window.add("quay", RecordBatch.from_records(1, rows), number * 1e-3)

    mine, theirs = each(ours, MESSAGES), each(other, MESSAGES // 4)
    added = each(lambda number: window.add("quay", columns, number * 1e-3), MESSAGES)
    print(f"one batch of {len(columns)} rows, from bytes into the window")
    print(f"  packed difference columns   {len(wire):6d} bytes {mine:8.0f} us  (window alone {added:.0f} us)")
    print(f"  one submessage a record     {len(other_wire):6d} bytes {theirs:8.0f} us")
    print(f"  ratio                       {len(other_wire) / len(wire):6.1f}       {theirs / mine:8.1f}")


def full_window() -> None:
    """A minute of a thousand agents."""
    window = Window()
    columns = batch()
    rounds = 60 // SECONDS
    started = time.perf_counter()
    for number in range(rounds):
        for agent in range(AGENTS):
            window.add(f"agent-{agent}", columns, number * SECONDS + agent * 1e-3)
    filled = time.perf_counter() - started
    taken = each(lambda number: window.columns(55.0), 100)
    rows = len(window.columns(55.0))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{AGENTS} agents, one minute: {rows} rows, {filled / rounds / AGENTS * 1e6:.0f} us a batch,")
    print(f"  columns() {taken:.0f} us, whole process {memory:.0f} MiB")


async def streams() -> None:
    """Real gRPC on loopback: a stream with acknowledgements against a call a batch."""
    window = Window(WindowSettings(max_rows_per_host=1 << 62, max_rows=1_000_000))
    ingest = Ingest(window, Directory())
    server = grpc.aio.server()
    add_ReportsServicer_to_server(ingest, server)  # type: ignore[no-untyped-call]

    async def take(request: pb.RecordBatch, context: object) -> pb.Acknowledgement:
        window.add("skerry", convert.batch_from_message(request), 0.0)
        return pb.Acknowledgement(sequence=request.sequence)

    handler = grpc.unary_unary_rpc_method_handler(
        take,  # type: ignore[arg-type]
        request_deserializer=pb.RecordBatch.FromString,
        response_serializer=pb.Acknowledgement.SerializeToString,
    )
    server.add_generic_rpc_handlers([grpc.method_handlers_generic_handler("bench.Unary", {"Report": handler})])
    port = server.add_insecure_port("127.0.0.1:0")
    await server.start()
    messages = [convert.batch_to_message(batch(number)) for number in range(1, 101)]
    async with grpc.aio.insecure_channel(f"127.0.0.1:{port}") as channel:
        streamed = await flood_stream(channel, messages)
        unary = channel.unary_unary(
            "/bench.Unary/Report",
            request_serializer=pb.RecordBatch.SerializeToString,
            response_deserializer=pb.Acknowledgement.FromString,
        )
        started = time.perf_counter()
        for number in range(MESSAGES):
            await unary(messages[number % 100])
        called = MESSAGES / (time.perf_counter() - started)
    await server.stop(None)
    print("batches a second, client and server on one core")
    print(f"  stream, acknowledged        {streamed:6.0f}")
    print(f"  one unary call a batch      {called:6.0f}")
    print(f"  ratio                       {streamed / called:6.1f}")


async def flood_stream(channel: grpc.aio.Channel, messages: list[pb.RecordBatch]) -> float:
    """Batches a second through one stream, until the last is acknowledged."""
    call = ReportsStub(channel).Report()  # type: ignore[no-untyped-call]
    await call.write(pb.AgentMessage(hello=pb.Hello(host="quay", instance=1)))
    started = time.perf_counter()

    async def send() -> None:
        for number in range(1, MESSAGES + 1):
            message = messages[number % 100]
            message.sequence = number
            await call.write(pb.AgentMessage(batch=message))

    sender = asyncio.create_task(send())
    async for reply in call:
        if reply.acknowledgement.sequence == MESSAGES:
            break
    await sender
    call.cancel()
    return MESSAGES / (time.perf_counter() - started)


if __name__ == "__main__":
    encodings()
    full_window()
    asyncio.run(streams())
