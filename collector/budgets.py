"""Budgets: how far a host's clock may be off, for what the host does, and what can be shown of it. Pure, free of numpy.

Three answers, never two. *within*: the certain limits lie inside the budget. *out*: the limits lie wholly outside it,
or the estimate is beyond it by more than its expanded uncertainty. *cannot be shown*: neither; most often the limits
are wider than the budget. So nobody is called fit who might not be, and nobody out who might be within (decision rules
with guard bands: JCGM 106:2012, section 8.3). A silent host is never shown to be anything. `estimated` gives the answer
that the estimate with its expanded uncertainty would give by itself.

Written as `WHAT[=WHOM]`: WHAT is a span (`1ms`), a name from `DEFAULTS` (`database`) or a name of one's own with its
span (`gates:5ms`); WHOM is `zone:quay`, `role:gate` or `host:quay-*` (shell patterns), or left out for every host. The
closest rule counts for a host: host before role before zone before every host; among equals the first.
"""

from __future__ import annotations

import enum
import fnmatch
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from noonmark.collector.views import FleetView, HostView
from noonmark.proto.options import span_ns
from noonmark.proto.spelling import did_you_mean

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty U = 2 u (JCGM 100:2008, section 6)."""
FRESH_STATES = frozenset({"reference", "measured"})
"""Only of a host in one of these can anything be shown."""
COMMON = "common practice, no source"
LONGEST_NS = 366 * 86_400 * 10**9
_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")
_CLOSENESS = {"host": 3, "role": 2, "zone": 1, "": 0}


class Fitness(enum.StrEnum):
    """What can be said of a host's clock and its budget."""

    WITHIN = "within"
    OUT = "out"
    CANNOT_BE_SHOWN = "cannot-be-shown"


@dataclass(frozen=True, slots=True)
class Budget:
    """A named tolerance: the time error against the reference may be so much, ahead or behind."""

    name: str
    tolerance_ns: int
    source: str = ""
    """Where the figure comes from."""

    def __str__(self) -> str:
        span = span_text(self.tolerance_ns)
        return span if self.name == span else f"{self.name}:{span}"


def span_text(nanoseconds: int) -> str:
    """A span as a person writes it in settings, exactly: the largest unit of which it is a whole number."""
    for unit, size in (("min", 60 * 10**9), ("s", 10**9), ("ms", 10**6), ("us", 10**3)):
        if nanoseconds and nanoseconds % size == 0:
            return f"{nanoseconds // size}{unit}"
    return f"{nanoseconds}ns"


_MS, _US, _S = 10**6, 10**3, 10**9
DEFAULTS: dict[str, Budget] = {
    budget.name: budget
    for budget in (
        Budget("storage", 50 * _MS, f"storage clusters' own warnings: {COMMON}"),
        Budget("database", 500 * _MS, f"databases that order transactions by clocks: {COMMON}"),
        Budget("database-strict", 2 * _MS, f"databases that wait out a bounded clock error: {COMMON}"),
        Budget("builds", 100 * _MS, f"builds over a shared file system: {COMMON}"),
        Budget("consensus", 1 * _S, f"members of a replicated store: {COMMON}"),
        Budget("leases", 30 * _S, f"leases and locks with a term: {COMMON}"),
        Budget("certificates", 30 * _S, f"certificates used as soon as they are issued: {COMMON}"),
        Budget("tokens", 60 * _S, "RFC 7519 section 4.1.4: some small leeway; one minute is common practice"),
        Budget("kerberos", 300 * _S, "RFC 4120 section 3.2.3: typically five minutes"),
        Budget("signed-requests", 900 * _S, f"signed requests to object stores: {COMMON}"),
        Budget("trading", 100 * _US, "EU 2017/574, annex, table 2: high-frequency technique; table 1: venues to 1 ms"),
        Budget("trading-other", 1 * _MS, "EU 2017/574, annex, table 2: any other trading activity"),
        Budget("trading-voice", 1 * _S, "EU 2017/574, annex, table 2: voice trading"),
        Budget("audit-trail", 50 * _MS, "FINRA rules 4590 and 6820; 17 CFR 242.613(d): business clocks"),
        Budget("telecom-1", 500 * _MS, "ITU-T G.8271 (2020), table 1, class 1: billing, alarms"),
        Budget("telecom-2", 100 * _US, "ITU-T G.8271 (2020), table 1, class 2: delay monitoring"),
        Budget("telecom-3", 5 * _US, "ITU-T G.8271 (2020), table 1, class 3"),
        Budget("telecom-4", 1_500, "ITU-T G.8271 (2020), table 1, class 4: TDD radio"),
        Budget("synchrophasor", 26 * _US, "IEEE C37.118.1: 1 % total vector error at 60 Hz, all of it time"),
        Budget("studio", 500, "SMPTE ST 2059-2: phase within 500 ns"),
    )
}
"""Ready-made budgets by name."""


