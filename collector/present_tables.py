"""Tables of text for 80 columns, without colour: the fleet, its paths, its findings. Pure, free of numpy."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from noonmark.collector.budget_verdict import worst_budget_first
from noonmark.collector.budgets import Fitness, Forecast, HostBudget
from noonmark.collector.instants import format_instant
from noonmark.collector.present import (
    COVERAGE,
    WIDTH,
    columns_of,
    direction,
    fitting_unit,
    format_age,
    format_drift,
    format_duration,
    format_limits,
    format_offset,
    shortened,
)
from noonmark.collector.views import FindingView, FleetView, HostView, PairView, PathView, largest_difference

LEAST_NAME = 12
"""Columns that a shortened name keeps."""
STATES = ("reference", "measured", "stale", "no-route", "unknown")


@dataclass(frozen=True, slots=True)
class Column:
    """A heading, and whether its cells stand to the right."""

    heading: str
    right: bool = False
    shrinks: bool = False
    """Shortened first when the table is too wide."""


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], *, width: int = WIDTH) -> list[str]:
    """Lines of a table, the headings first; shrinking columns are shortened so that lines fit `width`, at least 80.

    Columns are counted as a terminal shows them: East Asian wide characters take two.
    """
    width = max(width, WIDTH)
    cells = [[column.heading for column in columns], *map(list, rows)]
    widths = [max(columns_of(row[index]) for row in cells) for index in range(len(columns))]
    excess = sum(widths) + 2 * (len(columns) - 1) - width
    shrinking = [index for index, column in enumerate(columns) if column.shrinks]
    while excess > 0 and any(widths[index] > LEAST_NAME for index in shrinking):  # the widest of them gives way
        widest = max(shrinking, key=lambda index: widths[index])
        widths[widest] -= 1
        excess -= 1
    lines = []
    for row in cells:
        parts = []
        for column, cell, size in zip(columns, row, widths, strict=True):
            text = shortened(cell, size)
            blank = " " * (size - columns_of(text))
            parts.append(blank + text if column.right else text + blank)
        lines.append("  ".join(parts).rstrip())
    return lines


def wrapped(text: str, *, width: int = WIDTH, indent: str = "") -> list[str]:
    """A paragraph broken at blanks; later lines begin with `indent`."""
    lines = [""]
    for word in text.split(" "):
        if columns_of(lines[-1]) + 1 + columns_of(word) > width and lines[-1].strip():
            lines.append(indent + word)
        else:
            lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return lines


def worst_first(hosts: Iterable[HostView]) -> list[HostView]:
    """Largest time error first; those whose error is not known at the end, by name."""
    return sorted(hosts, key=lambda host: (not host.known, -abs(host.offset_ns or 0), host.host))


def headline(view: FleetView) -> str:
    """One sentence on the largest difference, one on the references, one that counts hosts by state."""
    largest = largest_difference(view)
    parts = []
    if largest is None:
        parts.append("No two hosts can be compared.")
    elif largest.difference_ns == 0:
        parts.append("All hosts show the same time.")
    else:
        text = (
            f"Furthest apart: {largest.ahead} is ahead of {largest.behind} by {format_duration(largest.difference_ns)}"
        )
        bound = (
            "" if largest.upper_ns is None else f" (certain: no two differ by more than {_at_most(largest.upper_ns)})"
        )
        parts.append(f"{text}{bound}.")
    if view.references:
        several = "s" if len(view.references) > 1 else ""
        named = ", ".join(view.references[:4]) + (
            f" and {len(view.references) - 4} more" if view.references[4:] else ""
        )
        parts.append(f"Reference{several}: {named}.")
    else:
        parts.append("Reference: the fleet's own mean (none was named).")
    counts = {state: sum(host.state == state for host in view.hosts) for state in STATES}
    told = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    parts.append(f"{len(view.hosts)} host{'' if len(view.hosts) == 1 else 's'}: {told or 'none'}.")
    return " ".join(parts)


def _at_most(value_ns: int) -> str:
    """Three digits, rounded up: what is printed is still a limit."""
    unit = fitting_unit(value_ns)
    step = max(1, 10 ** (len(str(abs(value_ns))) - 3))
    rounded = -(-value_ns // step) * step
    return format_duration(rounded) if unit.size_ns <= 10**9 else format_duration(rounded, digits=4)


def _offset_cell(host: HostView) -> tuple[str, str]:
    """(size and direction, expanded uncertainty)."""
    if host.offset_ns is None or host.uncertainty_ns is None:
        return "unknown", ""
    if host.offset_ns == 0 and host.uncertainty_ns == 0:
        return "0 ns", "0 ns"
    size, _, _ = format_offset(host.offset_ns, host.uncertainty_ns).partition(" ± ")
    return f"{size} {direction(host.offset_ns)}", format_duration(COVERAGE * host.uncertainty_ns, digits=2)


def _around(offset_ns: int, lower_ns: int | None, upper_ns: int | None) -> str:
    """Limits seen from the estimate, which keeps them short: what is ahead of it is positive."""
    return format_limits(
        None if lower_ns is None else lower_ns - offset_ns, None if upper_ns is None else upper_ns - offset_ns
    )


HOST_COLUMNS = (
    Column("HOST", shrinks=True),
    Column("STATE"),
    Column("CLOCK", right=True),
    Column(f"±(k={COVERAGE})", right=True),
    Column("CERTAIN AROUND IT", right=True),
)
DRIFT_COLUMN = Column("DRIFT", right=True)
DRIFT_FROM_WIDTH = 92
"""The drift has a column where there is room, and always from this width on."""


def listed(view: FleetView, answers: Mapping[str, HostBudget]) -> list[HostView]:
    """The hosts in the order of the table: by how they keep their budgets, if any has one."""
    return worst_budget_first(view, answers) if answers else worst_first(view.hosts)


def host_table(view: FleetView, *, width: int = WIDTH, answers: Mapping[str, HostBudget] | None = None) -> list[str]:
    """Every host, worst first; its certain limits are told from its estimate.

    With `answers` the second column tells how budgets are kept, and the state only of those that are not just measured.
    """
    answers = answers or {}
    first = (HOST_COLUMNS[0], Column("BUDGET"), *HOST_COLUMNS[2:]) if answers else HOST_COLUMNS
    rows = []
    for host in listed(view, answers):
        clock, expanded = _offset_cell(host)
        limits = "" if host.offset_ns is None else _around(host.offset_ns, host.lower_ns, host.upper_ns)
        drift = "" if host.drift is None else format_drift(host.drift, host.drift_uncertainty)
        silent = f"stale {format_age(host.heard_ns)}" if host.state == "stale" and host.heard_ns else host.state
        kept = _kept(host, answers.get(host.host))
        rows.append((host.host, kept or silent, clock, expanded, limits, drift))
    with_drift = table((*first, DRIFT_COLUMN), rows, width=10**6)
    if max(map(columns_of, with_drift)) <= max(width, WIDTH) or width >= DRIFT_FROM_WIDTH:
        return table((*first, DRIFT_COLUMN), rows, width=width)
    return table(first, [row[:-1] for row in rows], width=width)


def _kept(host: HostView, answer: HostBudget | None) -> str:
    """How a host keeps its budget, in a cell; empty where its state says more."""
    if answer is None or answer.estimated_headroom is None:
        return ""
    if answer.fitness is Fitness.OUT:
        used = 1 - answer.estimated_headroom
        return f"out {used:.2g}x" if used < 100 else f"out {used:.0f}x"
    if answer.fitness is Fitness.CANNOT_BE_SHOWN or answer.headroom is None:
        return "not shown"
    return "" if host.state == "reference" else f"{100 * answer.headroom:.0f} % left"


MOST_LEAVING = 5
LEAVING_WITHIN_S = 7 * 86_400.0


def leaving_lines(answers: Mapping[str, HostBudget], *, width: int = WIDTH) -> list[str]:
    """Who leaves its budget within a week if its drift stays as it is, soonest first, with the forecast's interval."""
    soon = [
        (answer.forecast.expected_s, answer.forecast, host)
        for host, answer in answers.items()
        if answer.fitness is Fitness.WITHIN and answer.forecast and answer.forecast.expected_s <= LEAVING_WITHIN_S
    ]
    if not soon:
        return []
    soon.sort(key=lambda row: (row[0], row[2]))
    told = [
        f"{host} in {_span(forecast.expected_s)} ({_interval(forecast)})" for _, forecast, host in soon[:MOST_LEAVING]
    ]
    more = f", and {len(soon) - MOST_LEAVING} more" if soon[MOST_LEAVING:] else ""
    return wrapped(f"At their present drift these leave their budget: {', '.join(told)}{more}.", width=width)


