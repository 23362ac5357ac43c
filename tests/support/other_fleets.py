"""Fleets by another hand than the simulator's: other clocks, waits and networks, as probe columns with truth; pure.

It shares no code with `noonmark.lab`, so that what holds for both is tuned to neither. Clocks are sampled ten times a
second and straight between; flicker of frequency comes from fractional differencing (Kasdin and Walter 1992), queues
from Lindley's recursion (1952).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from noonmark.collector.estimate import ProbeColumns

EPOCH_NS = 1_750_000_000_000_000_000
STEP_S = 0.1
MARGIN_S = 30.0
Array = np.ndarray


@dataclass(frozen=True)
class Clocks:
    """What all clocks but the reference are made of; rates in ppb, lengths in s and ns."""

    ppb: float = 50_000.0
    flicker: float = 0.2
    walk: float = 0.0
    warmth: tuple[float, float] = (0.0, 1200.0)
    """Amplitude and period of a temperature's swing."""
    tick_ns: int = 1
    apart_ns: int = 10_000_000


@dataclass(frozen=True)
class Net:
    """Who probes whom, and what packets meet."""

    kind: str = "random"
    degree: int = 4
    wait: str = "exponential"
    wait_ns: float = 50_000.0
    least_ns: tuple[float, float] = (5e4, 2e6)
    uneven: float = 0.02
    loss: float = 0.0
    probes: int = 60


@dataclass
class Fleet:
    """Probes, and what is true of them."""

    columns: ProbeColumns
    clock: list[Callable[[Array], Array]]
    """Time error of each host, ns, at seconds since EPOCH_NS."""
    pairs: list[tuple[int, int]]

    def true_ns(self, at_ns: int) -> Array:
        """Every host's offset at an instant of the first host's clock, which is true."""
        return np.array([float(clock(np.array([(at_ns - EPOCH_NS) / 1e9]))[0]) for clock in self.clock])


@dataclass(frozen=True)
class Fault:
    """What is wrong with one host or pair; nothing by default."""

    host: int = -1
    step_ns: float = 0.0
    rate_ppb: float = 0.0
    at_s: float = 33.0
    late_receipt_ns: int = 0
    """Added to what it says of the arrival of requests."""
    pair: int = -1
    longer_ns: float = 0.0
    """One direction of this pair takes so much longer."""
    hosts: tuple[int, ...] = field(default=())
    """All of them do what `host` does."""


def fleet(
    seed: int,
    *,
    hosts: int = 14,
    seconds: float = 60.0,
    clocks: Clocks | None = None,
    net: Net | None = None,
    fault: Fault | None = None,
) -> Fleet:
    """Draw one; host 0 is true time."""
    rng = np.random.default_rng([seed, 77])
    clocks, net, fault = clocks or Clocks(), net or Net(), fault or Fault()
    faulty = {fault.host, *fault.hosts}
    clock = [_clock(rng, seconds, clocks, fault if host in faulty else Fault(), host == 0) for host in range(hosts)]
    pairs = _pairs(rng, hosts, net)
    queues = [_queue(rng, seconds, load) for load in (0.7, 0.5)] if net.wait == "queue" else []
    parts = []
    for number, (a, b) in enumerate(pairs):
        least = float(np.exp(rng.uniform(*np.log(net.least_ns))))
        there, back = (least * (1.0 + rng.normal(0.0, net.uneven)) for _ in range(2))
        there += fault.longer_ns if number == fault.pair else 0.0
        for source, target, out_ns, home_ns in ((a, b, there, back), (b, a, back, there)):
            sent = np.sort(rng.uniform(0.0, seconds, net.probes))
            sent = sent[rng.random(len(sent)) >= net.loss]
            own = queues if source == a else queues[::-1]
            waits = [_wait(rng, net, sent, own[way:]) for way in range(2)]
            t1 = np.rint(sent * 1e9).astype(np.int64)
            t2 = t1 + np.rint(out_ns + waits[0]).astype(np.int64)
            t3 = t2 + rng.integers(20_000, 200_000, len(t1))
            t4 = t3 + np.rint(home_ns + waits[1]).astype(np.int64)
            stamps = [
                _read(clock[h], t, clocks.tick_ns) for h, t in ((source, t1), (target, t2), (target, t3), (source, t4))
            ]
            if target == fault.host:
                stamps[1] = stamps[1] + fault.late_receipt_ns
            parts.append((np.full(len(t1), source), np.full(len(t1), target), *stamps))
    order = rng.permutation(sum(len(part[0]) for part in parts))
    source, target, *stamps = (np.concatenate(column)[order] for column in zip(*parts, strict=True))
    nothing = np.zeros(len(order), dtype=np.int64)
    columns = ProbeColumns(
        tuple(f"h{host:03d}" for host in range(hosts)),
        source.astype(np.int32),
        target.astype(np.int32),
        *stamps,
        np.zeros(len(order), dtype=np.uint16),
        nothing,
        nothing,
    )
    return Fleet(columns, clock, pairs)


