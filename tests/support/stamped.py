"""Probes of fleets whose every clock and delay the test itself chose, as columns; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from noonmark.collector.estimate import ProbeColumns
from noonmark.proto.records import StampSource, pack_flags

SECOND_NS = 10**9
# 2026-11-25T06:55:03Z, a moment like any other.
EPOCH_NS = 1_795_589_703 * SECOND_NS
KERNEL_FLAGS = pack_flags((StampSource.KERNEL,) * 4, False)


@dataclass(frozen=True)
class Clock:
    """A straight clock: offset at EPOCH_NS of true time, drift, and the tick that it counts in."""

    offset_ns: int = 0
    drift: float = 0.0
    tick_ns: int = 1

    def read(self, true_ns: np.ndarray) -> np.ndarray:
        """What it shows at these instants of true time, whole ns."""
        shown = true_ns + self.offset_ns + np.rint((true_ns - EPOCH_NS) * self.drift).astype(np.int64)
        return shown // self.tick_ns * self.tick_ns

    def error_ns(self, true_ns: int) -> float:
        """Its time error, ticks aside."""
        return self.offset_ns + self.drift * (true_ns - EPOCH_NS)


@dataclass(frozen=True)
class Roads:
    """Delays of every pair: fixed there and back, and exponential waiting on top."""

    there_ns: int = 20_000
    back_ns: int = 20_000
    wait_ns: float = 0.0


def all_pairs(hosts: int) -> list[tuple[int, int]]:
    """Every unordered pair."""
    return [(a, b) for a in range(hosts) for b in range(a + 1, hosts)]


def stamped(
    clocks: Sequence[Clock],
    pairs: Sequence[tuple[int, int]],
    *,
    roads: Roads | Sequence[Roads] | None = None,
    exchanges: int = 24,
    seconds: float = 60.0,
    seed: int = 0,
    names: Sequence[str] | None = None,
) -> ProbeColumns:
    """Exchanges evenly over the `seconds` up to EPOCH_NS, asker and answerer as each pair says; ordered by time."""
    rng = np.random.default_rng(seed)
    roads = roads or Roads()
    each = [roads] * len(pairs) if isinstance(roads, Roads) else list(roads)
    columns: list[tuple[np.ndarray, ...]] = []
    for (asker, answerer), road in zip(pairs, each, strict=True):
        place = (np.arange(exchanges) + rng.random(exchanges)) / exchanges
        asked = EPOCH_NS + np.rint((place - 1.0) * seconds * SECOND_NS).astype(np.int64)
        received = asked + road.there_ns + _waits(rng, road, exchanges)
        replied = received + 10_000
        answered = replied + road.back_ns + _waits(rng, road, exchanges)
        columns.append(
            (
                np.full(exchanges, asker),
                np.full(exchanges, answerer),
                clocks[asker].read(asked),
                clocks[answerer].read(received),
                clocks[answerer].read(replied),
                clocks[asker].read(answered),
                asked,
            )
        )
    source, destination, t1, t2, t3, t4, asked = (np.concatenate(column) for column in zip(*columns, strict=True))
    order = np.argsort(asked, kind="stable")
    none = np.zeros(len(order), np.int64)
    return ProbeColumns(
        tuple(names or [f"host-{number}" for number in range(len(clocks))]),
        source[order].astype(np.int32),
        destination[order].astype(np.int32),
        t1[order],
        t2[order],
        t3[order],
        t4[order],
        np.full(len(order), KERNEL_FLAGS, np.uint16),
        none,
        none.copy(),
    )


def _waits(rng: np.random.Generator, road: Roads, size: int) -> np.ndarray:
    return np.rint(rng.standard_exponential(size) * road.wait_ns).astype(np.int64)


def taken(probes: ProbeColumns, rows: np.ndarray) -> ProbeColumns:
    """Rows by number, in that order (or by a mask)."""
    return ProbeColumns(
        probes.hosts,
        *(
            column[rows]
            for column in (
                probes.source,
                probes.destination,
                probes.t1_ns,
                probes.t2_ns,
                probes.t3_ns,
                probes.t4_ns,
                probes.flags,
                probes.source_epoch,
                probes.destination_epoch,
            )
        ),
    )


def joined(*parts: ProbeColumns) -> ProbeColumns:
    """Rows of several fleets with the same hosts, one after the other."""
    names = ("source", "destination", "t1_ns", "t2_ns", "t3_ns", "t4_ns", "flags", "source_epoch", "destination_epoch")
    return ProbeColumns(parts[0].hosts, *(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def relabelled(probes: ProbeColumns, place: np.ndarray) -> ProbeColumns:
    """The same probes with host `i` moved to row `place[i]`."""
    names = np.empty(len(probes.hosts), object)
    names[place] = probes.hosts
    return replace(
        probes,
        hosts=tuple(names),
        source=place[probes.source].astype(np.int32),
        destination=place[probes.destination].astype(np.int32),
    )


def shifted_clocks(probes: ProbeColumns, by_ns: np.ndarray) -> ProbeColumns:
    """The same probes with every host's stamps moved by a constant of its own."""
    source, destination = by_ns[probes.source], by_ns[probes.destination]
    return replace(
        probes,
        t1_ns=probes.t1_ns + source,
        t2_ns=probes.t2_ns + destination,
        t3_ns=probes.t3_ns + destination,
        t4_ns=probes.t4_ns + source,
    )
