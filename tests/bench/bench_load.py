"""One collector under thousands of agents: records taken a second, processor time, memory, and how late its ticks are.

Run by hand: ``python tests/bench/bench_load.py [--agents 1000 5000 20000] [--seconds 40]``. The collector is the real
program; the agents are played by other processes over real gRPC on loopback: each has a stream of its own, introduces
itself, follows its plan and what the collector asks, reports every 5 s what ten peers asked once a second would give,
with counters behind every third, has two batches under way at most, and keeps waiting records as an agent does.
Several agents share a connection where there are more than descriptors allow; nothing else of them is shared. Playing
them takes processor time from the same machine, which is stated: the collector is not alone on its core.

At the end what the agents were told is safe is held against what the collector says it took. (It may have taken more:
an acknowledgement can be lost with its stream, and then the batch comes again, and is known as a repeat.)
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import multiprocessing
import os
import random
import statistics
import subprocess
import sys
import time
import urllib.request
from collections import Counter
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import grpc
import grpc.aio

from noonmark.agent.report import COUNTERS_EVERY
from noonmark.proto import convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.records import RecordBatch, StampSource, pack_flags

LISTEN, HTTP = "127.0.0.1:18693", "127.0.0.1:18694"
PEERS = 10
INTERVAL_S, REPORT_S = 1.0, 5.0
MOST_ROWS = 2000
MOST_IN_FLIGHT = 2
CONNECTIONS = 2000
"""Of a generator, at most; descriptors are limited."""
AT_ONCE = 100
"""Streams opened at a time."""
KERNEL = pack_flags((StampSource.KERNEL,) * 4, False), pack_flags((StampSource.KERNEL,) * 4, True)
METHOD = "/noonmark.v1.Reports/Report"


# --- the generator


def template(exchanges: int) -> pb.RecordBatch:
    """Batches of so many exchanges of two packets with each of the peers, spread over the time up to 0."""
    generator = random.Random(exchanges)
    columns: dict[str, list[int]] = {name: [] for name in ("peer", "t1", "t2", "t3", "t4", "flags")}
    for peer in range(PEERS):
        for exchange in range(exchanges):
            start = round((exchange - exchanges + generator.random()) * INTERVAL_S * 1e9)
            for packet in range(2):
                there, turn, back = (20_000 + round(generator.expovariate(1e-4)) for _ in range(3))
                t1 = start + 30_000 * packet
                stamps = (peer, t1, t1 + there, t1 + there + turn, t1 + there + turn + back, KERNEL[packet])
                for column, value in zip(columns.values(), stamps, strict=True):
                    column.append(value)
    rows = len(columns["t1"])
    return convert.batch_to_message(
        RecordBatch(
            sequence=1,
            destinations=tuple(f"peer-{peer}" for peer in range(PEERS)),
            destination=columns["peer"],
            t1_ns=columns["t1"],
            t2_ns=columns["t2"],
            t3_ns=columns["t3"],
            t4_ns=columns["t4"],
            flags=columns["flags"],
            source_epoch=[1] * rows,
            destination_epoch=[1] * rows,
        )
    )


@dataclass
class Tally:
    """What one generator saw."""

    broken: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    sent_rows: int = 0
    safe_rows: int = 0
    held_back: int = 0
    """Reports that waited for an acknowledgement."""
    slowdown: int = 1
    interval_s: float = INTERVAL_S
    planned: int = 0
    estimates: int = 0
    longest_wait_s: float = 0.0
    """For an acknowledgement."""


@dataclass
class Agent:
    """One that is played."""

    number: int
    peers: list[str] = field(default_factory=list)
    interval_s: float = INTERVAL_S
    slowdown: int = 1
    sequence: int = 0
    under_way: list[tuple[int, int, float, bytes]] = field(default_factory=list)
    """Sequence, rows, when it was sent, and the message, to be sent again on a new stream."""
    heard: asyncio.Event = field(default_factory=asyncio.Event)


class Generator:
    """Plays the agents numbered `first` to `last`."""

    def __init__(self, first: int, last: int) -> None:
        self.agents = [Agent(number) for number in range(first, last)]
        self.tally = Tally()
        self._rng = random.Random(first)
        self._templates: dict[int, pb.RecordBatch] = {}
        self._door = asyncio.Semaphore(AT_ONCE)
        self._stopping = False

    async def run(self, pipe: Connection) -> None:
        """Until told to stop; a tally whenever asked."""
        options = (("grpc.use_local_subchannel_pool", 1), ("grpc.http2.bdp_probe", 0))
        channels = [
            grpc.aio.insecure_channel(LISTEN, options=options) for _ in range(min(CONNECTIONS, len(self.agents)))
        ]
        tasks = [
            asyncio.create_task(self._play(agent, channels[place % len(channels)]))
            for place, agent in enumerate(self.agents)
        ]
        loop = asyncio.get_running_loop()
        while (word := await loop.run_in_executor(None, pipe.recv)) != "stop":
            if word == "finish":
                self._stopping = True
            pipe.send((self.tally, time.process_time()))
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _play(self, agent: Agent, channel: grpc.aio.Channel) -> None:
        method: Any = channel.stream_stream(METHOD)
        while not self._stopping:
            reader = None
            try:
                async with self._door:
                    call: Any = method()
                    await call.write(self._hello(agent))
                    for _, _, _, data in list(agent.under_way):
                        await call.write(data)
                    reader = asyncio.create_task(self._read(call, agent))
                reporter = asyncio.create_task(self._report(call, agent))
                await asyncio.wait({reader, reporter}, return_when=asyncio.FIRST_COMPLETED)
                reporter.cancel()
                raise asyncio.InvalidStateError(f"the stream ended: {await call.code()}")
            except (grpc.aio.AioRpcError, grpc.aio.UsageError, asyncio.InvalidStateError) as error:
                self.tally.broken += 1
                reason = (error.details() if isinstance(error, grpc.aio.AioRpcError) else None) or repr(error)
                self.tally.reasons[reason] += 1
            finally:
                if reader is not None:
                    reader.cancel()
            await asyncio.sleep(self._rng.uniform(1, 5))

    def _hello(self, agent: Agent) -> bytes:
        where = pb.Endpoint(address=f"10.{agent.number >> 16}.{agent.number >> 8 & 255}.{agent.number & 255}", port=1)
        hello = pb.Hello(host=f"host-{agent.number}", instance=agent.number + 1, version="bench", endpoints=[where])
        return pb.AgentMessage(hello=hello).SerializeToString()

    async def _report(self, call: Any, agent: Agent) -> None:
        counters = pb.AgentMessage(counters=pb.ProbeCounters(sent=1)).SerializeToString()
        since = time.monotonic() - self._rng.random() * REPORT_S
        while True:
            await asyncio.sleep(REPORT_S * agent.slowdown * self._rng.uniform(0.8, 1.2))
            if self._stopping:
                await asyncio.sleep(3600)
            if len(agent.under_way) >= MOST_IN_FLIGHT:
                self.tally.held_back += 1
                while len(agent.under_way) >= MOST_IN_FLIGHT:
                    agent.heard.clear()
                    await agent.heard.wait()
            if not agent.peers:
                since = time.monotonic()
                continue
            now = time.monotonic()
            exchanges = min(int((now - since) / agent.interval_s), MOST_ROWS // (2 * PEERS))
            if exchanges == 0:
                continue
            since = now
            data, rows = self._batch(agent, exchanges)
            agent.under_way.append((agent.sequence, rows, now, data))
            self.tally.sent_rows += rows
            await call.write(data)
            if agent.sequence % COUNTERS_EVERY == 0:
                await call.write(counters)

    def _batch(self, agent: Agent, exchanges: int) -> tuple[bytes, int]:
        batch = self._templates.get(exchanges)
        if batch is None:
            batch = self._templates[exchanges] = template(exchanges)
        relative = batch.t1_delta[0]
        agent.sequence += 1
        batch.sequence = agent.sequence
        batch.destinations[:] = agent.peers
        batch.t1_delta[0] = relative + time.time_ns()
        data = pb.AgentMessage(batch=batch).SerializeToString()
        batch.t1_delta[0] = relative
        return data, len(batch.t1_delta)

    async def _read(self, call: Any, agent: Agent) -> None:
        with suppress(grpc.aio.AioRpcError):
            async for data in call:
                message = pb.CollectorMessage.FromString(data)
                kind = message.WhichOneof("body")
                if kind == "acknowledgement":
                    self._acknowledged(agent, message.acknowledgement)
                elif kind == "plan":
                    self._planned(agent, message.plan)
                elif kind == "estimate":
                    self.tally.estimates += 1
                agent.heard.set()

    def _acknowledged(self, agent: Agent, told: pb.Acknowledgement) -> None:
        while agent.under_way and agent.under_way[0][0] <= told.sequence:
            _, rows, at, _ = agent.under_way.pop(0)
            self.tally.safe_rows += rows
            self.tally.longest_wait_s = max(self.tally.longest_wait_s, time.monotonic() - at)
        agent.slowdown = max(1, told.report_slowdown)
        self.tally.slowdown = agent.slowdown

    def _planned(self, agent: Agent, plan: pb.Plan) -> None:
        names = [peer.host for peer in plan.peers][:PEERS]
        if len(names) == PEERS:
            self.tally.planned += not agent.peers
            agent.peers = names
            agent.interval_s = statistics.fmean(peer.interval_ns for peer in plan.peers) / 1e9
            self.tally.interval_s = agent.interval_s


def generate(pipe: Connection, first: int, last: int) -> None:
    """A generator's process."""
    asyncio.run(Generator(first, last).run(pipe))


