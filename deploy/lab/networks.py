"""Simulated networks: how long each packet takes, and which packets are lost. Pure.

A packet's delay = distance of the two zones + the hosts' own access lines + the path's own and its router's extra
length in that direction (asymmetry) + queueing + congestion. No part is ever negative, so no delay is. The fixed part
of each path is known (`Network.fixed_ns`): with it an estimator's floor can be computed. All draws are vectorised;
congestion is read from a pool of on-off profiles, each road (path, router or host access) entering one at its own place
and time.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.estimate import Bool, Float64, Int32, Int64

NS = 1_000_000_000
PROFILES = 1024
CELL_NS = 100_000_000
"""Congestion is the same for a tenth of a second."""
MAX_CELLS = 16_384


class QueueLaw(enum.Enum):
    """Distribution of a queued packet's wait; the mean is the model's."""

    EXPONENTIAL = "exponential"
    GAMMA = "gamma"
    PARETO = "pareto"
    """Lomax: heavy tail with index `shape`."""
    WEIBULL = "weibull"
    """Stretched exponential for shape < 1."""


@dataclass(frozen=True, slots=True)
class Queue:
    """Waiting of single packets."""

    law: QueueLaw = QueueLaw.EXPONENTIAL
    mean_ns: float = 5_000.0
    shape: float = 1.0
    idle: float = 0.3
    """Share of packets that meet an empty queue."""
    one_way_factor: float = 1.0
    """The queue of one direction of each path (left to chance which) is this many times longer."""

    def draw(self, rng: np.random.Generator, size: int) -> Float64:
        """Waits of mean 1 (but for the idle share), (size,)."""
        if self.law is QueueLaw.EXPONENTIAL:
            waits = rng.standard_exponential(size)
        elif self.law is QueueLaw.GAMMA:
            waits = rng.standard_gamma(self.shape, size) / self.shape
        elif self.law is QueueLaw.PARETO:
            waits = rng.pareto(self.shape, size) * (self.shape - 1)
        else:
            waits = rng.weibull(self.shape, size) / math.gamma(1 + 1 / self.shape)
        if self.idle:
            waits *= rng.random(size) >= self.idle
        return waits


LIGHT_LOAD = Queue()


class Road(enum.Enum):
    """What congestion, asymmetry or a change of route befalls."""

    PATH = "path"
    ROUTER = "router"
    HOST = "host"
    """The line into a host (or out of it): all of its paths suffer in the same direction."""


@dataclass(frozen=True, slots=True)
class Bursts:
    """Congestion that comes and goes: a standing queue, and waiting on top of it."""

    road: Road = Road.PATH
    share: float = 0.3
    """Share of roads that are ever congested."""
    busy: float = 0.3
    """Share of the time that such a road is."""
    duration_s: float = 3.0
    """Mean length of one burst."""
    level_ns: float = 200_000.0
    """Mean delay within a burst, spread exponentially over bursts; half of it standing, half of it varying."""
    both_ways: bool = False


@dataclass(frozen=True, slots=True)
class NetworkModel:
    """One kind of network. Pairs are (least, greatest) of a uniform distribution."""

    zones: int = 1
    within_zone_ns: tuple[float, float] = (5_000.0, 15_000.0)
    """One way, fixed."""
    between_zones_ns: tuple[float, float] = (100_000.0, 1_000_000.0)
    """One way, fixed, drawn for each pair of zones."""
    access_ns: tuple[float, float] = (500.0, 2_000.0)
    """Of each host, the same in and out."""
    routers_a_zone_pair: int = 4
    path_asymmetry_ns: float = 200.0
    """Mean of the extra one-way delay (exponential) that each path has in one direction, its own."""
    router_asymmetry_ns: float = 0.0
    """The same, shared by all paths through a router between zones."""
    asymmetric_share: float = 1.0
    """Share of paths that have any asymmetry of their own."""
    queue: Queue = LIGHT_LOAD
    bursts: tuple[Bursts, ...] = ()
    loss: float = 0.001
    """Of single packets."""
    reordering: float = 0.0
    """Share of packets that take a longer way for once, so that later ones overtake them."""
    reordering_ns: float = 300_000.0
    """Mean extra delay of such a packet."""
    route_change_share: float = 0.0
    """Share of paths whose way changes once within the simulation, for good, in one direction or both."""
    route_change_ns: float = 100_000.0
    """Mean extra one-way delay after (or, half of the time, before) the change."""


@dataclass(frozen=True, slots=True)
class Congestion:
    """One `Bursts` laid over a network. Profiles: (PROFILES, cells) float32, mean delay now in ns."""

    profiles: NDArray[np.float32]
    profile: Int64
    """(roads, 2): which profile each road follows in each direction; -1 never congested."""
    shift: Int64
    road_of_path: Int64
    """(P, 2): the road that a packet from source to destination (column 0) or back (1) travels."""
    column_of_path: Int64
    """(P, 2): and the direction of that road, 0 or 1."""

    def level_ns(self, path: Int64, backward: Int64, elapsed_ns: Int64) -> Float64:
        """Mean congestion delay that packets meet now, in ns."""
        road, column = self.road_of_path[path, backward], self.column_of_path[path, backward]
        profile = self.profile[road, column]
        cell = (elapsed_ns // CELL_NS + self.shift[road, column]) % self.profiles.shape[1]
        return np.where(profile < 0, 0.0, self.profiles[np.maximum(profile, 0), cell].astype(np.float64))


@dataclass(frozen=True, slots=True)
class Network:
    """A realised network of P paths."""

    model: NetworkModel
    source: Int32
    destination: Int32
    zone: Int64
    router: Int64
    before_ns: Float64
    """(P, 2): fixed one-way delay from source to destination and back, before the route changes."""
    after_ns: Float64
    changes_ns: Int64
    """Elapsed time of the path's change of route; the greatest int64 where there is none."""
    queue_factor: Float64
    """(P, 2)."""
    congestion: tuple[Congestion, ...]

    def fixed_ns(self, elapsed_ns: int) -> Float64:
        """Least possible one-way delays at an instant, (P, 2): source to destination, and back."""
        return np.where((self.changes_ns <= elapsed_ns)[:, None], self.after_ns, self.before_ns)

    def delay_ns(self, rng: np.random.Generator, path: Int64, backward: Int64, elapsed_ns: Int64) -> Int64:
        """Delay of one packet a row, whole ns, never negative; `backward` 1: from destination to source."""
        fixed = np.where(
            elapsed_ns >= self.changes_ns[path], self.after_ns[path, backward], self.before_ns[path, backward]
        )
        queue = self.model.queue
        delay = fixed + queue.draw(rng, len(path)) * (queue.mean_ns * self.queue_factor[path, backward])
        for congestion in self.congestion:
            level = congestion.level_ns(path, backward, elapsed_ns)
            delay += level * (0.5 + 0.5 * rng.standard_exponential(len(path)))
        if self.model.reordering:
            held = rng.random(len(path)) < self.model.reordering
            delay += held * rng.standard_exponential(len(path)) * self.model.reordering_ns
        return np.ceil(delay).astype(np.int64)

    def survives(self, rng: np.random.Generator, size: int) -> Bool:
        """Whether request and reply both arrive, (size,)."""
        return rng.random(size) >= 1 - (1 - self.model.loss) ** 2


