"""What is done to a fleet, and what must hold meanwhile and afterwards. Each returns its figures.

Through every fault: no limit of any answer is wrong, no program ends by itself, and no agent gives a record up. Where
something does not hold, AssertionError says what.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import fault_fleet
import numpy as np
from fault_fleet import REFERENCE, TICK, FaultFleet, Program

from noonmark.collector.history import open_history
from noonmark.collector.history_merge import merge

Figures = dict[str, float | int | str]
HOSTILE = Path(__file__).with_name("hostile_agent.py")


def watch(fleet: FaultFleet, seconds: float, collector: int = 0) -> int:
    """Hold every answer to the truth for a while; how many were held."""
    ends = time.monotonic() + seconds
    held = 0
    while time.monotonic() < ends:
        held += fleet.check_limits(collector)
        time.sleep(0.25)
    return held


def nothing_dropped(fleet: FaultFleet) -> None:
    for host, program in fleet.agents.items():
        assert program.process is not None
        assert program.process.poll() is None, program.log.read_text()[-800:]
        assert fleet.agent_metrics(host).get("agent_records_dropped", 0) == 0, host


def all_kept(fleet: FaultFleet, hosts: set[str] | None = None) -> float:
    """Wait until every record that was measured by now is kept by a collector; how long that took."""
    wanted = {host: fleet.agent_metrics(host)["agent_records"] for host in hosts or fleet.agents}
    return fleet.wait(
        lambda: all(fleet.agent_metrics(host).get("agent_records_acknowledged", 0) >= n for host, n in wanted.items()),
        "every record kept",
    )


def stored(place: Path) -> tuple[int, np.ndarray]:
    """A history's last instant, and its instants altogether."""
    with open_history(place / "history.sqlite", read_only=True) as history:
        span = history.span()
        assert span is not None
        hosts = [host for host in history.hosts() if host != REFERENCE]
        return span[1], np.unique(np.concatenate([history.instants(host, span[0], span[1] + 1) for host in hosts]))


def place_of(fleet: FaultFleet, collector: int = 0) -> Path:
    """Where a collector keeps its history, as seen from here."""
    program = fleet.collectors[collector]
    place = Path(program.command[program.command.index("--data") + 1])
    assert program.process is not None
    return place if place.exists() else Path(f"/proc/{program.process.pid}/root{place}")


def collector_killed(fleet: FaultFleet, pause: float = 3) -> Figures:
    """SIGKILL in the middle of everything, and a new start some seconds later."""
    collector = fleet.collectors[0]
    before = {host: fleet.agent_metrics(host) for host in fleet.agents}
    collector.kill()
    killed_ns = time.time_ns()
    last_ns, _ = stored(place_of(fleet))
    for host, numbers in before.items():
        assert numbers["agent_records_acknowledged"] > 0, host
        waiting = fleet.agent_metrics(host)["agent_buffer_records"]
        assert waiting >= numbers["agent_records"] - fleet.agent_metrics(host)["agent_records_acknowledged"] - 1, host
    time.sleep(pause)
    collector.start()
    recovery = fleet.wait_measured()
    held = watch(fleet, pause)
    all_kept(fleet)
    nothing_dropped(fleet)
    again = sum(fleet.agent_metrics(host)["agent_batches_sent_again"] for host in fleet.agents)
    assert again > 0, "what was received and not kept is sent again"
    _, instants = stored(place_of(fleet))
    gap = max(np.diff(instants[instants >= last_ns])) / 1e9
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "gap_in_history_s": gap,
        "sent_again": int(again),
        "last_tick_before_s": (killed_ns - last_ns) / 1e9,
    }


def bad_network(fleet: FaultFleet, seconds: float = 10) -> Figures:
    """Thirty per cent lost, a fifth twice, a fifth out of order, both ways of every path."""
    fleet.network.every(loss=0.3, duplicates=0.2, reordered=0.2, detour=0.02)
    held = watch(fleet, seconds)
    measured = len(fleet.measured())
    fleet.network.every(loss=0.0, duplicates=0.0, reordered=0.0)
    recovery = fleet.wait_measured()
    all_kept(fleet)
    nothing_dropped(fleet)
    assert held > 0
    return {"recovery_s": recovery, "answers_held": held, "measured_meanwhile": measured}


def late(fleet: FaultFleet, delay: float) -> Figures:
    """Every packet late: limits become as wide as that, and stay true; what is not answered in 2 s counts as lost."""
    fleet.network.every(delay=delay)
    held = watch(fleet, 20)
    told = fleet.fleet()
    widths = [host["upper_ns"] - host["lower_ns"] for host in told.get("hosts", ()) if host["lower_ns"] is not None]
    widest = max(widths, default=0)
    fleet.network.every(delay=100e-6)
    recovery = fleet.wait_measured()
    held += watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    return {"recovery_s": recovery, "answers_held": held, "widest_ms": widest / 1e6}