def _interval(forecast: Forecast) -> str:
    latest = _span(forecast.latest_s) if math.isfinite(forecast.latest_s) else "never"
    return f"{_span(forecast.earliest_s)} to {latest}"


def _span(seconds: float) -> str:
    return "now" if seconds <= 0 else format_age(round(seconds * 1e9))


PATH_COLUMNS = (
    Column("FROM", shrinks=True),
    Column("TO", shrinks=True),
    Column("PROBES", right=True),
    Column("ROUND TRIP", right=True),
    Column("RESIDUAL", right=True),
    Column("STATE"),
)


def path_table(paths: Sequence[PathView], *, width: int = WIDTH) -> list[str]:
    """Every asked direction, largest residual first; a positive residual: the destination seems ahead of its place."""
    rows = []
    for path in sorted(paths, key=lambda path: (-abs(path.residual_ns or 0), path.source, path.destination)):
        residual = "unknown" if path.residual_ns is None else format_duration(path.residual_ns)
        if (path.residual_ns or 0) > 0:
            residual = f"+{residual}"
        round_trip = format_duration(path.min_round_trip_ns)
        rows.append((path.source, path.destination, str(path.probes), round_trip, residual, path.state))
    return table(PATH_COLUMNS, rows, width=width)


PAIR_COLUMNS = (
    Column("OF", shrinks=True),
    Column(f"±(k={COVERAGE})", right=True),
    Column("CERTAIN AROUND IT", right=True),
)


