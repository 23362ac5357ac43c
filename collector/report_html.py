"""A report of evidence as one HTML page that needs nothing else and prints well on A4 or letter paper. Pure, no numpy.

Everything that came from outside (names, findings) is escaped; there is no script.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from noonmark.collector.budgets import span_text
from noonmark.collector.instants import format_instant
from noonmark.collector.present import format_duration
from noonmark.collector.report import Evidence, HostEvidence, Peak, Shares
from noonmark.collector.report_chain import Chain
from noonmark.collector.report_policies import described
from noonmark.collector.report_text import at_most, headline, percent, reference_words, size
from noonmark.collector.report_words import METHOD, NOT_A_CERTIFICATE, RECORDS
from noonmark.proto.version import VERSION

_STYLE = """
@page { margin: 18mm 15mm; }
:root { color-scheme: light; }
body { font: 10.5pt/1.45 Georgia, "Liberation Serif", serif; color: #111; background: #fff; max-width: 60em;
  margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.7em; margin: 0 0 .2em; }
h2 { font-size: 1.2em; margin: 1.8em 0 .4em; border-bottom: 1px solid #111; break-after: avoid; }
p { margin: .5em 0; }
table { border-collapse: collapse; width: 100%; font: 9pt/1.35 "Liberation Sans", Arial, sans-serif; margin: .6em 0; }
caption { text-align: left; font-weight: bold; padding: .3em 0; }
th, td { border-bottom: 1px solid #bbb; padding: .25em .5em; text-align: left; vertical-align: top; }
th { border-bottom: 1px solid #111; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
td.n { white-space: nowrap; }
td:first-child { overflow-wrap: break-word; min-width: 7em; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
.notice { border: 1px solid #111; padding: .6em .8em; }
.bad { font-weight: bold; }
small { color: #444; }
@media print { body { margin: 0; max-width: none; padding: 0; } a { color: inherit; text-decoration: none; } }
"""


def evidence_html(evidence: Evidence, *, made_ns: int, records_head: str = "") -> str:
    """The page. `made_ns`: when the report was made; `records_head`: hash of the newest daily record, if there are."""
    since, until = format_instant(evidence.since_ns, digits=0), format_instant(evidence.until_ns, digits=0)
    parts = [
        f"<h1>Clock synchronization evidence</h1><p>{since} to {until} · made {format_instant(made_ns, digits=0)} by "
        f"noonmark {escape(VERSION)}</p>",
        f'<p class="notice">{escape(NOT_A_CERTIFICATE)}</p>',
        f"<h2>Summary</h2><p>{escape(headline(evidence))}</p>",
        *(_policy_section(evidence, number) for number in range(len(evidence.policies))),
        _gaps(evidence.hosts),
        _references(evidence),
        _chains(evidence),
        _findings(evidence),
        _method(),
    ]
    if records_head:
        parts.append(f"<h2>Daily records</h2><p>{escape(RECORDS)}</p><p>Last hash: <code>{records_head}</code></p>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Clock synchronization evidence {since} to {until}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body></html>\n"
    )


def _table(caption: str, heads: Sequence[tuple[str, bool]], rows: Iterable[Sequence[str]]) -> str:
    """Cells are HTML already; True: to the right."""
    mark = [' class="n"' if right else "" for _, right in heads]
    head = "".join(f'<th scope="col"{css}>{escape(text)}</th>' for (text, _), css in zip(heads, mark, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{css}>{cell}</td>" for cell, css in zip(row, mark, strict=True)) + "</tr>\n"
        for row in rows
    )
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table>"


def _peak(peak: Peak | None, words: str) -> str:
    if peak is None:
        return escape(words)
    date, _, time = format_instant(peak.at_ns, digits=0).partition("T")
    return f"{escape(words)}<br><small>{date}<br>{time}</small>"


def _row(host: HostEvidence) -> list[str]:
    return [
        escape(host.host),
        _peak(host.estimated, size(host.estimated)),
        _peak(host.with_uncertainty, size(host.with_uncertainty)),
        _peak(host.certain, at_most(host.certain)),
        *_shares(host.shares),
    ]


def _shares(shares: Shares) -> list[str]:
    out = percent(shares.share(shares.out_ns))
    cells = [percent(shares.share(part)) for part in (shares.within_ns, shares.within_by_estimate_ns)]
    cells.append(percent(shares.share(shares.not_shown_ns)))
    cells.append(f'<span class="bad">{escape(out)}</span>' if shares.out_ns else escape(out))
    return [escape(cell) if "<span" not in cell else cell for cell in [*cells, percent(shares.share(shares.gap_ns))]]


_HEADS = (
    ("Host", False),
    ("Largest, estimated", True),
    ("Largest with U", True),
    ("Largest, certain", True),
    ("Within", True),
    ("By estimate", True),
    ("Not shown", True),
    ("Out", True),
    ("Not measured", True),
)


def _policy_section(evidence: Evidence, number: int) -> str:
    policy = evidence.policies[number]
    known = described(policy)
    fine = (
        "" if known.granularity_ns is None else f" Time stamps at least as fine as {span_text(known.granularity_ns)}."
    )
    rows = [_row(host) for host in evidence.of_policy(policy)]
    activity = known.activity[:1].upper() + known.activity[1:]
    words = f"{activity} ({known.source}): at most {span_text(known.tolerance_ns)} from UTC.{fine}"
    words += f" {known.checked[:1].upper()}{known.checked[1:]}." if known.checked else ""
    return f"<h2>Policy {escape(known.name)}</h2><p>{escape(words)}</p>" + _table(
        "Divergence from UTC, and share of time", _HEADS, rows
    )


def _gaps(hosts: Sequence[HostEvidence]) -> str:
    rows = []
    for host in hosts:
        for start, end in host.gaps:
            span = format_duration(end - start)
            moments = [format_instant(moment, digits=0) for moment in (start, end)]
            rows.append([escape(host.host), *moments, escape(span)])
        if host.gap_count > len(host.gaps):
            rows.append([escape(host.host), "", "", f"{host.gap_count - len(host.gaps)} shorter ones"])
    if not rows:
        return "<h2>Time not measured</h2><p>None.</p>"
    heads = (("Host", False), ("From", False), ("To", False), ("Length", True))
    return "<h2>Time not measured</h2>" + _table("Gaps", heads, rows)


def _references(evidence: Evidence) -> str:
    if not evidence.references:
        words = "None was named: divergence is from the fleet's own mean, not from UTC."
        return f"<h2>References</h2><p>{words}</p>"
    items = "".join(f"<li>{escape(reference_words(reference))}</li>" for reference in evidence.references)
    return f"<h2>References</h2><ul>{items}</ul>"


def _chain_cell(chain: Chain) -> str:
    if chain.reference is None:
        return "no way to a reference"
    if not chain.steps:
        return "is a reference"
    return " → ".join(
        f"{escape(step.host)} <small>({escape(format_duration(step.min_round_trip_ns))}, {step.probes} probes, "
        f"{escape(step.state)})</small>"
        for step in chain.steps
    )


def _chains(evidence: Evidence) -> str:
    if not evidence.chains or evidence.chains_at_ns is None:
        return ""
    rows = [
        [
            escape(chain.host),
            _chain_cell(chain),
            escape(format_duration(chain.asymmetry_limit_ns)) if chain.steps else "",
        ]
        for chain in evidence.chains
    ]
    at = format_instant(evidence.chains_at_ns, digits=0)
    heads = (("Host", False), ("To (least round trip, probes, state)", False), ("Asymmetry at most", True))
    return "<h2>Chains of traceability</h2>" + _table(f"As of {at}", heads, rows)


def _findings(evidence: Evidence) -> str:
    if not evidence.findings:
        return "<h2>Findings</h2><p>None.</p>"
    rows = [
        [
            format_instant(finding.at_ns, digits=3),
            escape(finding.kind),
            escape(finding.host or " → ".join(finding.path or ())),
            escape(finding.text),
        ]
        for finding in evidence.findings
    ]
    heads = (("When", False), ("Kind", False), ("Of", False), ("What", False))
    return "<h2>Findings</h2>" + _table("In order of time", heads, rows)


def _method() -> str:
    return "<h2>Method and uncertainty</h2>" + "".join(f"<p>{escape(text)}</p>" for text in METHOD)