def network_cut(fleet: FaultFleet) -> Figures:
    """Half of the agents cut off from all else for twenty seconds, each from the others too."""
    first = len(fleet.collectors)
    names = list(fleet.agents)[len(fleet.agents) // 2 :]
    places = {first + list(fleet.agents).index(name) for name in names}
    for place in places:
        fleet.network.cut({place})
    held = watch(fleet, 20)
    lost = len(set(names) - fleet.measured())
    assert lost == len(names), "what is not heard of any more is not said to be measured"
    for place in places:
        fleet.network.cut({place}, cut=False)
    recovery = fleet.wait_measured()
    held += watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    return {"recovery_s": recovery, "answers_held": held, "said_to_be_unknown": lost}


def half_restarts(fleet: FaultFleet) -> Figures:
    """Half of the agents end at once, and start anew."""
    half = list(fleet.agents.values())[len(fleet.agents) // 2 :]
    for program in half:
        program.signal(signal.SIGTERM)
    for program in half:
        program.end()
        program.start()
    held = watch(fleet, 3)
    fleet.wait(lambda: all(fleet.agent_metrics(program.name) for program in half), "the restarted answer")
    recovery = fleet.wait_measured()
    all_kept(fleet)
    nothing_dropped(fleet)
    return {"recovery_s": recovery, "answers_held": held}


def agent_stopped(fleet: FaultFleet) -> Figures:
    """One agent stands still for eight seconds, as a host that is short of everything."""
    name = list(fleet.agents)[-1]
    program = fleet.agents[name]
    program.signal(signal.SIGSTOP)
    held = watch(fleet, 8)
    program.signal(signal.SIGCONT)
    recovery = fleet.wait_measured()
    held += watch(fleet, 4)
    all_kept(fleet)
    nothing_dropped(fleet)
    return {"recovery_s": recovery, "answers_held": held}


def agent_killed(fleet: FaultFleet) -> Figures:
    """One agent is killed; the others' numbers stay; it is measured again after a new start."""
    name = list(fleet.agents)[-1]
    others = set(fleet.agents) - {name, REFERENCE}
    fleet.agents[name].kill()
    held = watch(fleet, 5)
    assert others <= fleet.measured()
    fleet.agents[name].start()
    fleet.wait(lambda: fleet.agent_metrics(name), "it answers")
    recovery = fleet.wait_measured()
    all_kept(fleet)
    nothing_dropped(fleet)
    return {"recovery_s": recovery, "answers_held": held}


def standby_takes_over(fleet: FaultFleet) -> Figures:
    """The first of two collectors is killed; the second takes over; the first returns, and so do the agents."""
    assert len(fleet.collectors) > 1
    wanted = set(fleet.agents) - {REFERENCE}
    fleet.wait_measured()
    fleet.collectors[0].kill()
    started = time.monotonic()
    fleet.wait(lambda: fleet.fleet(1).get("hosts"), "the second collector tells something")
    first_answer = time.monotonic() - started
    fleet.wait_measured(1)
    complete = time.monotonic() - started
    held = watch(fleet, 3, collector=1)
    all_kept(fleet)
    fleet.collectors[0].start()
    back = fleet.wait(lambda: wanted <= fleet.measured(0), "the agents are back", within=120)
    held += watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    added = merged(fleet)
    return {
        "first_answer_ticks": first_answer / TICK,
        "all_measured_ticks": complete / TICK,
        "back_s": back,
        "answers_held": held,
        "ticks_merged": added,
    }


def merged(fleet: FaultFleet) -> int:
    """Make copies of both histories one, and hold every instant of it to the truth; ticks that only the second had."""
    copies = [fleet.folder / f"copy-{number}.sqlite" for number in (0, 1)]
    for number, copy in enumerate(copies):
        source = sqlite3.connect(f"file:{place_of(fleet, number) / 'history.sqlite'}?mode=ro", uri=True)
        target = sqlite3.connect(copy)
        with contextlib.closing(source), contextlib.closing(target):
            source.backup(target)
    with open_history(copies[0]) as one, open_history(copies[1], read_only=True) as two:
        told = merge(one, two)
        span = one.span()
        assert span is not None
        for host in one.hosts():
            for at_ns in one.instants(host, span[0], span[1] + 1).tolist():
                found = one.at(host, at_ns)
                if found.known and found.lower_ns is not None and found.upper_ns is not None:
                    true = fleet.truth(host, at_ns)
                    assert found.lower_ns - 1 <= true <= found.upper_ns + 1, (host, found, true)
    assert told.added > 3
    return told.added


def hostile(fleet: FaultFleet, what: str, seconds: float = 4) -> Figures:
    """One who means harm speaks to the collector; the others' answers stay as they were."""
    collector = fleet.collectors[0]
    assert collector.process is not None
    before = resident_mib(collector)
    first = fleet.network.hosts[-1]
    command = first.command(sys.executable, str(HOSTILE), f"{collector.host.address}:18621", what)
    told = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)
    assert told.returncode == 0, told.stderr[-800:]
    held = watch(fleet, seconds)
    assert held > 0
    recovery = fleet.wait_measured()
    nothing_dropped(fleet)
    assert collector.process.poll() is None
    grown = resident_mib(collector) - before
    assert grown < 300, f"{grown} MiB"
    answer = json.loads(told.stdout)
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "grown_mib": grown,
        "sent": answer["sent"],
        "ends": " ".join(f"{code}:{count}" for code, count in sorted(answer["told"].items())),
    }


