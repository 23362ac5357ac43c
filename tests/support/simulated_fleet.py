"""A ferry line's fleet as the collector would have it: simulated probes, the real pipeline, the real history.

Nothing here makes an estimate up: probes come from the simulator, with known truth, and every tick goes through
`pipeline.step`. Hosts get the names of harbours and things; the first are the references.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from noonmark.collector import pipeline
from noonmark.collector.estimate import Finding, FleetEstimate, ProbeColumns, Reference
from noonmark.collector.history import History, open_history
from noonmark.collector.state import HostFacts, State
from noonmark.collector.told import with_events
from noonmark.collector.window import HostEvent
from noonmark.lab.clocks import ClockModel, Discipline
from noonmark.lab.faults import Fault, FaultKind
from noonmark.lab.networks import NetworkModel, Queue
from noonmark.lab.scenario import References, Scenario
from noonmark.lab.simulate import START_NS, simulate
from noonmark.proto.control import PeerCounters
from noonmark.proto.records import ClockEvent, ClockEventKind

SECOND_NS = 10**9
HARBOURS = ("quay", "skerry", "holm")
THINGS = ("gate", "berth", "booking")
ROLES = {"reference": "reference", "gate": "ticket gate", "berth": "berth sensor", "booking": "booking database"}
# Clocks steered to some hundred microseconds, a few of them hardly at all; three harbours a millisecond apart.
HARBOUR_FLEET = Scenario(
    "harbours",
    "Three harbours with a reference each, most clocks steered, one of them set within the span",
    clocks=(
        (0.93, ClockModel(offset_ns=150_000.0, drift=20e-6, discipline=Discipline())),
        (0.07, ClockModel(offset_ns=900_000.0, drift=30e-6)),
    ),
    network=NetworkModel(
        zones=3,
        between_zones_ns=(200_000.0, 900_000.0),
        path_asymmetry_ns=300.0,
        router_asymmetry_ns=20_000.0,
        queue=Queue(mean_ns=8_000.0),
    ),
    references=References(count=3, uncertainty_ns=60.0, error_ns=100.0),
    faults=(
        Fault(FaultKind.STEP, count=1, size=(5e6, 5e6), noticed=True),
        Fault(FaultKind.ASYMMETRIC_PATH, count=2, size=(300e3, 400e3)),
    ),
)


@dataclass(frozen=True)
class SimulatedFleet:
    """All probes of a span, with the names, zones and roles of its hosts."""

    probes: ProbeColumns
    references: tuple[Reference, ...]
    facts: dict[str, HostFacts]
    start_ns: int
    end_ns: int
    event: HostEvent
    """The one setting of a clock, as its host tells it."""

    @property
    def stepped(self) -> str:
        """The host whose clock was set."""
        return self.event.host

    def ticks(self, tick_s: float, window_s: float = 60.0) -> Iterator[FleetEstimate]:
        """An estimate at each tick that a whole window precedes, from the window's probes."""
        sent = self.probes.t1_ns
        previous: FleetEstimate | None = None
        told: dict[HostEvent, Finding] = {}
        at_ns = self.start_ns + round(window_s * SECOND_NS)
        while at_ns <= self.end_ns:
            inside = (sent >= at_ns - window_s * SECOND_NS) & (sent < at_ns)
            previous = pipeline.step(
                _rows(self.probes, inside), references=self.references, at_ns=at_ns, previous=previous
            )
            age_ns = at_ns - self.event.event.at_ns
            heard = [self.event] if 0 <= age_ns <= window_s * SECOND_NS else []
            yield with_events(previous, heard, told)
            at_ns += round(tick_s * SECOND_NS)


def _rows(probes: ProbeColumns, chosen: np.ndarray) -> ProbeColumns:
    columns = {
        field.name: getattr(probes, field.name)[chosen] for field in dataclasses.fields(probes) if field.name != "hosts"
    }
    return ProbeColumns(probes.hosts, **columns)


def simulated_fleet(
    hosts: int = 40, seconds: float = 150.0, *, seed: int = 8, start_ns: int = START_NS
) -> SimulatedFleet:
    """Simulate it from `start_ns` on. The same numbers give the same fleet."""
    probes, truth = simulate(HARBOUR_FLEET, hosts=hosts, seconds=seconds, seed=seed, epochs=True, start_ns=start_ns)
    zones = [int(truth.zones[name].rpartition("-")[2]) - 1 for name in truth.hosts]
    names = _names(zones, len(truth.references))
    renamed = dict(zip(truth.hosts, names, strict=True))
    facts = {
        name: HostFacts(HARBOURS[zone], ROLES[name.split("-")[1]], None, asked=2_000, unanswered=3 * (place % 5))
        for place, (name, zone) in enumerate(zip(names, zones, strict=True))
    }
    for host, asked in _asked(probes, names).items():
        facts[host] = dataclasses.replace(facts[host], peers=asked)
    for reference in truth.references:
        name = renamed[reference.host]
        facts[name] = dataclasses.replace(facts[name], reference_state="locked")
    step = next(event for event in truth.events if event.kind is FaultKind.STEP)
    assert step.host is not None
    notice = ClockEvent(ClockEventKind.STEP, 2, step.at_ns + round(step.size), round(step.size))
    return SimulatedFleet(
        probes=dataclasses.replace(probes, hosts=names),
        references=tuple(dataclasses.replace(one, host=renamed[one.host]) for one in truth.references),
        facts=facts,
        start_ns=truth.start_ns,
        end_ns=truth.end_ns,
        event=HostEvent(renamed[step.host], notice, 0.0),
    )


def _asked(probes: ProbeColumns, names: Sequence[str]) -> dict[str, tuple[PeerCounters, ...]]:
    """What each host's packets to its peers came to: one path loses a twelfth, and the last host asks one that never
    answers."""
    pairs = sorted(set(zip(probes.source.tolist(), probes.destination.tolist(), strict=True)))
    asked: dict[str, tuple[PeerCounters, ...]] = {}
    for number, (source, destination) in enumerate(pairs):
        lost = 10 if number == 5 else number % 23 == 0
        asked[names[source]] = (*asked.get(names[source], ()), PeerCounters(names[destination], 120, int(lost)))
    joined = {frozenset(pair) for pair in pairs}
    last = len(names) - 1
    silent = next((host for host in range(last) if frozenset((host, last)) not in joined), None)
    if silent is not None:
        asked[names[last]] = (*asked.get(names[last], ()), PeerCounters(names[silent], 120, 120))
    return asked


def _names(zones: Sequence[int], references: int) -> tuple[str, ...]:
    names: list[str] = []
    counts: dict[str, int] = {}
    for place, zone in enumerate(zones):
        thing = "reference" if place < references else THINGS[place % len(THINGS)]
        stem = f"{HARBOURS[zone]}-{thing}"
        counts[stem] = counts.get(stem, 0) + 1
        names.append(f"{stem}-{counts[stem]}")
    return tuple(names)


def lived(fleet: SimulatedFleet, folder: Path, state: State, *, tick_s: float = 5.0) -> History:
    """A collector that has run for the whole span: every tick kept and published. The caller closes the history."""
    history = open_history(folder / "history.sqlite")
    for estimate in fleet.ticks(tick_s):
        history.append(estimate)
        state.publish(estimate, fleet.facts)
    return history
