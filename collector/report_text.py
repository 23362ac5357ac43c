"""A report of evidence for a terminal of 80 columns. Pure, free of numpy."""

from __future__ import annotations

from noonmark.collector.budgets import span_text
from noonmark.collector.instants import format_instant
from noonmark.collector.present import counted, format_duration
from noonmark.collector.present_tables import Column, finding_lines, table, wrapped
from noonmark.collector.report import Evidence, HostEvidence, Peak, ReferenceEvidence, Shares, largest
from noonmark.collector.report_policies import described
from noonmark.collector.report_words import NOT_A_CERTIFICATE

MOST_FINDINGS = 20
_COLUMNS = (
    Column("HOST", shrinks=True),
    Column("LARGEST", right=True),
    Column("WITH U", right=True),
    Column("CERTAIN", right=True),
    Column("WITHIN", right=True),
    Column("BY EST.", right=True),
    Column("OUT", right=True),
    Column("GAP", right=True),
)


def percent(share: float) -> str:
    """A share of time; only the whole is 100 %, only nothing is 0 %."""
    if 0.0 < share < 1e-5 or 1 - 1e-5 < share < 1.0:
        return "<0.001 %" if share < 0.5 else ">99.999 %"
    return f"{100 * share:.3f}".rstrip("0").rstrip(".") + " %"


def size(peak: Peak | None) -> str:
    """A peak's length."""
    return "none" if peak is None else format_duration(peak.value_ns)


def at_most(peak: Peak | None) -> str:
    """A certain bound, rounded up: what is printed is still one."""
    if peak is None:
        return "none"
    step = 10 ** max(0, len(str(peak.value_ns)) - 3)
    return format_duration(-(-peak.value_ns // step) * step)


def _cells(shares: Shares) -> list[str]:
    parts = (shares.within_ns, shares.within_by_estimate_ns, shares.out_ns, shares.gap_ns)
    return [percent(shares.share(part)) for part in parts]


def _row(host: HostEvidence) -> list[str]:
    return [host.host, size(host.estimated), size(host.with_uncertainty), at_most(host.certain), *_cells(host.shares)]


def evidence_lines(evidence: Evidence, *, width: int) -> list[str]:
    """What a person reads."""
    lines = wrapped(headline(evidence), width=width)
    for policy in evidence.policies:
        known = described(policy)
        words = f"{known.name}, ±{span_text(known.tolerance_ns)} from UTC: {known.activity} ({known.source})"
        words += f"; {known.checked}" if known.checked else ""
        lines += ["", *wrapped(words, width=width), ""]
        rows = [_row(host) for host in evidence.of_policy(policy)]
        lines += table(_COLUMNS, rows, width=width) if rows else ["no host"]
    lines += ["", "References:"]
    for reference in evidence.references:
        lines += wrapped(reference_words(reference), width=width, indent="  ")
    if not evidence.references:
        lines.append("none was named: divergence is from the fleet's own mean, not from UTC")
    if evidence.without_policy:
        lines += ["", *wrapped("No policy speaks of: " + ", ".join(evidence.without_policy), width=width)]
    if evidence.findings:
        shown = evidence.findings[-MOST_FINDINGS:]
        lines += ["", "Findings:", *finding_lines(shown, width=width)]
        if len(shown) < len(evidence.findings):
            lines.append(f"({len(evidence.findings) - len(shown)} older ones are in the other forms.)")
    return [*lines, "", *wrapped(NOT_A_CERTIFICATE, width=width)]


def headline(evidence: Evidence) -> str:
    """The fleet in two sentences."""
    seen = [host for host in evidence.hosts if host.samples]
    since, until = (format_instant(moment, digits=0) for moment in (evidence.since_ns, evidence.until_ns))
    start = f"{counted(len(evidence.hosts), 'host')} from {since} to {until}."
    if not seen:
        return f"{start} Nothing was measured."
    furthest = max(seen, key=lambda host: host.estimated.value_ns if host.estimated else -1)
    certain = largest([host.certain for host in seen])
    bound = "no certain bound for all" if certain is None else f"certainly never more than {at_most(certain)}"
    at = "" if furthest.estimated is None else f" at {format_instant(furthest.estimated.at_ns, digits=0)}"
    shares = evidence.shares
    return (
        f"{start} Largest divergence as estimated: {size(furthest.estimated)}, {furthest.host}{at}; {bound}. "
        f"Within the policy {percent(shares.share(shares.within_ns))} of all hosts' time certainly, "
        f"{percent(shares.share(shares.within_by_estimate_ns))} by estimate; not shown "
        f"{percent(shares.share(shares.not_shown_ns))}, out {percent(shares.share(shares.out_ns))}, "
        f"not measured {percent(shares.share(shares.gap_ns))}."
    )


def reference_words(reference: ReferenceEvidence) -> str:
    """What is declared of it, and how often it was without its source."""
    if reference.uncertainty_ns is None:
        declared = "as declared to the collector"
    else:
        limit = "no limit" if reference.limit_ns is None else f"limit {format_duration(reference.limit_ns)}"
        declared = f"declared u = {format_duration(reference.uncertainty_ns)}, {limit}"
    if not reference.states:
        return f"{reference.host}: {declared}; nothing was found against it."
    several = "s" if len(reference.states) > 1 else ""
    return f"{reference.host}: {declared}; {len(reference.states)} finding{several} on its source or state, see below."
