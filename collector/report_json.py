"""A report of evidence as a JSON document and as CSV rows: stable keys, integers in nanoseconds. Pure, no numpy."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from noonmark.collector.budgets import Budget
from noonmark.collector.instants import format_instant
from noonmark.collector.present_json import Document, finding_json
from noonmark.collector.report import Evidence, HostEvidence, Peak, ReferenceEvidence, Shares, largest
from noonmark.collector.report_chain import Chain
from noonmark.collector.report_policies import described
from noonmark.collector.report_words import METHOD, NOT_A_CERTIFICATE
from noonmark.proto.version import VERSION


def _peak(peak: Peak | None) -> Document | None:
    return None if peak is None else {"value_ns": peak.value_ns, "at_ns": peak.at_ns, "at": format_instant(peak.at_ns)}


def _shares(shares: Shares) -> Document:
    return {
        "within_ns": shares.within_ns,
        "within_by_estimate_ns": shares.within_by_estimate_ns,
        "not_shown_ns": shares.not_shown_ns,
        "out_ns": shares.out_ns,
        "gap_ns": shares.gap_ns,
        "within_share": round(shares.share(shares.within_ns), 9),
        "within_or_by_estimate_share": round(shares.share(shares.within_ns + shares.within_by_estimate_ns), 9),
    }


def _policy(policy: Budget) -> Document:
    known = described(policy)
    return {
        "name": known.name,
        "tolerance_ns": known.tolerance_ns,
        "granularity_ns": known.granularity_ns,
        "activity": known.activity,
        "source": known.source,
        "checked": known.checked,
    }


def _host(host: HostEvidence) -> Document:
    return {
        "host": host.host,
        "zone": host.zone,
        "role": host.role,
        "policy": host.policy.name,
        "samples": host.samples,
        "largest_estimated": _peak(host.estimated),
        "largest_with_uncertainty": _peak(host.with_uncertainty),
        "largest_certain": _peak(host.certain),
        **_shares(host.shares),
        "gaps": [{"since_ns": start, "until_ns": end} for start, end in host.gaps],
        "gap_count": host.gap_count,
    }


def _reference(reference: ReferenceEvidence) -> Document:
    return {
        "host": reference.host,
        "declared_uncertainty_ns": reference.uncertainty_ns,
        "declared_limit_ns": reference.limit_ns,
        "states": [finding_json(state) for state in reference.states],
    }


def _chain(chain: Chain) -> Document:
    return {
        "host": chain.host,
        "reference": chain.reference,
        "asymmetry_limit_ns": chain.asymmetry_limit_ns,
        "steps": [
            {
                "to": step.host,
                "probes": step.probes,
                "min_round_trip_ns": step.min_round_trip_ns,
                "state": step.state,
            }
            for step in chain.steps
        ],
    }


def evidence_json(evidence: Evidence) -> Document:
    """The whole report. Tells nothing of when it was made, so that the same evidence is the same document."""
    at_ns = evidence.chains_at_ns
    return {
        "schema": "noonmark.evidence/1",
        "notice": NOT_A_CERTIFICATE,
        "method": list(METHOD),
        "made_by": f"noonmark {VERSION}",
        "since_ns": evidence.since_ns,
        "since": format_instant(evidence.since_ns),
        "until_ns": evidence.until_ns,
        "until": format_instant(evidence.until_ns),
        "policies": [_policy(policy) for policy in evidence.policies],
        "fleet": {
            "hosts": len(evidence.hosts),
            "largest_estimated": _peak(largest([host.estimated for host in evidence.hosts if host.samples])),
            "largest_certain": _peak(largest([host.certain for host in evidence.hosts if host.samples])),
            **_shares(evidence.shares),
        },
        "hosts": [_host(host) for host in evidence.hosts],
        "references": [_reference(reference) for reference in evidence.references],
        "chains_at_ns": at_ns,
        "chains_at": None if at_ns is None else format_instant(at_ns),
        "chains": [_chain(chain) for chain in evidence.chains],
        "findings": [finding_json(finding) for finding in evidence.findings],
        "without_policy": list(evidence.without_policy),
    }


CSV_COLUMNS = (
    "host", "zone", "role", "policy", "tolerance_ns", "since", "until", "samples",
    "largest_estimated_ns", "largest_estimated_at", "largest_with_uncertainty_ns", "largest_with_uncertainty_at",
    "largest_certain_ns", "largest_certain_at",
    "within_ns", "within_by_estimate_ns", "not_shown_ns", "out_ns", "gap_ns", "within_share", "gap_count",
    "reference", "chain",
)  # fmt: skip


def evidence_csv(evidence: Evidence) -> str:
    """One row a host (RFC 4180), the headings first; what is not known is empty."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(CSV_COLUMNS)
    ways = {chain.host: chain for chain in evidence.chains}
    for host in evidence.hosts:
        writer.writerow(_row(evidence, host, ways.get(host.host)))
    return text.getvalue()


def _row(evidence: Evidence, host: HostEvidence, chain: Chain | None) -> Sequence[object]:
    peaks: list[object] = []
    for peak in (host.estimated, host.with_uncertainty, host.certain):
        peaks += ["", ""] if peak is None else [peak.value_ns, format_instant(peak.at_ns)]
    shares = host.shares
    reference = "" if chain is None else chain.reference or ""
    steps = "" if chain is None else " > ".join([host.host, *(step.host for step in chain.steps)])
    cells: list[object] = [host.host, host.zone, host.role, host.policy.name, host.policy.tolerance_ns]
    cells += [format_instant(evidence.since_ns), format_instant(evidence.until_ns), host.samples, *peaks]
    cells += [shares.within_ns, shares.within_by_estimate_ns, shares.not_shown_ns, shares.out_ns, shares.gap_ns]
    cells += [f"{shares.share(shares.within_ns):.9f}", host.gap_count, reference, steps]
    return [_inert(cell) for cell in cells]


def _inert(cell: object) -> object:
    """A name that a spreadsheet would take for a formula is marked as text."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
