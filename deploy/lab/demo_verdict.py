"""The demonstration's estimate held against the injected truth: one row a host, and what may be said of all. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from noonmark.collector.present import COVERAGE, WIDTH, format_duration
from noonmark.collector.present_json import Document, fleet_json
from noonmark.collector.present_tables import Column, table, wrapped
from noonmark.collector.views import FleetView, HostView
from noonmark.lab.harbours import DemoHost

COLUMNS = (
    Column("HOST", shrinks=True),
    Column("MEASURED", right=True),
    Column(f"±(k={COVERAGE})", right=True),
    Column("INJECTED", right=True),
    Column("ERROR", right=True),
    Column("WITHIN"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One host: what was measured, and what is true."""

    measured: HostView
    true_ns: int
    true_drift: float

    @property
    def error_ns(self) -> int | None:
        """Measured minus true; None where nothing was measured."""
        return None if self.measured.offset_ns is None else self.measured.offset_ns - self.true_ns

    @property
    def within_uncertainty(self) -> bool:
        """Whether the error is at most the expanded uncertainty."""
        error, uncertainty = self.error_ns, self.measured.uncertainty_ns
        return error is not None and uncertainty is not None and abs(error) <= COVERAGE * uncertainty

    @property
    def within_limits(self) -> bool:
        """Whether the truth lies inside the certain limits; a limit that is not given is kept."""
        lower, upper = self.measured.lower_ns, self.measured.upper_ns
        return (lower is None or lower <= self.true_ns) and (upper is None or self.true_ns <= upper)


@dataclass(frozen=True, slots=True)
class Verdict:
    """All hosts of the fleet."""

    rows: tuple[Row, ...]

    @property
    def errors_ns(self) -> list[int]:
        """Sizes of all known errors."""
        return [abs(row.error_ns) for row in self.rows if row.error_ns is not None]

    @property
    def complete(self) -> bool:
        """Whether every host was measured."""
        return len(self.errors_ns) == len(self.rows)

    @property
    def certain(self) -> bool:
        """Whether no limit was broken."""
        return all(row.within_limits for row in self.rows)

    @property
    def drift_error(self) -> float:
        """The largest error of a drift, seconds per second."""
        known = [abs(row.measured.drift - row.true_drift) for row in self.rows if row.measured.drift is not None]
        return max(known, default=0.0)


def judge(view: FleetView, hosts: Sequence[DemoHost]) -> Verdict:
    """Hold a view against the truth at the view's own instant. Hosts that the view does not know count as unknown."""
    measured = {host.host: host for host in view.hosts}
    return Verdict(
        tuple(
            Row(measured.get(host.name) or _unknown(host), host.error_ns(view.at_ns), host.drift)
            for host in sorted(hosts, key=lambda host: host.name)
        )
    )


def _unknown(host: DemoHost) -> HostView:
    return HostView(host.name, "unknown", None, None, None, None, None, None, None, host.zone, host.role)


def _micro(value_ns: int) -> str:
    return f"{value_ns / 1000:+,.3f} µs"


def verdict_lines(verdict: Verdict, *, width: int = WIDTH) -> list[str]:
    """A table of all hosts, and a paragraph that sums it up."""
    rows = []
    for row in verdict.rows:
        offset, uncertainty, error = row.measured.offset_ns, row.measured.uncertainty_ns, row.error_ns
        within = [
            word for word, kept in ((f"{COVERAGE}u", row.within_uncertainty), ("limits", row.within_limits)) if kept
        ]
        rows.append(
            (
                row.measured.host,
                "unknown" if offset is None else _micro(offset),
                "" if uncertainty is None else format_duration(COVERAGE * uncertainty, digits=2),
                _micro(row.true_ns),
                "" if error is None else f"{'+' if error > 0 else ''}{format_duration(error, digits=2)}",
                "" if error is None else " ".join(within) or "neither",
            )
        )
    return [*table(COLUMNS, rows, width=width), "", *wrapped(summary(verdict), width=width)]


def summary(verdict: Verdict) -> str:
    """What may be said of all hosts together."""
    total, errors = len(verdict.rows), verdict.errors_ns
    if not errors:
        return "No host was measured."
    inside = sum(row.within_uncertainty for row in verdict.rows)
    kept = sum(row.within_limits for row in verdict.rows if row.error_ns is not None)
    return (
        f"{len(errors)} of {total} hosts measured. Error against the injected truth: "
        f"median {format_duration(statistics.median(errors), digits=2)}, "
        f"largest {format_duration(max(errors), digits=2)}; drifts wrong by at most "
        f"{verdict.drift_error * 1e6:.3f} ppm. {inside} of {total} truths lie within {COVERAGE} standard "
        f"uncertainties, {kept} of {total} inside their certain limits."
    )


def demo_json(view: FleetView, hosts: Sequence[DemoHost]) -> Document:
    """The document of `noonmark solve`, and the injected truth at the same instant beside it."""
    truth: dict[str, Any] = {
        host.name: {"offset_ns": host.error_ns(view.at_ns), "drift_ppb": round(host.drift * 1e9, 3)} for host in hosts
    }
    return {**fleet_json(view, schema="noonmark.estimate/1"), "truth": truth}
