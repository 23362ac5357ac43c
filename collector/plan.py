"""Who probes whom: a sparse, near-regular, connected graph that barely changes when hosts come and go. Pure.

Every host has a place on each of several rings, by a keyed hash of its name, and asks the hosts next to it on either
side. The union of such rings is a random regular graph, which expands well (Friedman, "A proof of Alon's second
eigenvalue conjecture", Memoirs of the AMS 910, 2008), and any one ring through all hosts makes it connected. A host
that arrives or leaves disturbs only its neighbours on each ring. With several zones, two rings run through the whole
fleet and the others within a zone, where paths are short.

What the rings leave wanting is filled up by walking on along a ring: hosts of other zones, at least `foreign`, as long
as one is met within `reach` steps (so that a small zone is not asked by a whole fleet); then any hosts, up to `peers`.
Each reference is asked by the `reference_askers` hosts that follow it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Int32, Int64
from noonmark.proto.control import Endpoint, Plan, PlannedPeer

MAX_RINGS = 8
Asks = dict[str, tuple[str, ...]]
"""By host: the hosts that it asks, in alphabetical order."""


@dataclass(frozen=True, slots=True)
class Member:
    """A host to be planned for."""

    host: str
    zone: str = ""
    endpoints: tuple[Endpoint, ...] = ()
    """None: it cannot be asked, and asks others all the same."""


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """The shape of the graph."""

    peers: int = 8
    """Each host asks at least so many others, where there are so many (2 to 16)."""
    foreign: int = 2
    """At least so many of them in other zones."""
    reference_askers: int = 32
    """Each reference is asked by at least so many hosts."""
    reach: int = 128
    """Steps along a ring that may be searched for a host of another zone."""
    interval_ns: int = 1_000_000_000
    """Mean time between two exchanges with one peer."""
    seed: int = 0


def draw_up(members: Iterable[Member], references: Iterable[str] = (), settings: PlanSettings | None = None) -> Asks:
    """Choose for each member whom it asks. The same members give the same plan in whatever order they come.

    Raises ValueError if two members have one name.
    """
    settings = settings or PlanSettings()
    ordered = sorted(members, key=lambda member: member.host)
    names = [member.host for member in ordered]
    if len(set(names)) != len(names):
        raise ValueError("two members have the same name")
    if len(names) - 1 <= settings.peers:
        return {name: tuple(other for other in names if other != name) for name in names}
    rings = _Rings(names, [member.zone for member in ordered], settings)
    asked = _neighbours(rings)
    _fill_up(asked, rings, settings)
    number = {name: index for index, name in enumerate(names)}
    for reference in sorted(set(references) & number.keys()):
        for asker in rings.following(number[reference], settings.reference_askers):
            asked[asker].add(number[reference])
    return {name: tuple(names[other] for other in sorted(asked[index])) for index, name in enumerate(names)}


class _Rings:
    """The hosts' order on each ring; hosts are numbers in alphabetical order of their names."""

    def __init__(self, names: Sequence[str], zones: Sequence[str], settings: PlanSettings) -> None:
        self.size = len(names)
        codes = {zone: code for code, zone in enumerate(sorted(set(zones)))}
        self.zone = np.array([codes[zone] for zone in zones], dtype=np.int32)
        rings = max(1, settings.peers // 2)
        through_all = rings if len(codes) == 1 else min(rings, 2)
        places = _places(names, settings.seed, rings)
        self.orders = [np.argsort(places[:, ring], kind="stable") for ring in range(through_all)]
        self.zone_orders = [np.lexsort((places[:, ring], self.zone)) for ring in range(through_all, rings)]
        self.walk = self.orders[-1].tolist()
        self.place_on_walk = _inverse(self.orders[-1]).tolist()

    def following(self, host: int, count: int) -> Iterator[int]:
        """The hosts behind `host` on the walked ring, nearest first, each once."""
        start = self.place_on_walk[host]
        for step in range(1, min(count, self.size - 1) + 1):
            yield self.walk[(start + step) % self.size]


def _places(names: Sequence[str], seed: int, rings: int) -> Int64:
    key = seed.to_bytes(8, "big", signed=True)
    digests = b"".join(hashlib.blake2b(name.encode(), digest_size=8 * MAX_RINGS, key=key).digest() for name in names)
    return np.frombuffer(digests, dtype=">i8").reshape(len(names), MAX_RINGS)[:, :rings].astype(np.int64)


def _inverse(order: Int64) -> Int64:
    inverse = np.empty_like(order)
    inverse[order] = np.arange(len(order))
    return inverse


def _beside(order: Int64, group: Int32) -> tuple[Int64, Int64]:
    """Each host's successor and predecessor along `order`, closed to a ring within each run of equal `group`."""
    place = np.arange(len(order))
    grouped = group[order]
    first = np.r_[True, grouped[1:] != grouped[:-1]]
    start = np.maximum.accumulate(np.where(first, place, 0))
    last = np.r_[first[1:], True]
    end = np.minimum.accumulate(np.where(last, place, len(order))[::-1])[::-1]
    successor = np.empty_like(order)
    predecessor = np.empty_like(order)
    successor[order] = order[np.where(last, start, place + 1)]
    predecessor[order] = order[np.where(first, end, place - 1)]
    return successor, predecessor


def _neighbours(rings: _Rings) -> list[set[int]]:
    one_group = np.zeros(rings.size, dtype=np.int32)
    columns: list[Int64] = []
    for order in rings.orders:
        columns += _beside(order, one_group)
    for order in rings.zone_orders:
        columns += _beside(order, rings.zone)
    asked = [set(row) for row in np.column_stack(columns).tolist()]
    for host, others in enumerate(asked):
        others.discard(host)
    return asked


def _fill_up(asked: list[set[int]], rings: _Rings, settings: PlanSettings) -> None:
    zone = rings.zone.tolist()
    others_exist = len(set(zone)) > 1
    next_foreign = _next_foreign(rings) if others_exist else []
    for host, others in enumerate(asked):
        if others_exist:
            missing = settings.foreign - sum(zone[other] != zone[host] for other in others)
            if missing > 0:
                _add_foreign(host, others, missing, zone, next_foreign, rings, settings.reach)
        if len(others) < settings.peers:
            for other in rings.following(host, rings.size):
                others.add(other)
                if len(others) >= settings.peers:
                    break


def _next_foreign(rings: _Rings) -> list[int]:
    """By place on the walked ring: how many steps on the zone next changes."""
    zone = rings.zone[rings.orders[-1]]
    twice = np.r_[zone, zone]
    changes = np.r_[twice[1:] != twice[:-1], True]
    place = np.where(changes, np.arange(len(twice)) + 1, 2 * len(twice))
    upcoming = np.minimum.accumulate(place[::-1])[::-1]
    steps: list[int] = (upcoming - np.arange(len(twice)))[: len(zone)].tolist()
    return steps


def _add_foreign(
    host: int,
    others: set[int],
    missing: int,
    zone: Sequence[int],
    next_foreign: Sequence[int],
    rings: _Rings,
    reach: int,
) -> None:
    start = rings.place_on_walk[host]
    step = next_foreign[start]
    while missing and step <= min(reach, rings.size - 1):
        place = (start + step) % rings.size
        other = rings.walk[place]
        if zone[other] == zone[host]:
            step += next_foreign[place]
            continue
        if other not in others:
            others.add(other)
            missing -= 1
        step += 1


def plan_for(
    host: str,
    asks: Asks,
    members: Mapping[str, Member],
    *,
    version: int,
    settings: PlanSettings | None = None,
    intervals_ns: Sequence[int] | None = None,
) -> Plan:
    """A host's plan as it is sent; peers without a usable endpoint are left out.

    `intervals_ns` are those of the asked, in their order; None: the settings' for all.
    """
    settings = settings or PlanSettings()
    peers = []
    asked = asks.get(host, ())
    for place, name in enumerate(asked):
        endpoint = choose_endpoint(members[host], members[name])
        if endpoint is not None:
            interval_ns = settings.interval_ns if intervals_ns is None else intervals_ns[place]
            peers.append(PlannedPeer(name, endpoint, interval_ns))
    return Plan(version, tuple(peers))


def choose_endpoint(asker: Member, asked: Member) -> Endpoint | None:
    """The first of `asked`'s endpoints whose IP version the asker has too; else the first; None if it has none."""
    versions = {endpoint.version for endpoint in asker.endpoints}
    for endpoint in asked.endpoints:
        if endpoint.version in versions:
            return endpoint
    return asked.endpoints[0] if asked.endpoints else None
