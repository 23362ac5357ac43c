"""What a simulation knows and an estimator must find: every clock's error at any instant, and every fault. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int32, Int64, Reference
from noonmark.lab.clocks import NS, Clocks
from noonmark.lab.faults import Event
from noonmark.lab.networks import Network


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one simulated fleet of H hosts. `at_ns` is always true time, as the ideal reference counts it."""

    kind: str
    seed: int
    hosts: tuple[str, ...]
    references: tuple[Reference, ...]
    """As they declare themselves; a wrong reference does not know that it is."""
    zones: dict[str, str]
    start_ns: int
    end_ns: int
    leap_ns: int | None
    """True time (before the leap) at which one second is counted twice; None: no leap second."""
    clocks: Clocks
    network: Network
    events: tuple[Event, ...]

    def elapsed_ns(self, at_ns: int) -> int:
        """Nanoseconds since the start. Of the second that a leap counts twice, the second time is meant."""
        leaped = self.leap_ns is not None and at_ns >= self.leap_ns - NS
        return at_ns - self.start_ns + (NS if leaped else 0)

    def offsets_ns(self, at_ns: int) -> Int64:
        """Time error of every host at one instant, (H,), to the nearest ns; positive: ahead of true time."""
        return self.offset_ns(np.arange(len(self.hosts), dtype=np.int32), at_ns)

    def drifts(self, at_ns: int) -> Float64:
        """Fractional frequency error of every host at one instant, (H,), seconds per second."""
        return self.drift(np.arange(len(self.hosts), dtype=np.int32), at_ns)

    def offset_ns(self, host: Int32 | int, at_ns: int) -> Int64:
        """Time error of some hosts (indices), same shape as `host` (at least one-dimensional)."""
        rows = np.atleast_1d(np.asarray(host, np.int32))
        whole, rest = self.clocks.time_error(rows, np.full(rows.shape, self.elapsed_ns(at_ns)))
        return whole + np.rint(rest).astype(np.int64)

    def drift(self, host: Int32 | int, at_ns: int) -> Float64:
        """Fractional frequency error of some hosts (indices)."""
        rows = np.atleast_1d(np.asarray(host, np.int32))
        return self.clocks.drift(rows, np.full(rows.shape, self.elapsed_ns(at_ns)))

    def fixed_delays_ns(self, at_ns: int) -> tuple[Int32, Int32, Float64]:
        """Paths and their least possible delays: (source (P,), destination (P,), one-way delays there and back (P, 2)).

        Half of the difference of the two is the error that no exchange over that path alone can find.
        """
        network = self.network
        return network.source, network.destination, network.fixed_ns(self.elapsed_ns(at_ns))
