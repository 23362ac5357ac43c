"""What is done to agents' clocks, and what must hold of their own answers and of others' meanwhile.

Others' limits are asserted throughout. No collector can know of a disturbance before it is told or measured, so a
disturbed host's own answers are held from the first one on that follows it; how long that took is bounded here.
Agents whose clocks were disturbed must not be started anew on the same fleet: the disturbance would be gone.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Callable

from fault_fleet import REFERENCE, TICK, Change, FaultFleet
from fault_scenarios import Figures, all_kept, nothing_dropped, watch

UNSEEN = 1.5
"""Seconds until a changed rate is seen: 0.2 s between probes, 0.3 s between reports, a tick of 1 s."""


def near(fleet: FaultFleet, name: str, within_ns: float, after_ns: int = 0) -> bool:
    """Whether a host is measured, at an instant after this, and rightly so."""
    told = fleet.fleet()
    return any(
        host["host"] == name
        and host["offset_ns"] is not None
        and told["at_ns"] > after_ns
        and abs(host["offset_ns"] - fleet.truth(name, told["at_ns"])) < within_ns
        for host in told.get("hosts", ())
    )


def followed(fleet: FaultFleet, name: str, change: Change, within_ns: float) -> float:
    """Wait for the first right answer after a change, holding the others' meanwhile; how long after the change it
    came. From then on the host's own are held too."""

    def right() -> bool:
        fleet.check_limits()
        return near(fleet, name, within_ns, change.at_ns)

    fleet.wait(right, f"{name} is right again")
    fleet.disturbed.discard(name)
    return (time.time_ns() - change.at_ns) / 1e9


def last_wrong_s(fleet: FaultFleet, name: str, change: Change) -> float:
    """Until how long after a change a host's limits were wrong; 0 for never."""
    late = [at_ns - change.at_ns for host, at_ns, _ in fleet.wrong if host == name and at_ns >= change.at_ns]
    return max(late, default=0) / 1e9


def clock_set(fleet: FaultFleet, place: int) -> Figures:
    """One host's clock is set by an hour: its own answers follow, the others' stay."""
    name = list(fleet.agents)[place]
    others = set(fleet.agents) - {name, REFERENCE}
    fleet.wait_measured()
    change = fleet.disturb(name, signal.SIGUSR1)
    assert abs(change.by_ns) == 3600 * 10**9
    seen = followed(fleet, name, change, 10**12)
    held = watch(fleet, 1)
    exact = fleet.wait(lambda: near(fleet, name, 10**6), "the step is followed to a millisecond")
    assert others <= fleet.measured()
    held += watch(fleet, 4)
    all_kept(fleet)
    nothing_dropped(fleet)
    wrong = last_wrong_s(fleet, name, change)
    assert wrong < 2 * TICK, wrong
    return {"recovery_s": seen, "to_a_millisecond_s": seen + 1 + exact, "wrong_until_s": wrong, "answers_held": held}


def clocks_set_unseen(fleet: FaultFleet, seconds: float = 6) -> Figures:
    """Two clocks are set, one forward and one back, while the collector stands still (SIGSTOP)."""
    names = list(fleet.agents)[-2:]
    collector = fleet.collectors[0]
    fleet.wait_measured()
    collector.signal(signal.SIGSTOP)
    try:
        time.sleep(seconds / 3)
        changes = {name: fleet.disturb(name, signal.SIGUSR1) for name in names}
        assert len({change.by_ns for change in changes.values()}) == 2, "one forward, one back"
        time.sleep(seconds * 2 / 3)
    finally:
        continued_ns = time.time_ns()
        collector.signal(signal.SIGCONT)
    for name, change in changes.items():
        followed(fleet, name, change, 10**12)
    seen = (time.time_ns() - continued_ns) / 1e9
    recovery = seen + fleet.wait_measured()
    held = watch(fleet, 4)
    exact = fleet.wait(lambda: all(near(fleet, name, 10**6) for name in names), "both are right to a millisecond")
    all_kept(fleet)
    nothing_dropped(fleet)
    wrong = max((at_ns for host, at_ns, _ in fleet.wrong if host in names), default=0)
    wrong_s = max(0.0, (wrong - continued_ns) / 1e9)
    assert wrong_s < 2 * TICK, wrong_s
    return {
        "recovery_s": recovery,
        "to_a_millisecond_s": seen + 4 + exact,
        "wrong_until_s": wrong_s,
        "answers_held": held,
    }


def clock_slewed(fleet: FaultFleet) -> Figures:
    """One host's clock is slewed by 3 ms at 500 ppm: six seconds of another rate, which begins and ends at once.

    What no probe has seen yet no limit can know: for `UNSEEN` seconds from either end the slewed host's own limits may
    miss what the clock moved in that time, and no more. At all other times they hold, and others' always.
    """
    name = list(fleet.agents)[1]
    others = set(fleet.agents) - {name, REFERENCE}
    fleet.wait_measured()
    before = width_ns(fleet, name)
    change = fleet.disturb(name, signal.SIGUSR2)
    ends_ns = change.at_ns + change.within_ns
    rate = abs(change.by_ns) / change.within_ns
    held, widest = 0, 0.0
    while time.time_ns() < ends_ns + 14 * 10**9:
        held += fleet.check_limits()
        widest = max(widest, width_ns(fleet, name))
        time.sleep(0.1)
    assert others <= fleet.measured()
    fleet.disturbed.discard(name)
    held += watch(fleet, 4)
    all_kept(fleet)
    nothing_dropped(fleet)
    missed = [(at_ns, by) for host, at_ns, by in fleet.wrong if host == name and at_ns >= change.at_ns]
    late = 0.0
    for at_ns, by in missed:
        since = min((at_ns - began) / 1e9 for began in (change.at_ns, ends_ns) if at_ns >= began)
        assert since < UNSEEN, f"wrong {since:.2f} s after the rate changed, by {by:.0f} ns"
        assert by < rate * since * 1e9, f"wrong by {by:.0f} ns, {since:.2f} s after the rate changed"
        late = max(late, since)
    return {
        "answers_held": held,
        "wrong": len(missed),
        "wrong_until_s": late,
        "wrong_by_us": max((by for _, by in missed), default=0.0) / 1e3,
        "width_before_us": before / 1e3,
        "widest_us": widest / 1e3,
    }


def width_ns(fleet: FaultFleet, name: str) -> float:
    """Of a host's limits; 0 where it has none."""
    for host in fleet.fleet().get("hosts", ()):
        if host["host"] == name and host["lower_ns"] is not None:
            return float(host["upper_ns"] - host["lower_ns"])
    return 0.0


ON_CLOCKS: dict[str, Callable[[FaultFleet], Figures]] = {
    "a clock is slewed at 500 ppm, 6 s": clock_slewed,
    "a clock is set an hour ahead": lambda fleet: clock_set(fleet, 3),
    "a clock is set an hour back": lambda fleet: clock_set(fleet, 2),
    "two clocks are set while the collector stands still": clocks_set_unseen,
}
"""Need a fleet of four agents that none was started anew in."""