# --- the measurement


def processor_seconds(pid: int) -> float:
    """User and system time so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


PARTS = ("event loop", "gRPC", "estimate")


def thread_seconds(pid: int) -> dict[str, float]:
    """Processor time so far of the event loop's thread, of gRPC's own, and of those that estimate (proc(5))."""
    spent = dict.fromkeys(PARTS, 0.0)
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):
            name = (thread / "comm").read_text()
            ours = "event loop" if thread.name == str(pid) else "estimate"
            part = "gRPC" if name.startswith(("event_engine", "grpc", "lifeguard")) else ours
            spent[part] += int((thread / "schedstat").read_text().split()[0]) / 1e9
    return spent


def memory_mib(pid: int, what: str = "VmRSS") -> float:
    """Resident now, or the most so far (VmHWM)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith(what)).split()[1]) / 1024


def scrape() -> dict[str, float]:
    """The collector's own metrics."""
    with urllib.request.urlopen(f"http://{HTTP}/metrics", timeout=60) as answer:
        lines = answer.read().decode().splitlines()
    return {line.rsplit(" ", 1)[0]: float(line.rsplit(" ", 1)[1]) for line in lines if not line.startswith("#")}


INGEST = "noonmark_ingest_"
TICKS = 'noonmark_collector_ticks_total{outcome="published"}'
GONE = ("records_late", "records_over_quota")