def make_network(
    rng: np.random.Generator, model: NetworkModel, zone: Int64, source: Int32, destination: Int32, seconds: float
) -> Network:
    """Draw routes, fixed delays and congestion for the given paths between hosts of the given zones."""
    paths = len(source)
    low, high = np.minimum(zone[source], zone[destination]), np.maximum(zone[source], zone[destination])
    pair = low * model.zones + high
    router = pair * model.routers_a_zone_pair + rng.integers(0, model.routers_a_zone_pair, paths)
    distance = rng.uniform(*model.between_zones_ns, model.zones**2)
    same = low == high
    base = np.where(same, rng.uniform(*model.within_zone_ns, paths), distance[pair])
    access = rng.uniform(*model.access_ns, len(zone))
    base += access[source] + access[destination]
    fixed = np.stack([base, base], axis=1)
    # The longer direction of a router is that from the lower zone's number to the higher's, or the other.
    up = (zone[source] > zone[destination]).astype(np.int64)
    _lengthen(fixed, rng, model.path_asymmetry_ns * (rng.random(paths) < model.asymmetric_share))
    routers = model.zones**2 * model.routers_a_zone_pair
    extra, side = rng.standard_exponential(routers) * model.router_asymmetry_ns, rng.integers(0, 2, routers)
    fixed[np.arange(paths), side[router] ^ up] += np.where(same, 0.0, extra[router])
    after, changes = fixed.copy(), np.full(paths, np.iinfo(np.int64).max)
    changing = np.flatnonzero(rng.random(paths) < model.route_change_share)
    changes[changing] = (rng.uniform(0.2, 0.8, len(changing)) * seconds * NS).astype(np.int64)
    later = rng.random(len(changing)) < 0.5
    for which, table in ((changing[later], after), (changing[~later], fixed)):
        sides = rng.integers(0, 3, len(which))
        more = rng.standard_exponential(len(which)) * model.route_change_ns
        table[which[sides != 1], 0] += more[sides != 1]
        table[which[sides != 0], 1] += more[sides != 0]
    factor = np.ones((paths, 2))
    factor[np.arange(paths), rng.integers(0, 2, paths)] = model.queue.one_way_factor
    congestion = tuple(
        _make_congestion(rng, bursts, source, destination, router, up, len(zone), seconds) for bursts in model.bursts
    )
    return Network(model, source, destination, zone, router, fixed, after, changes, factor, congestion)


