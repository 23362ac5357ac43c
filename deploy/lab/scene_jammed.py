"""The scene *jammed*: one harbour's receiver loses its fix, and has it again later. What was seen of it. Pure.

Quay's reference goes to holdover; what is declared of its clock grows as its oscillator's class says, while its clock
really wanders a little; the other harbours carry the fleet; when the fix is back the reference locks again. At every
look all injected truths must lie inside their certain limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from noonmark.collector.present import WIDTH, format_duration
from noonmark.collector.present_json import Document
from noonmark.collector.present_tables import wrapped
from noonmark.collector.views import FleetView
from noonmark.lab.demo_verdict import judge
from noonmark.lab.harbours import DemoHost

NAME = "jammed"
HARBOUR = "quay"
WANDER = 0.3e-6
"""What the jammed reference's clock really gains: less than a plain quartz may, which is declared to keep it."""
JAMMED_SHARE = (0.15, 0.65)
"""From when to when in the whole time the fix is lost."""
USUAL_SECONDS = 120.0
SECONDS_TO_LOCK = 45.0
"""At most so long after the first estimate the scene begins, even if some reference does not lock."""


def hosts_of(hosts: Sequence[DemoHost]) -> tuple[DemoHost, ...]:
    """The demonstration's hosts, the reference that will be jammed with a clock that wanders."""
    return tuple(replace(host, drift=WANDER) if host.is_reference and host.zone == HARBOUR else host for host in hosts)


def jammed(elapsed: float, seconds: float) -> bool:
    """Whether the fix is lost at that time of the scene."""
    return JAMMED_SHARE[0] * seconds <= elapsed < JAMMED_SHARE[1] * seconds


@dataclass(slots=True)
class Course:
    """What was seen so far."""

    hosts: tuple[DemoHost, ...]
    states: list[str] = field(default_factory=list)
    """Of the jammed reference, each change once."""
    others: set[str] = field(default_factory=set)
    """States that the other references were in since the beginning."""
    least_ns: float = float("inf")
    largest_ns: float = 0.0
    """Declared limit of the jammed reference's error in holdover, smallest and largest."""
    wandered_ns: float = 0.0
    """Standard uncertainty that its oscillator alone added."""
    looks: int = 0
    outside: int = 0
    """Truths outside their limits, over all looks."""
    without_limits: int = 0
    """Looks at which some host had no certain limits."""

    @property
    def reference(self) -> str:
        """The jammed one's name."""
        return next(host.name for host in self.hosts if host.is_reference and host.zone == HARBOUR)

    def ready(self, view: FleetView) -> bool:
        """Whether every reference has locked."""
        names = {host.name for host in self.hosts if host.is_reference}
        return {host.host for host in view.hosts if host.reference_state == "locked"} >= names

    def look(self, view: FleetView) -> None:
        """Take an estimate in."""
        for host in view.hosts:
            if not host.reference_state:
                continue
            if host.host != self.reference:
                self.others.add(host.reference_state)
            elif not self.states or self.states[-1] != host.reference_state:
                self.states.append(host.reference_state)
        for finding in view.findings:
            declared_ns = finding.evidence.get("limit_ns")
            if finding.kind == "reference-state" and finding.host == self.reference and declared_ns is not None:
                self.least_ns = min(self.least_ns, declared_ns)
                self.largest_ns = max(self.largest_ns, declared_ns)
                self.wandered_ns = max(self.wandered_ns, finding.evidence.get("wandered_ns", 0.0))
        verdict = judge(view, self.hosts)
        self.looks += 1
        self.outside += sum(not row.within_limits for row in verdict.rows)
        self.without_limits += any(host.lower_ns is None or host.upper_ns is None for host in view.hosts)

    @property
    def shown(self) -> bool:
        """Whether the reference was seen to lose its source and to find it again, the others keeping theirs."""
        changes = self.states == ["locked", "holdover", "locked"]
        return changes and self.others == {"locked"} and self.wandered_ns > 0

    @property
    def good(self) -> bool:
        """Whether the scene was shown, no truth ever lay outside its limits, and the fleet was carried throughout."""
        return self.shown and not self.outside and not self.without_limits


def note(course: Course, elapsed: float, seconds: float) -> str:
    """What is going on."""
    state = course.states[-1] if course.states else "not heard of yet"
    if jammed(elapsed, seconds):
        wandered = f"; its clock may have wandered by {_wandered(course)}" if course.wandered_ns else ""
        return f"The receiver of {HARBOUR.capitalize()} is jammed: {course.reference} is {_in(state)}{wandered}."
    if elapsed < JAMMED_SHARE[0] * seconds:
        return f"All receivers have a fix; {HARBOUR.capitalize()}'s will be jammed soon."
    return f"The receiver of {HARBOUR.capitalize()} has its fix again: {course.reference} is {_in(state)}."


def _in(state: str) -> str:
    return f"in {state}" if state == "holdover" else state


def course_lines(course: Course, *, width: int = WIDTH) -> list[str]:
    """What came of it, for a person."""
    told = f"The reference {course.reference} was {', then '.join(map(_in, course.states)) or 'not heard of'}"
    if course.wandered_ns:
        told += (
            f"; in holdover its clock may have wandered by up to {_wandered(course)} by its oscillator's class, and "
            f"the limit declared of its error grew from {format_duration(course.least_ns, digits=4)} to "
            f"{format_duration(course.largest_ns, digits=4)}"
        )
    states = ", ".join(sorted(course.others)) or "not heard of"
    others = "kept theirs" if course.others == {"locked"} else f"were {states}"
    carried = f"at {course.without_limits} of {course.looks} looks some host had no certain limits"
    if not course.without_limits:
        carried = "every host had certain limits"
    outside = f"{course.outside} truths lay outside" if course.outside else "no truth lay outside its own"
    summary = f"{told}. The other references {others}; {carried}, and at {course.looks} looks {outside}."
    return wrapped(summary, width=width)


def _wandered(course: Course) -> str:
    return f"{format_duration(2 * course.wandered_ns, digits=2)} (k=2)"


def course_json(course: Course) -> Document:
    """The same for a program."""
    return {
        "name": NAME,
        "reference": course.reference,
        "states": list(course.states),
        "other_states": sorted(course.others),
        "declared_limit_ns": [round(course.least_ns), round(course.largest_ns)] if course.largest_ns else None,
        "wandered_ns": round(course.wandered_ns),
        "looks": course.looks,
        "truths_outside": course.outside,
        "looks_without_limits": course.without_limits,
        "good": course.good,
    }
