"""The demonstration's fleet: a ferry line with three harbours, every clock wrong by a known amount. Pure.

Each harbour has a reference, ticket gates, berth sensors and a booking database. Ordinary clocks are off by up to 20 ms
and drift by up to 30 ppm; references are off by up to 50 ns, which is within what they declare, and do not drift.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

MAX_OFFSET_NS = 20_000_000
MAX_DRIFT = 30e-6
MAX_REFERENCE_OFFSET_NS = 50
REFERENCE_UNCERTAINTY_NS = 100
"""Standard uncertainty that references declare."""
REFERENCE_LIMIT_NS = 200
"""They declare never to err by more than this."""
HARBOURS = {
    "quay": ("reference", "gate-1", "gate-2", "berth-1", "booking"),
    "skerry": ("reference", "gate-1", "berth-1", "berth-2", "booking"),
    "holm": ("reference", "gate-1", "gate-2", "berth-1", "booking"),
}
ROLES = {
    "reference": "reference",
    "gate": "ticket gate",
    "berth": "berth sensor",
    "booking": "booking database",
}


@dataclass(frozen=True, slots=True)
class DemoHost:
    """One host, and how its clock is wrong: offset_ns + drift * (true time - epoch_ns); positive: ahead."""

    name: str
    zone: str
    role: str
    address: str
    """Its own loopback address."""
    offset_ns: int
    drift: float
    epoch_ns: int

    @property
    def is_reference(self) -> bool:
        """Whether its clock is declared to be true time."""
        return self.role == ROLES["reference"]

    def error_ns(self, at_ns: int) -> int:
        """What its clock is ahead of true time by, when true time is `at_ns`."""
        return self.offset_ns + round(self.drift * (at_ns - self.epoch_ns))


def make_harbours(seed: int, epoch_ns: int) -> tuple[DemoHost, ...]:
    """The fifteen hosts; the same seed makes the same clock errors, counted from `epoch_ns`."""
    rng = random.Random(seed)
    hosts = []
    for x, (harbour, things) in enumerate(HARBOURS.items(), start=1):
        for y, thing in enumerate(things, start=1):
            reference = thing == "reference"
            greatest = MAX_REFERENCE_OFFSET_NS if reference else MAX_OFFSET_NS
            offset_ns, drift = rng.randint(-greatest, greatest), rng.uniform(-MAX_DRIFT, MAX_DRIFT)
            hosts.append(
                DemoHost(
                    name=f"{harbour}-{thing}",
                    zone=harbour,
                    role=ROLES[thing.partition("-")[0]],
                    address=f"127.0.{x}.{y}",
                    offset_ns=offset_ns,
                    drift=0.0 if reference else drift,
                    epoch_ns=epoch_ns,
                )
            )
    return tuple(hosts)
