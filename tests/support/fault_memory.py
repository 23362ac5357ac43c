"""The collector's memory is limited: it says so and ends, or goes on; what was called kept is in the history."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from fault_fleet import FaultFleet, Program
from fault_scenarios import HOSTILE, Figures, all_kept, nothing_dropped, place_of, stored, watch


def address_space(program: Program) -> int:
    """Octets that a program has mapped."""
    assert program.process is not None
    return int(Path(f"/proc/{program.process.pid}/statm").read_text().split()[0]) * 4096


def limit(program: Program, octets: int | None) -> None:
    """Let a running program map so much and no more (RLIMIT_AS); None: as it likes."""
    assert program.process is not None
    soft = "unlimited" if octets is None else str(octets)
    subprocess.run(["prlimit", "--pid", str(program.process.pid), f"--as={soft}:unlimited"], check=True)


def no_more_memory(fleet: FaultFleet, *, room: int = 0, seconds: float = 12) -> Figures:
    """The collector may map `room` octets beyond what it has, while malformed messages come; then as it likes.

    It may end with a word, and is started anew then, as a service manager does. It must not hang.
    """
    collector = fleet.collectors[0]
    fleet.wait_measured()
    all_kept(fleet)
    last_ns, _ = stored(place_of(fleet))
    said = len(collector.log.read_text())
    assert collector.process is not None
    limit(collector, address_space(collector) + room)
    where = f"{collector.host.address}:18621"
    hostile = fleet.network.hosts[-1].command(sys.executable, str(HOSTILE), where, "garbage")
    with subprocess.Popen(hostile, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as other:
        ends = time.monotonic() + seconds
        while time.monotonic() < ends and collector.process.poll() is None:
            fleet.check_limits()
            time.sleep(0.25)
        other.kill()
    ended = collector.process.poll()
    words = collector.log.read_text()[said:]
    assert any(word in words for word in ("MemoryError", "bad_alloc", "emory", "new thread", "alloc")), words[-800:]
    if ended is None:
        limit(collector, None)
    else:
        assert ended != 0
        collector.start()
    lifted = time.monotonic()
    lifted_ns = time.time_ns()
    fleet.wait(lambda: fleet.fleet().get("at_ns", 0) > lifted_ns, "estimates come again")
    fleet.wait_measured()
    recovery = time.monotonic() - lifted
    held = watch(fleet, 3)
    all_kept(fleet)
    nothing_dropped(fleet)
    _, instants = stored(place_of(fleet))
    assert last_ns in instants, "what was kept before is there"
    return {
        "recovery_s": recovery,
        "answers_held": held,
        "gap_in_history_s": float(max((instants[instants >= last_ns][1:] - instants[instants >= last_ns][:-1]) / 1e9)),
        "outcome": "went on" if ended is None else f"ended with {ended}",
    }


def too_little_to_start(fleet: FaultFleet, octets: int = 250 << 20, within: float = 30) -> Figures:
    """A collector that is started with too little memory ends with a word."""
    collector = fleet.collectors[0]
    collector.end()
    said = len(collector.log.read_text())
    command = collector.command
    collector.command = ["prlimit", f"--as={octets}", *command]
    began = time.monotonic()
    try:
        collector.start()
        assert collector.process is not None
        code = collector.process.wait(within)
    finally:
        collector.command = command
    lasted = time.monotonic() - began
    words = collector.log.read_text()[said:]
    assert code == 2, code
    assert "RLIMIT_AS" in words, words
    assert len(words.splitlines()) == 1, words
    collector.start()
    recovery = fleet.wait_measured()
    all_kept(fleet)
    nothing_dropped(fleet)
    return {
        "recovery_s": recovery,
        "ended_after_s": lasted,
        "code": code,
        "words": words.strip().splitlines()[-1][:200],
    }