def _clock(
    rng: np.random.Generator, seconds: float, kind: Clocks, fault: Fault, true: bool
) -> Callable[[Array], Array]:
    if true:
        return lambda s: np.where(np.asarray(s) >= fault.at_s, fault.step_ns, 0.0)
    count = int((seconds + 2 * MARGIN_S) / STEP_S) + 2
    when = np.arange(count) * STEP_S - MARGIN_S
    order = np.arange(1, count)
    response = np.concatenate([[1.0], np.cumprod((0.5 + order - 1.0) / order)])
    rate = rng.uniform(-kind.ppb, kind.ppb) + np.convolve(rng.normal(0.0, kind.flicker, count), response)[:count]
    rate += np.cumsum(rng.normal(0.0, kind.walk * np.sqrt(STEP_S), count))
    rate += kind.warmth[0] * np.sin(2 * np.pi * (when / kind.warmth[1] + rng.random()))
    rate += np.where(when >= fault.at_s, fault.rate_ppb, 0.0)
    start = rng.uniform(-kind.apart_ns, kind.apart_ns)
    phase = start + np.concatenate([[0.0], np.cumsum(rate[:-1]) * STEP_S])
    return lambda s: np.interp(s, when, phase) + np.where(np.asarray(s) >= fault.at_s, fault.step_ns, 0.0)


def _read(clock: Callable[[Array], Array], true_ns: Array, tick_ns: int) -> Array:
    shown = EPOCH_NS + true_ns + np.rint(clock(true_ns / 1e9)).astype(np.int64)
    return shown // tick_ns * tick_ns


def _pairs(rng: np.random.Generator, hosts: int, net: Net) -> list[tuple[int, int]]:
    ring = {(host, (host + 1) % hosts) for host in range(hosts)} if hosts > 2 else {(0, 1)}
    if net.kind == "star":
        drawn = {(0, host) for host in range(1, hosts)}
    elif net.kind == "complete":
        drawn = {(a, b) for a in range(hosts) for b in range(a)}
    elif net.kind == "bridge":
        half = hosts // 2
        sides = [range(half), range(half, hosts)]
        drawn = {(a, b) for side in sides for a in side for b in side if a < b and rng.random() < 0.6}
        drawn |= {pair for pair in ring if pair[0] + 1 == pair[1]}
    else:
        drawn = ring | {
            (a, int(b)) for a in range(hosts) for b in rng.integers(0, hosts, net.degree // 2 - 1) if a != b
        }
    return sorted({(min(pair), max(pair)) for pair in drawn})


def _wait(rng: np.random.Generator, net: Net, sent: Array, queues: list[Callable[[Array], Array]]) -> Array:
    count, scale = len(sent), net.wait_ns
    match net.wait:
        case "pareto":
            return scale * 0.3 * rng.pareto(1.4, count)
        case "lognormal":
            return scale * rng.lognormal(0.0, 1.0, count)
        case "bimodal":
            return np.where(rng.random(count) < 0.75, 0.05, 5.0) * rng.exponential(scale, count)
        case "radio":
            return rng.gamma(2.5, scale / 2.5, count)
        case "bursts":
            return np.where(sent % 10.0 < 3.0, 20.0, 0.2) * rng.exponential(scale, count)
        case "queue":
            return queues[0](sent) + rng.exponential(0.05 * scale, count)
        case _:
            return rng.exponential(scale, count)


def _queue(rng: np.random.Generator, seconds: float, load: float, service_s: float = 2e-3) -> Callable[[Array], Array]:
    """Work left in a bottleneck that many paths share, as a function of time."""
    count = int(load / service_s * (seconds + 20.0))
    arrived = np.cumsum(rng.exponential(service_s / load, count)) - 10.0
    served = np.cumsum(rng.gamma(0.5, 2.0 * service_s, count))
    left = served - arrived - np.minimum.accumulate(np.concatenate([[0.0], served[:-1]]) - arrived)

    def work(s: Array) -> Array:
        last = np.searchsorted(arrived, s, side="right") - 1
        return np.maximum(left[last] - (s - arrived[last]), 0.0) * 1e9

    return work
