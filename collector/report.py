"""Evidence of how far clocks were from UTC: the largest divergence, the share of time within a policy, gaps. Pure.

Reference time stands for UTC within what the references declare, and that is part of every uncertainty and of every
limit here. A moment counts as *within* where its certain limits lie inside the policy's tolerance; as *within by
estimate* where they do not, but the estimate with its expanded uncertainty (k = 2) does; as *out* where the limits lie
wholly outside, or the estimate is beyond by more than its expanded uncertainty; else as *not shown* (decision rules
with guard bands: JCGM 106:2012, section 8.3; the same as budgets.py). Time in which nothing was measured is a *gap*: it
is neither within nor out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.budgets import COVERAGE_FACTOR, Budget
from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.collector.report_chain import Chain
from noonmark.collector.report_samples import Samples
from noonmark.collector.views import FindingView

MOST_GAPS = 1_000
"""Of one host; if there are more the longest are told, and how many there are."""


@dataclass(frozen=True, slots=True)
class Peak:
    """The largest of something, and when."""

    value_ns: int
    at_ns: int


@dataclass(frozen=True, slots=True)
class Shares:
    """Lengths of time, ns; together they are the whole stretch."""

    within_ns: int = 0
    within_by_estimate_ns: int = 0
    not_shown_ns: int = 0
    out_ns: int = 0
    gap_ns: int = 0

    @property
    def total_ns(self) -> int:
        """Of all."""
        return self.within_ns + self.within_by_estimate_ns + self.not_shown_ns + self.out_ns + self.gap_ns

    def share(self, part_ns: int) -> float:
        """A part of the whole; 0 of nothing."""
        return part_ns / self.total_ns if self.total_ns else 0.0

    def plus(self, other: Shares) -> Shares:
        """Both together."""
        return Shares(
            self.within_ns + other.within_ns,
            self.within_by_estimate_ns + other.within_by_estimate_ns,
            self.not_shown_ns + other.not_shown_ns,
            self.out_ns + other.out_ns,
            self.gap_ns + other.gap_ns,
        )


@dataclass(frozen=True, slots=True)
class HostEvidence:
    """One host held to one policy over a stretch of time."""

    host: str
    zone: str
    role: str
    policy: Budget
    samples: int
    estimated: Peak | None
    """Largest divergence as estimated."""
    with_uncertainty: Peak | None
    """Largest divergence and expanded uncertainty together."""
    certain: Peak | None
    """Certainly no divergence was larger at any moment that was measured; None: some moment has no limit."""
    shares: Shares
    gaps: tuple[tuple[int, int], ...]
    """(from, to), in order of time."""
    gap_count: int


@dataclass(frozen=True, slots=True)
class ReferenceEvidence:
    """A reference, as declared, and what is known of its own source in that time."""

    host: str
    uncertainty_ns: float | None
    """Standard, as declared; None: not told."""
    limit_ns: float | None
    states: tuple[FindingView, ...] = ()
    """When it was without its source, or its source was at fault."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """A whole report."""

    since_ns: int
    until_ns: int
    policies: tuple[Budget, ...]
    hosts: tuple[HostEvidence, ...]
    references: tuple[ReferenceEvidence, ...]
    chains: tuple[Chain, ...]
    chains_at_ns: int | None
    """The moment that the chains are of."""
    findings: tuple[FindingView, ...]
    without_policy: tuple[str, ...]
    """Hosts that no rule speaks of."""

    def of_policy(self, policy: Budget) -> tuple[HostEvidence, ...]:
        """Its hosts, the largest divergence first."""
        mine = [host for host in self.hosts if host.policy.name == policy.name]
        return tuple(sorted(mine, key=lambda host: (-(host.estimated.value_ns if host.estimated else -1), host.host)))

    @property
    def shares(self) -> Shares:
        """Of all hosts together."""
        total = Shares()
        for host in self.hosts:
            total = total.plus(host.shares)
        return total

    @property
    def ever_out(self) -> bool:
        """Whether any host was out of its policy at any time."""
        return any(host.shares.out_ns > 0 for host in self.hosts)


def largest(peaks: Sequence[Peak | None]) -> Peak | None:
    """Of several; None if one is not known, or there is none."""
    known = [peak for peak in peaks if peak is not None]
    if len(known) != len(peaks) or not known:
        return None
    return max(known, key=lambda peak: peak.value_ns)


def host_evidence(
    host: str, samples: Samples, policy: Budget, since_ns: int, until_ns: int, *, reach_ns: int,
    zone: str = "", role: str = "",
) -> HostEvidence:  # fmt: skip
    """Hold one host's moments in [since, until) to a policy; two further apart than `reach_ns` have a gap between."""
    tolerance = policy.tolerance_ns
    size = np.abs(samples.offset_ns)
    expanded = COVERAGE_FACTOR * samples.uncertainty_ns
    limit = np.maximum(np.abs(samples.lower_ns), np.abs(samples.upper_ns))
    measured = samples.measured
    within = measured & (limit <= tolerance)
    beyond = (samples.lower_ns > tolerance) | (samples.upper_ns < -tolerance)
    out = measured & ~within & (beyond | (size - expanded > tolerance))
    by_estimate = measured & ~within & ~out & (size + expanded <= tolerance)
    speaks = _spans(samples.at_ns, measured, since_ns, until_ns, reach_ns)
    covered = int(speaks.sum())
    kinds = [int(speaks[rows].sum()) for rows in (within, by_estimate, out)]
    gaps = _gaps(samples.at_ns, speaks, measured, since_ns, until_ns)
    longest = sorted(sorted(gaps, key=lambda gap: gap[0] - gap[1])[:MOST_GAPS])
    return HostEvidence(
        host,
        zone,
        role,
        policy,
        int(measured.sum()),
        _peak(size, samples.at_ns, measured),
        _peak(size + expanded, samples.at_ns, measured),
        _peak(limit, samples.at_ns, measured),
        Shares(kinds[0], kinds[1], covered - sum(kinds), kinds[2], until_ns - since_ns - covered),
        tuple(longest),
        len(gaps),
    )


def _peak(values: Float64, at_ns: Int64, measured: Bool) -> Peak | None:
    rows = np.flatnonzero(measured)
    if not len(rows):
        return None
    row = rows[np.argmax(values[rows])]
    value = float(values[row])
    return Peak(math.ceil(value), int(at_ns[row])) if math.isfinite(value) else None


def _spans(at_ns: Int64, measured: Bool, since_ns: int, until_ns: int, reach_ns: int) -> Int64:
    """For how long each moment speaks: to the next one, or `reach_ns`, or the end."""
    if not len(at_ns):
        return np.zeros(0, np.int64)
    ends = np.append(at_ns[1:], until_ns)
    spans = np.minimum(np.minimum(ends, until_ns) - np.maximum(at_ns, since_ns), reach_ns)
    return np.where(measured, np.maximum(spans, 0), 0)


def _gaps(at_ns: Int64, speaks: Int64, measured: Bool, since_ns: int, until_ns: int) -> list[tuple[int, int]]:
    """Stretches for which no moment speaks."""
    rows = measured & (speaks > 0)
    starts = np.append(np.maximum(at_ns[rows], since_ns), until_ns)
    ends = np.concatenate([[since_ns], np.maximum(at_ns[rows], since_ns) + speaks[rows]])
    open_rows = starts > ends
    return list(zip(ends[open_rows].tolist(), starts[open_rows].tolist(), strict=True))
