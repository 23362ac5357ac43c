"""Simulate a fleet: probe records as its agents would report them, and the truth. Pure.

The same (scenario, seed, hosts, seconds, interval) give the same records, always. Work is done in chunks of paths, all
rows of a chunk at once, so that memory beyond the result stays small; there is no loop over hosts, paths or probes.
"""

from __future__ import annotations

import dataclasses
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.estimate import Bool, Int32, Int64, ProbeColumns, Reference
from noonmark.lab.clocks import NS, Breaks, ClockModel, Clocks, make_clocks
from noonmark.lab.faults import Drawn, Event, FaultKind, Lie, draw_faults
from noonmark.lab.networks import Network, make_network
from noonmark.lab.noise import PowerLaw
from noonmark.lab.scenario import Scenario
from noonmark.lab.scenarios import KINDS
from noonmark.lab.stamps import stamp_error_ns
from noonmark.lab.topology import make_peers
from noonmark.lab.truth import Truth
from noonmark.proto.records import MEASURING_BIT, StampSource

START_NS = 1_767_225_600 * NS
"""2026-01-01T00:00:00Z."""
ROWS_AT_ONCE = 400_000
TURNAROUND_FLOOR_NS = 15_000
TURNAROUND_MEAN_NS = 25_000.0
"""Time between a reflector's two stamps, beyond the floor, exponential."""
PAIR_GAP_NS = 20_000
"""Least pause between the reply to a warm-up packet and the measuring packet."""
LIES = (None, *Lie)
Columns = tuple[NDArray[Any], ...]
IDEAL = ClockModel(0.0, 0.0, 0.0, PowerLaw(), 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class _Fleet:
    """Everything drawn before the first packet."""

    scenario: Scenario
    clocks: Clocks
    network: Network
    drawn: Drawn
    stamp_source: Int64
    lie: Int64
    """(H,): index into LIES; 0 for the honest."""
    lie_size_ns: Int64
    start_ns: int
    leap_elapsed_ns: int | None


def simulate(
    kind: str | Scenario,
    *,
    hosts: int,
    seconds: float = 60.0,
    seed: int = 0,
    interval_s: float | None = None,
    epochs: bool = False,
    start_ns: int = START_NS,
) -> tuple[ProbeColumns, Truth]:
    """Simulate `hosts` hosts (references included) for `seconds` of true time from `start_ns`.

    `interval_s` replaces the scenario's mean time between two exchanges of a path. `epochs` tells the records' clock
    epochs (otherwise 0, "not told"). Rows are grouped by path, in the order of completion. Raises KeyError for an
    unknown kind, ValueError for fewer hosts than references + 1 or a span that is not positive.
    """
    scenario = KINDS[kind] if isinstance(kind, str) else kind
    if interval_s is not None:
        scenario = dataclasses.replace(scenario, interval_s=interval_s, exchanges=None)
    if hosts < scenario.references.count + 1:
        raise ValueError(f"{scenario.name} needs at least {scenario.references.count + 1} hosts")
    if not seconds > 0:
        raise ValueError("the span must be longer than nothing")
    rng = np.random.default_rng([seed, zlib.crc32(scenario.name.encode()), hosts])
    fleet, truth = _make_fleet(rng, scenario, hosts, seconds, seed, start_ns)
    counts = _exchanges(rng, scenario, len(fleet.network.source), seconds)
    packets = 2 if scenario.warm_up else 1
    parts = []
    edges = np.searchsorted(np.cumsum(counts) * packets, np.arange(0, max(1, counts.sum() * packets), ROWS_AT_ONCE))
    for begin, end in zip(edges, [*edges[1:], len(counts)], strict=True):
        parts.append(_run_paths(rng, fleet, np.arange(begin, end), counts[begin:end], seconds, epochs))
    return _join(truth.hosts, parts), truth


def _exchanges(rng: np.random.Generator, scenario: Scenario, paths: int, seconds: float) -> Int64:
    if scenario.exchanges is not None:
        return rng.integers(scenario.exchanges[0], scenario.exchanges[1] + 1, paths)
    return np.full(paths, max(1, round(seconds / scenario.interval_s)))


def _shares(rng: np.random.Generator, shares: list[float], hosts: int) -> Int64:
    """Deal hosts out over kinds by their shares, in random order."""
    bounds = np.cumsum(shares) / sum(shares)
    place = (rng.permutation(hosts) + 0.5) / hosts
    return np.searchsorted(bounds, place).clip(max=len(shares) - 1)


def _make_fleet(
    rng: np.random.Generator, scenario: Scenario, hosts: int, seconds: float, seed: int, start_ns: int
) -> tuple[_Fleet, Truth]:
    given, references = scenario.references, np.arange(scenario.references.count)
    names = (*(f"reference-{n + 1}" for n in references), *(f"host-{n + 1:06d}" for n in range(hosts - given.count)))
    leap = None if scenario.leap_at is None else round(scenario.leap_at * seconds) * NS
    zone = rng.integers(0, scenario.network.zones, hosts)
    island = rng.integers(0, scenario.islands, hosts)
    island[references] = 0
    source, destination = make_peers(rng, zone, island, references, scenario.peers, given.peers)
    drawn = draw_faults(
        rng,
        scenario.faults,
        names=names,
        spared=references,
        source=source,
        destination=destination,
        seconds=seconds,
        start_ns=start_ns,
        leap_elapsed_ns=leap,
    )
    clocks, wrong = _make_clocks(rng, scenario, names, seconds, drawn, start_ns)
    network = make_network(rng, scenario.network, zone, source, destination, seconds)
    for path, direction, extra in drawn.longer:
        network.before_ns[path, direction] += extra
        network.after_ns[path, direction] += extra
    takers = np.array([int(source) for _, source in scenario.stamps])
    stamp_source = takers[_shares(rng, [share for share, _ in scenario.stamps], hosts)]
    stamp_source[references] = given.stamps
    lie, lie_size = np.zeros(hosts, np.int64), np.zeros(hosts, np.int64)
    for liar in drawn.lies:
        lie[liar.host], lie_size[liar.host] = LIES.index(liar.lie), liar.size_ns
    truth = Truth(
        kind=scenario.name,
        seed=seed,
        hosts=names,
        references=tuple(Reference(names[n], given.uncertainty_ns, given.error_ns) for n in references),
        zones={name: f"zone-{number + 1}" for name, number in zip(names, zone, strict=True)},
        start_ns=start_ns,
        end_ns=start_ns + round(seconds * NS) - (NS if leap is not None else 0),
        leap_ns=None if leap is None else start_ns + leap,
        clocks=clocks,
        network=network,
        events=drawn.events + wrong,
    )
    return _Fleet(scenario, clocks, network, drawn, stamp_source, lie, lie_size, start_ns, leap), truth


def _make_clocks(
    rng: np.random.Generator, scenario: Scenario, names: tuple[str, ...], seconds: float, drawn: Drawn, start_ns: int
) -> tuple[Clocks, tuple[Event, ...]]:
    """Clocks of all hosts, the references' ideal but for a constant error; and which references are wrong."""
    given = scenario.references
    models = (IDEAL, *(model for _, model in scenario.clocks))
    model_of = 1 + _shares(rng, [share for share, _ in scenario.clocks], len(names))
    model_of[: given.count] = 0
    clocks = make_clocks(rng, models, model_of, seconds, Breaks.from_rows(list(drawn.breaks)))
    error = rng.uniform(-given.error_ns, given.error_ns, given.count)
    first_wrong = given.count - given.wrong
    error[first_wrong:] = given.wrong_ns * rng.choice([-1, 1], given.wrong)
    clocks.phase_ns[: given.count] += error[:, None]
    wrong = range(first_wrong, given.count)
    return clocks, tuple(Event(FaultKind.REFERENCE_WRONG, start_ns, float(error[n]), host=names[n]) for n in wrong)


def _run_paths(
    rng: np.random.Generator, fleet: _Fleet, paths: Int64, counts: Int64, seconds: float, epochs: bool
) -> Columns:
    """All exchanges of some paths: columns source, destination, t1..t4, flags, and the two epochs."""
    scenario = fleet.scenario
    path = np.repeat(paths, counts)
    number = np.arange(len(path)) - np.repeat(np.cumsum(counts) - counts, counts)
    # A random phase for each path and a jitter of ±30 % of the interval for each exchange.
    place = number + np.repeat(rng.random(len(paths)), counts) + rng.uniform(-0.3, 0.3, len(path))
    elapsed = (np.clip(place / np.repeat(counts, counts), 0, 1) * seconds * NS).astype(np.int64)
    turned = rng.integers(0, 2, len(path)) if scenario.both_ask else np.zeros(len(path), np.int64)
    columns, done = _exchange(rng, fleet, path, turned, elapsed, warm=not scenario.warm_up, epochs=epochs)
    alive = _present(fleet, path, elapsed) & fleet.network.survives(rng, len(path))
    if not scenario.warm_up:
        return _in_order(rng, scenario.duplicates, path, done, columns, alive)
    again = np.where(alive, done - elapsed, 3_000_000) + elapsed + PAIR_GAP_NS + rng.integers(0, 20_000, len(path))
    second, second_done = _exchange(rng, fleet, path, turned, again, warm=True, epochs=epochs)
    second_alive = _present(fleet, path, again) & fleet.network.survives(rng, len(path))
    return _in_order(
        rng,
        scenario.duplicates,
        np.concatenate([path, path]),
        np.concatenate([done, second_done]),
        tuple(np.concatenate(pair) for pair in zip(columns, second, strict=True)),
        np.concatenate([alive, second_alive]),
    )


def _in_order(
    rng: np.random.Generator, duplicates: float, path: Int64, done: Int64, columns: Columns, alive: Bool
) -> Columns:
    """Completed exchanges only, by path and then by time of completion; some of them twice."""
    order = np.lexsort((done, path))
    order = order[alive[order]]
    if duplicates:
        order = np.repeat(order, 1 + (rng.random(len(order)) < duplicates))
    return tuple(column[order] for column in columns)


def _present(fleet: _Fleet, path: Int64, elapsed: Int64) -> Bool:
    """Whether neither end of the path sleeps at that instant."""
    present = np.ones(len(path), np.bool_)
    source, destination = fleet.network.source[path], fleet.network.destination[path]
    for host, begin, end in fleet.drawn.asleep:
        present &= ((source != host) & (destination != host)) | (elapsed < begin) | (elapsed >= end)
    return present


def _exchange(
    rng: np.random.Generator, fleet: _Fleet, path: Int64, turned: Int64, sent: Int64, *, warm: bool, epochs: bool
) -> tuple[Columns, Int64]:
    """One packet there and back on each row's path, sent at its true instant; also returns when it was done."""
    network, rows = fleet.network, len(path)
    ends = np.stack([network.source[path], network.destination[path]])
    asker, answerer = np.where(turned == 0, ends, ends[::-1])
    by = [_stamped_by(rng, fleet, host) for host in (asker, answerer, answerer, asker)]
    warmth = np.full(rows, warm)
    early1 = stamp_error_ns(rng, by[0], receiving=False, warm=warmth)
    late2 = stamp_error_ns(rng, by[1], receiving=True, warm=warmth)
    early3 = stamp_error_ns(rng, by[2], receiving=False, warm=warmth)
    late4 = stamp_error_ns(rng, by[3], receiving=True, warm=warmth)
    turnaround = TURNAROUND_FLOOR_NS + (TURNAROUND_MEAN_NS * rng.standard_exponential(rows)).astype(np.int64)
    # Instants of the four stamps; between 1 and 2, and between 3 and 4, the packet is on the wire.
    at1 = sent
    at2 = at1 + early1 + network.delay_ns(rng, path, turned, sent) + late2
    at3 = at2 + turnaround
    at4 = at3 + early3 + network.delay_ns(rng, path, 1 - turned, at3) + late4
    read = [
        fleet.clocks.read(host, at, _start(fleet, at))
        for host, at in ((asker, at1), (answerer, at2), (answerer, at3), (asker, at4))
    ]
    _bend(rng, fleet, path, asker, answerer, read)
    flags = (by[0] | by[1] << 2 | by[2] << 4 | by[3] << 6 | (MEASURING_BIT if warm else 0)).astype(np.uint16)
    none = np.zeros(rows, np.int64)
    epoch = (fleet.clocks.epoch(asker, at4), fleet.clocks.epoch(answerer, at3)) if epochs else (none, none)
    return (asker, answerer, *read, flags, *epoch), at4


def _start(fleet: _Fleet, elapsed: Int64) -> int | Int64:
    """True time at the start, one second less once the leap second has been counted."""
    if fleet.leap_elapsed_ns is None:
        return fleet.start_ns
    return fleet.start_ns - NS * (elapsed >= fleet.leap_elapsed_ns).astype(np.int64)


def _stamped_by(rng: np.random.Generator, fleet: _Fleet, host: Int32) -> Int64:
    by = fleet.stamp_source[host]
    if fleet.scenario.fallback:
        by = np.where(rng.random(len(host)) < fleet.scenario.fallback, int(StampSource.USER), by)
    return by


def _bend(
    rng: np.random.Generator, fleet: _Fleet, path: Int64, asker: Int32, answerer: Int32, read: list[Int64]
) -> None:
    """Let liars lie: change their stamps in place."""
    if not fleet.drawn.lies:
        return
    for host, received, sent in ((asker, 3, 0), (answerer, 1, 2)):
        lie, size = fleet.lie[host], fleet.lie_size_ns[host]
        shift = (rng.uniform(-1, 1, len(host)) * size).astype(np.int64)
        # The same number for the same path and liar, whatever the chunk: a hash turned into [-1, 1).
        face = ((path * 2_654_435_761 + host * 40_503) % 65_536 / 32_768 - 1) * size
        for told, change in ((Lie.RANDOM, shift), (Lie.TWO_FACED, face.astype(np.int64))):
            both = np.where(lie == LIES.index(told), change, 0)
            read[received] += both
            read[sent] += both
        read[sent] += np.where(lie == LIES.index(Lie.LATE_TRANSMIT), size, 0)
        read[received] -= np.where(lie == LIES.index(Lie.EARLY_RECEIPT), size, 0)


def _join(names: tuple[str, ...], parts: list[Columns]) -> ProbeColumns:
    """Put chunks together, one column after the other, letting go of the pieces."""
    joined: list[Any] = []
    lists = [list(column) for column in zip(*parts, strict=True)]
    parts.clear()
    for dtype in (np.int32, np.int32, np.int64, np.int64, np.int64, np.int64, np.uint16, np.int64, np.int64):
        joined.append(np.concatenate(lists.pop(0)).astype(dtype, copy=False))
    return ProbeColumns(names, *joined)
