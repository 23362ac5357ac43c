"""Error of kernel stamps against stamps taken by the program, over loopback, where the true offset is zero.

Run by hand: python tests/bench/bench_stamps.py [--probes 1000] [--interval-ms 5]

Two processes on one clock probe each other, first with kernel stamps, then without. The error of a probe is the
offset that its four stamps give, ((t2 - t1) + (t3 - t4)) / 2 (RFC 5905 section 8). "Least of 10" is the error of the
probe with the least round trip of each ten, which is what an estimator starts from.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import random
from collections.abc import Sequence
from multiprocessing.connection import Connection

from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.schedule import PeerTarget
from noonmark.proto.records import ProbeRecord, StampSource

HOSTS = ("127.0.11.1", "127.0.11.2")


class Side:
    def __init__(self, host: str, kernel_stamps: bool, wanted: int) -> None:
        self.records: list[ProbeRecord] = []
        self.enough = asyncio.Event()
        self.wanted = wanted
        self.endpoint = Endpoint(
            binds=[(host, 0)],
            clock=SystemClock(),
            on_records=self.take,
            on_clock_event=lambda event: None,
            rng=random.Random(host),
            settings=EndpointSettings(kernel_stamps=kernel_stamps),
        )

    def take(self, records: Sequence[ProbeRecord]) -> None:
        self.records.extend(records)
        if len(self.records) >= self.wanted:
            self.enough.set()


async def reflect(pipe: Connection, kernel_stamps: bool) -> None:
    side = Side(HOSTS[1], kernel_stamps, 0)
    await side.endpoint.start()
    pipe.send(side.endpoint.addresses[0])
    done = asyncio.Event()
    asyncio.get_running_loop().add_reader(pipe.fileno(), done.set)
    await done.wait()
    await side.endpoint.close()


def serve(pipe: Connection, kernel_stamps: bool) -> None:
    asyncio.run(reflect(pipe, kernel_stamps))


async def probe(address: tuple[str, int], kernel_stamps: bool, probes: int, interval_ns: int) -> list[ProbeRecord]:
    side = Side(HOSTS[0], kernel_stamps, 2 * probes)
    await side.endpoint.start()
    side.endpoint.replace_peers([PeerTarget("other", *address, interval_ns)])
    await asyncio.wait_for(side.enough.wait(), 30 + 4e-9 * probes * interval_ns)
    await side.endpoint.close()
    return side.records


def measure(kernel_stamps: bool, probes: int, interval_ns: int) -> list[ProbeRecord]:
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serve, args=(theirs, kernel_stamps))
    process.start()
    try:
        return asyncio.run(probe(ours.recv(), kernel_stamps, probes, interval_ns))
    finally:
        ours.send(None)
        process.join()


def error_us(record: ProbeRecord) -> float:
    return abs(record.forward_ns + record.backward_ns) / 2000


def row(name: str, errors: list[float]) -> str:
    errors.sort()
    quantiles = (errors[int(len(errors) * part)] for part in (0.5, 0.95, 0.99))
    return f"{name:42}" + "".join(f"{value:9.2f}" for value in quantiles)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--probes", type=int, default=1000, help="exchanges of each kind")
    parser.add_argument("--interval-ms", type=float, default=5.0, help="mean time between exchanges")
    arguments = parser.parse_args()
    print(f"{'error, µs':42}   median      p95      p99")
    medians = []
    for name, kernel in (("kernel stamps", True), ("program stamps", False)):
        records = measure(kernel, arguments.probes, round(arguments.interval_ms * 1e6))
        if kernel:
            records = [record for record in records if StampSource.USER not in record.stamped_by]
        measuring = [record for record in records if record.measuring]
        tens = [measuring[start : start + 10] for start in range(0, len(measuring) - 9, 10)]
        least = [error_us(min(ten, key=lambda record: record.round_trip_ns)) for ten in tens]
        print(row(f"{name}, first of a pair", [error_us(r) for r in records if not r.measuring]))
        print(row(f"{name}, second of a pair", [error_us(r) for r in measuring]))
        print(row(f"{name}, second, least of 10", least))
        medians.append(sorted(error_us(record) for record in measuring)[len(measuring) // 2])
    print(f"ratio of medians, program to kernel: {medians[1] / max(medians[0], 1e-3):.0f}")


if __name__ == "__main__":
    main()
