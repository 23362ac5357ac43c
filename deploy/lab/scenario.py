"""What a kind of fleet is made of: clocks, stamps, network, references and faults, as one frozen description. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.lab.clocks import ClockModel
from noonmark.lab.faults import Fault
from noonmark.lab.networks import NetworkModel
from noonmark.proto.records import StampSource


@dataclass(frozen=True, slots=True)
class References:
    """Hosts that are declared to be true time."""

    count: int = 1
    uncertainty_ns: float = 0.0
    """Standard uncertainty that they declare."""
    error_ns: float = 0.0
    """Half-width of their true errors, constant in time; also the limit that they declare."""
    wrong: int = 0
    """How many of them are off by more than they declare."""
    wrong_ns: float = 0.0
    """By how much."""
    peers: int = 24
    stamps: StampSource = StampSource.KERNEL


USUAL_CLOCKS = ((1.0, ClockModel()),)
USUAL_NETWORK = NetworkModel()
ONE_REFERENCE = References()


@dataclass(frozen=True, slots=True)
class Scenario:
    """A kind of fleet."""

    name: str
    summary: str
    clocks: tuple[tuple[float, ClockModel], ...] = USUAL_CLOCKS
    """(share of hosts, model)."""
    stamps: tuple[tuple[float, StampSource], ...] = ((1.0, StampSource.KERNEL),)
    """(share of hosts, who takes their stamps)."""
    fallback: float = 0.0
    """Share of single stamps that a user-space stamp has to stand in for."""
    network: NetworkModel = USUAL_NETWORK
    references: References = ONE_REFERENCE
    faults: tuple[Fault, ...] = ()
    islands: int = 1
    """Parts of the fleet without a path between them; the references are in the first."""
    leap_at: float | None = None
    """Where in the span all good clocks count one second twice, as a fraction."""
    peers: int = 8
    interval_s: float = 5.0
    """Mean time between two exchanges of a path."""
    exchanges: tuple[int, int] | None = None
    """Least and greatest number of exchanges a path; replaces `interval_s`."""
    warm_up: bool = True
    """Each exchange is two packets back to back, the second one measuring."""
    both_ask: bool = True
    """Either end of a path may begin an exchange; otherwise always the same."""
    duplicates: float = 0.0
    """Share of rows that are recorded twice."""

    @property
    def honest(self) -> bool:
        """Nothing is wrong in such a fleet: whatever a judge accuses, it accuses falsely."""
        return not (self.faults or self.references.wrong or self.leap_at is not None or self.islands > 1)
