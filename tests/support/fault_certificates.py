"""Certificates that expire under the running fleet, and are replaced: agents come back by themselves."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

from certificates import SERVER, Maker
from fault_fleet import NAMES, REFERENCE, TICK, FaultFleet
from fault_scenarios import Figures, all_kept, nothing_dropped, watch

DAY = 86_400.0
COLLECTOR = "collector-0"
COLLECTOR_ADDRESS = "10.78.0.1"
"""The fabric's first host."""


class Certificates:
    """A folder for each program, with what it shows: authority.pem, own.pem and own.key."""

    def __init__(self, folder: Path, *, agents: int, seconds: float) -> None:
        self._maker = Maker(folder / "maker")
        self.folders = {name: folder / name for name in (COLLECTOR, *NAMES[:agents])}
        for place in self.folders.values():
            place.mkdir(parents=True)
            shutil.copy(self._maker.authority, place / "authority.pem")
        self.issue(seconds)

    def issue(self, seconds: float) -> None:
        """New ones for all, valid for so long from now."""
        self.expires = time.time() + seconds
        for name in self.folders:
            self.issue_one(name, seconds)

    def issue_one(self, name: str, seconds: float) -> None:
        """A new one; each file is replaced in one stroke, the key first."""
        days = (-1.0, seconds / DAY)
        if name == COLLECTOR:
            made = self._maker.make(name, addresses=(COLLECTOR_ADDRESS,), usage=(SERVER,), days=days)
        else:
            made = self._maker.agent(name, days=days)
        assert made.key is not None
        assert made.certificate is not None
        for source, target in ((made.key, "own.key"), (made.certificate, "own.pem")):
            source.rename(self.folders[name] / target)


def expired(fleet: FaultFleet, certificates: Certificates) -> Figures:
    """All certificates expire: all are cut off within seconds; new files bring all back."""
    collector = fleet.collectors[0]
    agents = set(fleet.agents)
    fleet.wait_measured()
    starts = {program.name: program.starts for program in (collector, *fleet.agents.values())}
    held = watch(fleet, max(0.0, certificates.expires - time.time()))
    cut_off = fleet.wait(
        lambda: all(fleet.agent_metrics(host).get("agent_collector_connected") == 0 for host in agents),
        "all are cut off",
    )
    reasons = [fleet.agents[host].log.read_text() for host in agents]
    assert all("certificate" in text for text in reasons), reasons
    # Nobody reports, so the last estimate stays what there is: of its instant, and its age is told.
    cut_ns = time.time_ns()
    held += watch(fleet, 12)
    last_ns = fleet.fleet()["at_ns"]
    assert last_ns < cut_ns + 2 * TICK * 1e9
    assert fleet.metrics(collector, 18623)["estimate_age_seconds"] > 5
    waiting = sum(fleet.agent_metrics(host)["agent_buffer_records"] for host in agents)
    assert waiting > 0
    certificates.issue(3600)
    replaced = time.monotonic()
    fleet.wait(lambda: fleet.fleet()["at_ns"] > last_ns, "estimates come again")
    fleet.wait_measured()
    recovery = time.monotonic() - replaced
    held += watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    assert collector.process is not None
    assert collector.process.poll() is None
    assert {program.name: program.starts for program in (collector, *fleet.agents.values())} == starts
    return {
        "cut_off_after_s": cut_off,
        "recovery_s": recovery,
        "answers_held": held,
        "waited": int(waiting),
    }


def renewed_in_time(fleet: FaultFleet, certificates: Certificates) -> Figures:
    """All certificates are replaced before they expire: nothing is to be seen of it but new connections."""
    fleet.wait_measured()
    before = {host: fleet.agent_metrics(host)["agent_collector_connections"] for host in fleet.agents}
    unmeasured = held = 0
    certificates.issue(7200)
    ends = time.monotonic() + 8
    wanted = set(fleet.agents) - {REFERENCE}
    while time.monotonic() < ends:
        held += fleet.check_limits()
        unmeasured += not wanted <= fleet.measured()
        time.sleep(0.25)
    again = fleet.wait(
        lambda: all(fleet.agent_metrics(host)["agent_collector_connections"] > before[host] for host in before),
        "each shows its new one",
    )
    all_kept(fleet)
    nothing_dropped(fleet)
    assert unmeasured == 0
    return {"reconnected_s": 8 + again if again > 0.2 else "within 8", "answers_held": held}