def pair_table(pairs: Sequence[PairView], *, past: bool, width: int = WIDTH) -> list[str]:
    """One host against others, in the order given: how far it is, or was, ahead or behind of which."""
    rows = []
    for pair in pairs:
        other = pair.b or "the reference"
        if not pair.known:
            rows.append(("unknown", other, "", ""))
            continue
        size, _, _ = format_offset(pair.offset_ns, pair.uncertainty_ns).partition(" ± ")
        expanded = format_duration(COVERAGE * pair.uncertainty_ns, digits=2)
        limits = _around(pair.offset_ns, pair.lower_ns, pair.upper_ns)
        rows.append((f"{size} {direction(pair.offset_ns)}", other, expanded, limits))
    return table((Column("IT WAS" if past else "IT IS", right=True), *PAIR_COLUMNS), rows, width=width)


def finding_lines(findings: Sequence[FindingView], *, width: int = WIDTH) -> list[str]:
    """Findings in order of time, each a paragraph: when, what kind, the text."""
    lines: list[str] = []
    for finding in sorted(findings, key=lambda finding: finding.at_ns):
        about = finding.host or (" -> ".join(finding.path) if finding.path else "")
        named = f" {about}:" if about and about not in finding.text else ""
        told = f"{format_instant(finding.at_ns, digits=3)}  {finding.kind}:{named} {finding.text}"
        lines.extend(wrapped(told, width=width, indent="  "))
    return lines