@dataclass(frozen=True, slots=True)
class BudgetRule:
    """A budget for a group of hosts. `kind` is host, role, zone, or empty for every host."""

    budget: Budget
    kind: str = ""
    pattern: str = ""

    def covers(self, host: str, zone: str, role: str) -> bool:
        """Whether it speaks of this host."""
        if not self.kind:
            return True
        return fnmatch.fnmatchcase({"host": host, "zone": zone, "role": role}[self.kind], self.pattern)

    def __str__(self) -> str:
        return f"{self.budget}={self.kind}:{self.pattern}" if self.kind else str(self.budget)


def parse_budget(text: str) -> Budget:
    """Parse WHAT: `1ms`, `database` or `gates:5ms`. Raises ValueError with the remedy."""
    name, colon, span = text.partition(":")
    if not colon:
        if name in DEFAULTS:
            return DEFAULTS[name]
        if _NAME.fullmatch(name):
            near = did_you_mean(name, DEFAULTS)
            raise ValueError(
                f"{near + ' Else ' if near else ''}give {name} a span, such as {name}:5ms, or use one of "
                + ", ".join(DEFAULTS)
            )
        name, span = "", text
    elif not _NAME.fullmatch(name):
        raise ValueError("use a name of lower-case letters, digits and hyphens, such as gates:5ms")
    try:
        tolerance_ns = span_ns(span)
    except ValueError:
        raise ValueError(
            "use a span such as 1ms, a named budget such as database, or a new name as in gates:5ms"
        ) from None
    if not 0 < tolerance_ns <= LONGEST_NS:
        raise ValueError("use a budget above zero, and of no more than a year")
    return Budget(name or span_text(tolerance_ns), tolerance_ns, "configured")


def parse_rule(text: str) -> BudgetRule:
    """Parse `WHAT[=WHOM]`. Raises ValueError with the remedy."""
    what, equals, whom = text.partition("=")
    budget = parse_budget(what)
    if not equals:
        return BudgetRule(budget)
    kind, _, pattern = whom.partition(":")
    if kind not in ("zone", "role", "host") or not pattern:
        raise ValueError("say for whom with zone:NAME, role:NAME or host:PATTERN, such as database=zone:quay")
    return BudgetRule(budget, kind, pattern)