class Bench:
    """One size of fleet."""

    def __init__(self, stack: ExitStack, agents: int, generators: int) -> None:
        self.agents = agents
        command = [sys.executable, "-m", "noonmark.collector.cli", "collector", "--listen", LISTEN, "--http", HTTP]
        command += ["--data", "off", "--peers", str(PEERS), "--series-hosts", "0", "--log-level", "warning"]
        self.collector = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        stack.callback(self.collector.wait)
        stack.callback(self.collector.terminate)
        self._until_it_listens()
        context = multiprocessing.get_context("spawn")
        self.pipes: list[Connection] = []
        bounds = [agents * number // generators for number in range(generators + 1)]
        for first, last in itertools.pairwise(bounds):
            ours, theirs = context.Pipe()
            process = context.Process(target=generate, args=(theirs, first, last), daemon=True)
            process.start()
            stack.callback(process.join, 20)
            self.pipes.append(ours)
        stack.callback(self._stop)

    @staticmethod
    def _until_it_listens() -> None:
        for _ in range(600):
            time.sleep(0.1)
            with suppress(OSError), urllib.request.urlopen(f"http://{HTTP}/livez", timeout=5):
                time.sleep(0.5)
                return

    def _stop(self) -> None:
        for pipe in self.pipes:
            with suppress(OSError):
                pipe.send("stop")

    def ask(self, word: str = "tally") -> tuple[list[Tally], float]:
        """The generators' tallies, and their processor time."""
        for pipe in self.pipes:
            pipe.send(word)
        answers = [pipe.recv() for pipe in self.pipes]
        return [tally for tally, _ in answers], sum(spent for _, spent in answers)

    def settle(self, patience: float) -> float:
        """Wait until every agent has a plan, but not for ever; how long it took."""
        began = time.monotonic()
        while time.monotonic() - began < patience:
            time.sleep(1.0)
            if sum(tally.planned for tally in self.ask()[0]) == self.agents:
                break
        return time.monotonic() - began

    def measure(self, seconds: float) -> None:
        """Print a block."""
        planned_s = self.settle(120.0)
        pid = self.collector.pid
        door = thread_seconds(pid)
        time.sleep(15.0)
        let_in = thread_seconds(pid)
        before, (_, played), spent = scrape(), self.ask(), processor_seconds(pid)
        began = time.monotonic()
        lateness, solve, levels = [], [], []
        while time.monotonic() - began < seconds:
            time.sleep(5.0)
            now = scrape()
            lateness.append(now.get("noonmark_tick_lateness_seconds", float("nan")))
            solve.append(now.get("noonmark_solve_duration_seconds", float("nan")))
            levels.append(now["noonmark_collector_pressure_level"])
        after, (tallies, played_after), spent_after = scrape(), self.ask(), processor_seconds(pid)
        threads = {part: seconds - let_in[part] for part, seconds in thread_seconds(pid).items()}
        elapsed = time.monotonic() - began
        records = after[INGEST + "records_total"] - before[INGEST + "records_total"]
        batches = after[INGEST + "batches_total"] - before[INGEST + "batches_total"]
        cpu = spent_after - spent
        overrun = sum(after[name] - before[name] for name in after if "ticks_total" in name and "overrun" in name)
        planned = sum(tally.planned for tally in tallies)
        print(f"{self.agents} agents, {planned} have a plan; waited {planned_s:.0f} s for it; ", end="")
        print(f"event loop {door['event loop'] / max(planned, 1) * 1e3:.2f} ms of processor an agent let in; ", end="")
        print(f"measured over {elapsed:.0f} s; ", end="")
        print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        print(f"  taken        {records / elapsed:9,.0f} records/s in {batches / elapsed:,.0f} batches/s")
        print(f"  collector    {cpu / elapsed:9.0%} of a core, {cpu / records * 1e6:.1f} s a million records, ", end="")
        print(f"{memory_mib(pid):.0f} MiB resident, at most {memory_mib(pid, 'VmHWM'):.0f}")
        ticks = after.get(TICKS, 0.0) - before.get(TICKS, 0.0)
        print(f"  of it        event loop {threads['event loop'] / elapsed:.0%} of a core, ", end="")
        print(f"{threads['event loop'] / records * 1e6:.1f} s a million records and ", end="")
        print(f"{threads['event loop'] / batches * 1e6:.0f} us a batch; gRPC {threads['gRPC'] / elapsed:.0%}; ", end="")
        print(f"estimates {threads['estimate'] / elapsed:.0%}, {threads['estimate'] / max(ticks, 1):.2f} s a tick")
        print(f"  ticks        lateness median {statistics.median(lateness) * 1e3:.0f} ms, most ", end="")
        print(f"{max(lateness) * 1e3:.0f} ms; solved in {statistics.median(solve):.2f} s; {overrun:.0f} left out")
        print(f"  asked for    level {levels[0]:.0f} to {levels[-1]:.0f}: reports 1/{tallies[0].slowdown}, ", end="")
        print(
            f"probes every {tallies[0].interval_s:.2g} s; reports held back {sum(t.held_back for t in tallies)}, ",
            end="",
        )
        print(f"longest wait for an acknowledgement {max(t.longest_wait_s for t in tallies):.1f} s")
        print(f"  generators   {(played_after - played) / elapsed:9.0%} of a core; streams broken ", end="")
        print(f"{sum(t.broken for t in tallies)}{self._why(tallies)}")
        self.balance()

    @staticmethod
    def _why(tallies: list[Tally]) -> str:
        reasons: Counter[str] = sum((tally.reasons for tally in tallies), Counter())
        return "".join(f"; {count} times {reason[:100]}" for reason, count in reasons.most_common(2))

    def balance(self) -> None:
        """Let what is under way arrive, and hold both ends' accounts against each other."""
        self.ask("finish")
        for _ in range(60):
            time.sleep(1.0)
            tallies = self.ask()[0]
            sent, safe = sum(t.sent_rows for t in tallies), sum(t.safe_rows for t in tallies)
            if sent == safe:
                break
        told = scrape()
        taken = told[INGEST + "records_total"]
        refused = {name: told[f"{INGEST}{name}_total"] for name in GONE}
        unknown = safe - taken - sum(refused.values())
        print(f"  balance      sent {sent:,}, acknowledged {safe:,}, taken {taken:,.0f}, counted as ", end="")
        print(", ".join(f"{name.removeprefix('records_')} {count:,.0f}" for name, count in refused.items()), end="")
        print(f"; crowded out of the full window {told[INGEST + 'records_crowded_out_total']:,.0f}")
        print(
            "  " + ("all that was acknowledged is accounted for" if unknown <= 0 else f"{unknown:,.0f} LOST"),
            flush=True,
        )


def main() -> None:
    """Each size with a collector of its own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--agents", type=int, nargs="+", default=[1000, 5000, 20000])
    parser.add_argument("--seconds", type=float, default=40.0, help="how long to measure each")
    parser.add_argument("--generators", type=int, default=2)
    arguments = parser.parse_args()
    for agents in arguments.agents:
        with ExitStack() as stack:
            Bench(stack, agents, arguments.generators).measure(arguments.seconds)


if __name__ == "__main__":
    main()