def resident_mib(program: Program) -> float:
    assert program.process is not None
    for line in Path(f"/proc/{program.process.pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    raise AssertionError("no VmRSS")


def disk_full(fleet: FaultFleet) -> Figures:
    """The history's file system is filled to the last octet for ten seconds, then has room again."""
    place = place_of(fleet)
    filler = place / "filler"
    with filler.open("wb") as file:
        try:
            while True:
                file.write(bytes(1 << 16))
                file.flush()
        except OSError:
            pass
    first_ns = time.time_ns()
    published = fleet.fleet()["at_ns"]
    held = watch(fleet, 10)
    assert fleet.fleet()["at_ns"] > published + 5 * 10**9, "live numbers go on"
    numbers = fleet.metrics(fleet.collectors[0], 18623)
    assert numbers["collector_store_failures"] > 0
    assert numbers["collector_estimates_waiting"] > 3
    filler.unlink()
    recovery = fleet.wait(
        lambda: fleet.metrics(fleet.collectors[0], 18623).get("collector_estimates_waiting") == 0, "all is stored"
    )
    all_kept(fleet)
    nothing_dropped(fleet)
    _, instants = stored(place)
    gap = max(np.diff(instants[instants > first_ns - 3 * 10**9])) / 1e9
    assert fleet.metrics(fleet.collectors[0], 18623)["collector_estimates_given_up"] == 0
    assert gap < 4 * TICK, gap
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "gap_in_history_s": gap,
        "waited": int(numbers["collector_estimates_waiting"]),
    }


def disk_hangs(fleet: FaultFleet, freeze: Callable[[bool], None]) -> Figures:
    """The history's file system takes no write for ten seconds: whoever writes, hangs."""
    place = place_of(fleet)
    first_ns = time.time_ns()
    freeze(True)
    try:
        published = fleet.fleet()["at_ns"]
        held = watch(fleet, 10)
        assert fleet.fleet()["at_ns"] > published + 5 * 10**9, "live numbers go on"
        waiting = fleet.metrics(fleet.collectors[0], 18623)["collector_estimates_waiting"]
        assert waiting > 3
    finally:
        freeze(False)
    recovery = fleet.wait(
        lambda: fleet.metrics(fleet.collectors[0], 18623).get("collector_estimates_waiting") == 0, "all is stored"
    )
    all_kept(fleet)
    nothing_dropped(fleet)
    _, instants = stored(place)
    gap = max(np.diff(instants[instants > first_ns - 3 * 10**9])) / 1e9
    assert gap < 4 * TICK, gap
    return {"recovery_s": recovery, "answers_held": held, "gap_in_history_s": gap, "waited": int(waiting)}


ON_A_FLEET: dict[str, Callable[[FaultFleet], Figures]] = {
    "collector killed, started anew 3 s later": collector_killed,
    "30 % lost, 20 % twice, 20 % out of order": bad_network,
    "every packet 0.9 s late": lambda fleet: late(fleet, 0.9),
    "every packet 2 s late": lambda fleet: late(fleet, 2.0),
    "half of the agents cut off, 20 s": network_cut,
    "half of the agents restart at once": half_restarts,
    "an agent stands still, 8 s": agent_stopped,
    "an agent is killed": agent_killed,
    "absurd records": lambda fleet: hostile(fleet, "absurd"),
    "malformed gRPC": lambda fleet: hostile(fleet, "garbage"),
    "port scan, foreign protocols": lambda fleet: hostile(fleet, "scan"),
    "a million paths from one agent": lambda fleet: hostile(fleet, "million"),
}
"""Needs one collector, and a file system that is left alone."""
__all__ = ["ON_A_FLEET", "disk_full", "disk_hangs", "fault_fleet", "standby_takes_over"]