@dataclass(frozen=True, slots=True)
class Budgets:
    """All rules of a fleet. Raises ValueError if one name stands for two tolerances."""

    rules: tuple[BudgetRule, ...] = ()
    _found: dict[tuple[str, str, str], Budget | None] = field(default_factory=dict, compare=False, repr=False)

    def __post_init__(self) -> None:
        known: dict[str, Budget] = {}
        for rule in self.rules:
            other = known.setdefault(rule.budget.name, rule.budget)
            if other.tolerance_ns != rule.budget.tolerance_ns:
                raise ValueError(
                    f"{rule.budget.name} stands for {span_text(other.tolerance_ns)} and for "
                    f"{span_text(rule.budget.tolerance_ns)}: give each tolerance a name of its own"
                )

    def __bool__(self) -> bool:
        return bool(self.rules)

    @property
    def all(self) -> tuple[Budget, ...]:
        """Every budget that some rule uses, in the order of the rules."""
        return tuple({rule.budget.name: rule.budget for rule in self.rules}.values())

    def of(self, host: str, zone: str = "", role: str = "") -> Budget | None:
        """The budget of a host; None if no rule speaks of it."""
        # Rules that name no host say the same of all hosts of one zone and role.
        key = (host if any(rule.kind == "host" for rule in self.rules) else "", zone, role)
        if key not in self._found:
            if len(self._found) > 400_000:  # hosts come and go for years
                self._found.clear()
            self._found[key] = self._closest(host, zone, role)
        return self._found[key]

    def _closest(self, host: str, zone: str, role: str) -> Budget | None:
        covering = [rule for rule in self.rules if rule.covers(host, zone, role)]
        return max(covering, key=lambda rule: _CLOSENESS[rule.kind]).budget if covering else None


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a clock leaves its budget if its drift stays as it is: seconds from now, infinite for never.

    The earliest and the latest moment follow from the expanded uncertainties of drift and offset, both taken at their
    worst. 0: it may be out already.
    """

    expected_s: float
    earliest_s: float
    latest_s: float


@dataclass(frozen=True, slots=True)
class HostBudget:
    """One host held against its budget. Headrooms are in multiples of the budget: 1 all of it is left, 0 none, negative
    it is exceeded; None: nothing can be said."""

    host: str
    budget: Budget
    fitness: Fitness
    estimated: Fitness
    """What the estimate and its expanded uncertainty say by themselves, with no proof."""
    headroom: float | None
    """Certain: 1 - (largest absolute limit) / budget."""
    estimated_headroom: float | None
    """1 - (|time error| + U) / budget."""
    forecast: Forecast | None = None


def fitness(
    tolerance_ns: int, offset_ns: int, uncertainty_ns: float, lower_ns: int | None, upper_ns: int | None
) -> Fitness:
    """Hold a time error (ns), its standard uncertainty and its certain limits (None: there is none) to a tolerance."""
    lower = -math.inf if lower_ns is None else lower_ns
    upper = math.inf if upper_ns is None else upper_ns
    if -tolerance_ns <= lower and upper <= tolerance_ns:
        return Fitness.WITHIN
    beyond = lower > tolerance_ns or upper < -tolerance_ns
    if beyond or abs(offset_ns) - COVERAGE_FACTOR * uncertainty_ns > tolerance_ns:
        return Fitness.OUT
    return Fitness.CANNOT_BE_SHOWN


def estimated_fitness(tolerance_ns: int, offset_ns: int, uncertainty_ns: float) -> Fitness:
    """The same by the estimate alone."""
    expanded = COVERAGE_FACTOR * uncertainty_ns
    if abs(offset_ns) + expanded <= tolerance_ns:
        return Fitness.WITHIN
    return Fitness.OUT if abs(offset_ns) - expanded > tolerance_ns else Fitness.CANNOT_BE_SHOWN


def forecast(
    tolerance_ns: int, offset_ns: int, uncertainty_ns: float, drift: float, drift_uncertainty: float
) -> Forecast:
    """When |offset + drift t| passes the tolerance. Drift in s/s with its standard uncertainty; both finite."""
    spread, rate = COVERAGE_FACTOR * uncertainty_ns, COVERAGE_FACTOR * drift_uncertainty
    # Room and speed towards either edge of the budget, at best, as expected and at worst.
    upward = tolerance_ns - offset_ns
    downward = tolerance_ns + offset_ns
    earliest = min(_reached(upward - spread, drift + rate), _reached(downward - spread, rate - drift))
    expected = min(_reached(upward, drift), _reached(downward, -drift))
    latest = min(_reached(upward + spread, drift - rate), _reached(downward + spread, -drift - rate))
    return Forecast(expected, earliest, latest)


def _reached(room_ns: float, speed: float) -> float:
    """Seconds until a room is used up at a speed (s/s)."""
    if room_ns <= 0:
        return 0.0
    return room_ns / speed / 1e9 if speed > 0 else math.inf


def host_budget(view: HostView, budget: Budget) -> HostBudget:
    """One host held against a budget."""
    tolerance_ns = budget.tolerance_ns
    unknown = HostBudget(view.host, budget, Fitness.CANNOT_BE_SHOWN, Fitness.CANNOT_BE_SHOWN, None, None)
    if view.state not in FRESH_STATES or view.offset_ns is None or view.uncertainty_ns is None:
        return unknown
    limits = [abs(limit) for limit in (view.lower_ns, view.upper_ns) if limit is not None]
    ahead = None
    if view.drift is not None and view.drift_uncertainty is not None:
        ahead = forecast(tolerance_ns, view.offset_ns, view.uncertainty_ns, view.drift, view.drift_uncertainty)
    return HostBudget(
        host=view.host,
        budget=budget,
        fitness=fitness(tolerance_ns, view.offset_ns, view.uncertainty_ns, view.lower_ns, view.upper_ns),
        estimated=estimated_fitness(tolerance_ns, view.offset_ns, view.uncertainty_ns),
        headroom=1 - max(limits) / tolerance_ns if len(limits) == 2 else None,
        estimated_headroom=1 - (abs(view.offset_ns) + COVERAGE_FACTOR * view.uncertainty_ns) / tolerance_ns,
        forecast=ahead,
    )


def fleet_budgets(view: FleetView, budgets: Budgets) -> dict[str, HostBudget]:
    """Every host that has a budget, held against it; by host, in the view's order."""
    found = ((host, budgets.of(host.host, host.zone, host.role)) for host in view.hosts)
    return {host.host: host_budget(host, budget) for host, budget in found if budget is not None}


def named_budgets(view: FleetView, budgets: Budgets) -> FleetView:
    """The view with each host's budget by these rules named in it, instead of any before."""

    def named(host: HostView) -> HostView:
        budget = budgets.of(host.host, host.zone, host.role) or Budget("", 0)
        same = (host.budget, host.budget_ns) == (budget.name, budget.tolerance_ns)
        return host if same else replace(host, budget=budget.name, budget_ns=budget.tolerance_ns)

    return replace(view, hosts=tuple(map(named, view.hosts)))


def held_budgets(view: FleetView) -> dict[str, HostBudget]:
    """Every host that has a budget named in the view, held against it; by host."""
    return {host.host: host_budget(host, Budget(host.budget, host.budget_ns)) for host in view.hosts if host.budget_ns}


def tally(answers: Iterable[HostBudget]) -> dict[Fitness, int]:
    """How many hosts got each answer; all three are there."""
    counts = dict.fromkeys(Fitness, 0)
    for answer in answers:
        counts[answer.fitness] += 1
    return counts


def default_table() -> Sequence[tuple[str, str, str]]:
    """Name, span and source of each ready-made budget, tightest first; for help texts and documents."""
    ordered = sorted(DEFAULTS.values(), key=lambda budget: (budget.tolerance_ns, budget.name))
    return [(budget.name, span_text(budget.tolerance_ns), budget.source) for budget in ordered]