def _lengthen(fixed: Float64, rng: np.random.Generator, mean_ns: NDArray[np.floating]) -> None:
    """Add an exponential extra delay to one direction of each path, left to chance which."""
    rows = np.arange(len(fixed))
    fixed[rows, rng.integers(0, 2, len(fixed))] += rng.standard_exponential(len(fixed)) * mean_ns


def _make_congestion(
    rng: np.random.Generator,
    bursts: Bursts,
    source: Int32,
    destination: Int32,
    router: Int64,
    up: Int64,
    hosts: int,
    seconds: float,
) -> Congestion:
    paths = len(source)
    forward = np.zeros(paths, np.int64)
    if bursts.road is Road.PATH:
        road = np.stack([np.arange(paths)] * 2, axis=1)
        column = np.stack([forward, forward + 1], axis=1)
    elif bursts.road is Road.ROUTER:
        road = np.stack([router] * 2, axis=1)
        column = np.stack([up, 1 - up], axis=1)
    else:
        # The line into the receiving host: its column 0. (A congested outward line does the same with the sign turned.)
        road = np.stack([destination, source], axis=1).astype(np.int64)
        column = np.zeros((paths, 2), np.int64)
    roads = hosts if bursts.road is Road.HOST else int(road.max(initial=0)) + 1
    profile = rng.integers(0, PROFILES, (roads, 2))
    congested = rng.random(roads) < bursts.share
    if bursts.both_ways:
        usable = np.stack([congested, congested], axis=1)
    else:
        side = rng.integers(0, 2, roads) if bursts.road is not Road.HOST else np.zeros(roads, np.int64)
        usable = congested[:, None] & (np.arange(2) == side[:, None])
    profile = np.where(usable, profile, -1)
    cells = min(MAX_CELLS, max(64, math.ceil(seconds * NS / CELL_NS)))
    profiles = _profiles(rng, bursts, cells)
    return Congestion(profiles, profile, rng.integers(0, cells, (roads, 2)), road, column)


def _profiles(rng: np.random.Generator, bursts: Bursts, cells: int) -> NDArray[np.float32]:
    """On-off histories: two-state Markov chains with the wanted mean length and share, a level for each burst."""
    leave = min(1.0, CELL_NS / NS / bursts.duration_s)
    enter = min(1.0, leave * bursts.busy / max(1e-9, 1 - bursts.busy))
    table = np.zeros((PROFILES, cells), np.float32)
    on = rng.random(PROFILES) < bursts.busy
    level = rng.standard_exponential(PROFILES)
    for cell in range(cells):
        turns = rng.random(PROFILES)
        begins = ~on & (turns < enter)
        on = np.where(on, turns >= leave, begins)
        level = np.where(begins, rng.standard_exponential(PROFILES), level)
        table[:, cell] = on * level * bursts.level_ns
    return table
