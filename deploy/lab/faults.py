"""What can go wrong with hosts and paths in a simulated fleet, and where it is recorded. Pure.

A `Fault` says how many hosts (or paths) suffer what, between which sizes and when; drawing it yields breaks of clocks,
lies and longer paths, and an `Event` each, which is the truth that a judge's findings are held against. References are
spared.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Int32, Int64
from noonmark.lab.clocks import LEAD_NS, NS, SLEW_LIMIT

SMEAR_RATE = 1 / 86_400
"""One second in a day from noon to noon."""


class FaultKind(enum.StrEnum):
    """Names as in the judge's findings, where it has one for it."""

    STEP = "step"
    SUSPEND = "suspend"
    FREQUENCY_CHANGE = "frequency-change"
    SLEW = "slew"
    LIAR = "liar"
    ASYMMETRIC_PATH = "asymmetric-path"
    LEAP_MISSED = "leap-missed"
    SMEAR = "smear"
    REFERENCE_WRONG = "reference-wrong"


class Lie(enum.StrEnum):
    """How a liar's stamps are wrong."""

    RANDOM = "random"
    """Both stamps of each exchange are shifted together, by a new random amount within ±size each time."""
    TWO_FACED = "two-faced"
    """Every peer is shown another clock: a constant shift within ±size for each path."""
    LATE_TRANSMIT = "late-transmit"
    """Claims to have sent later than it did, by size."""
    EARLY_RECEIPT = "early-receipt"
    """Claims to have received earlier than it did, by size."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A kind of fault and how many suffer it. Sizes are drawn log-uniformly, signs by chance."""

    kind: FaultKind
    count: int = 0
    share: float = 0.0
    """Of all hosts (or paths); added to `count`."""
    size: tuple[float, float] = (0.0, 0.0)
    """Least and greatest size: ns; for a frequency change seconds per second."""
    when: tuple[float, float] = (0.3, 0.7)
    """Where in the simulated span, as fractions of it."""
    noticed: bool = False
    """Steps and suspends: the host itself notices and starts a new clock epoch."""
    lie: Lie = Lie.RANDOM


@dataclass(frozen=True, slots=True)
class Event:
    """One fault that truly happened. Times are true time; `size` as in `Fault.size`, with its sign."""

    kind: FaultKind
    at_ns: int
    size: float
    host: str | None = None
    path: tuple[str, str] | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Lying:
    """One liar: every stamp that host `host` takes is bent."""

    host: int
    lie: Lie
    size_ns: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """All faults of one simulation."""

    breaks: tuple[tuple[int, int, int, float, bool], ...] = ()
    """Rows for `Breaks.from_rows`."""
    lies: tuple[Lying, ...] = ()
    asleep: tuple[tuple[int, int, int], ...] = ()
    """(host, from, until), elapsed ns: when it neither asks nor answers."""
    longer: tuple[tuple[int, int, int], ...] = ()
    """(path, direction, extra ns)."""
    events: tuple[Event, ...] = ()


def draw_faults(
    rng: np.random.Generator,
    faults: tuple[Fault, ...],
    *,
    names: tuple[str, ...],
    spared: Int64,
    source: Int32,
    destination: Int32,
    seconds: float,
    start_ns: int,
    leap_elapsed_ns: int | None = None,
) -> Drawn:
    """Choose who suffers what, and when; `source` and `destination` are the paths' ends. No host suffers twice."""
    free = [int(host) for host in rng.permutation(np.setdiff1d(np.arange(len(names)), spared))]
    breaks: list[tuple[int, int, int, float, bool]] = []
    lies: list[Lying] = []
    asleep: list[tuple[int, int, int]] = []
    longer: list[tuple[int, int, int]] = []
    events: list[Event] = []
    for fault in faults:
        if fault.kind is FaultKind.ASYMMETRIC_PATH:
            wanted = min(len(source), fault.count + round(fault.share * len(source)))
            for path in rng.choice(len(source), wanted, replace=False):
                extra, direction = round(_size(rng, fault)), int(rng.integers(0, 2))
                longer.append((int(path), direction, extra))
                ends = names[source[path]], names[destination[path]]
                way = ends if direction == 0 else ends[::-1]
                events.append(Event(fault.kind, start_ns, extra, path=way, detail="this direction takes longer"))
            continue
        wanted = min(len(free), fault.count + round(fault.share * len(names)))
        chosen, free = free[:wanted], free[wanted:]
        common = _size(rng, fault) * _sign(rng), _when(rng, fault, seconds)
        for host in chosen:
            # A smear is one event that a whole group shares; everything else strikes each host by itself.
            size, at = (
                common
                if fault.kind is FaultKind.SMEAR
                else (_size(rng, fault) * _sign(rng), _when(rng, fault, seconds))
            )
            rows, event_at, size = _breaks(fault, host, size, at, rng, leap_elapsed_ns)
            breaks += rows
            if fault.kind is FaultKind.LIAR:
                lies.append(Lying(host, fault.lie, abs(round(size))))
            if fault.kind is FaultKind.SUSPEND:
                until = at + int(rng.uniform(0.05, 0.15) * seconds * NS)
                asleep.append((host, at, until))
            detail = fault.lie.value if fault.kind is FaultKind.LIAR else ""
            events.append(Event(fault.kind, start_ns + event_at, size, host=names[host], detail=detail))
    return Drawn(tuple(breaks), tuple(lies), tuple(asleep), tuple(longer), tuple(events))


def _breaks(
    fault: Fault, host: int, size: float, at: int, rng: np.random.Generator, leap_elapsed_ns: int | None
) -> tuple[list[tuple[int, int, int, float, bool]], int, float]:
    """Breaks of one host's clock, the instant of the event, and its size."""
    if fault.kind in (FaultKind.STEP, FaultKind.SUSPEND):
        return [(host, at, round(size), 0.0, fault.noticed)], at, round(size)
    if fault.kind is FaultKind.FREQUENCY_CHANGE:
        return [(host, at, 0, size, False)], at, size
    if fault.kind is FaultKind.SLEW:
        rate = SLEW_LIMIT if size > 0 else -SLEW_LIMIT
        return [(host, at, 0, rate, False), (host, at + round(size / rate), 0, -rate, False)], at, size
    if fault.kind is FaultKind.LEAP_MISSED:
        # Still one second ahead of those that counted the leap second; half of them are put right within the span.
        rows = [(host, -LEAD_NS, NS, 0.0, False)]
        if rng.random() < 0.5:
            return [*rows, (host, at, -NS, 0.0, fault.noticed)], at, -NS
        return rows, 0, NS
    if fault.kind is FaultKind.SMEAR and leap_elapsed_ns is not None:
        # Half a second behind just before the others count a second twice, half a second ahead just after it.
        begin = round(SMEAR_RATE * (leap_elapsed_ns + LEAD_NS)) - NS // 2
        rows = [(host, -LEAD_NS, begin, -SMEAR_RATE, False), (host, leap_elapsed_ns, NS, 0.0, False)]
        return rows, leap_elapsed_ns, NS
    if fault.kind is FaultKind.SMEAR:
        rate = -SMEAR_RATE if size > 0 else SMEAR_RATE
        return [(host, -LEAD_NS, round(size), rate, False)], 0, size
    return [], 0, size


def _size(rng: np.random.Generator, fault: Fault) -> float:
    low, high = fault.size
    return float(low * (high / low) ** rng.random()) if low > 0 else high * float(rng.random())


def _sign(rng: np.random.Generator) -> int:
    return 1 if rng.random() < 0.5 else -1


def _when(rng: np.random.Generator, fault: Fault, seconds: float) -> int:
    return int(rng.uniform(*fault.when) * seconds * NS)
