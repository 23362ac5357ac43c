"""Documents of the HTTP interface that the command line has no use for: references, time, span, paths. Pure.

Keys are only ever added. Times are integer nanoseconds of reference time (POSIX) beside RFC 3339 text; a positive
offset means ahead. What is not known is null and has a reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, HostState, Reference
from noonmark.collector.instants import format_instant
from noonmark.collector.present import format_age
from noonmark.collector.present_json import finding_json, host_json, path_json
from noonmark.collector.reference_standing import standing
from noonmark.collector.state import HostFacts, Published
from noonmark.collector.view_estimate import finding_view, host_views, path_views
from noonmark.proto.control import PeerCounters

Document = dict[str, Any]
LOCKS = ("locked", "holdover", "free-run", "unknown")
"""States of a reference's source, best first (ITU-T G.810)."""
LOCK_UNTOLD = "the reference does not say whether its source is locked"


def labels_of(published: Published) -> dict[str, tuple[str, str]]:
    """Zone and role of each host that named them."""
    return {host: (facts.zone, facts.role) for host, facts in published.facts.items()}


def paths_json(published: Published, host: str | None, limit: int) -> Document:
    """Directions of asking, the worst first; pairs of which every probe goes unanswered; each asker's probes in all."""
    estimate = published.estimate
    chosen = [
        path for path in path_views(estimate.hosts, estimate.paths) if host in (None, path.source, path.destination)
    ]
    chosen.sort(key=lambda path: (path.state == "closed", path.state == "untested", -abs(path.residual_ns or 0)))
    shown = chosen[:limit]
    askers = {path.source for path in shown}
    told = {source: {peer.host: peer for peer in facts.peers} for source, facts in published.facts.items()}
    joined = {(path.source, path.destination) for path in chosen}
    silent = [
        {"src": source, "dst": peer.host, "sent": peer.sent, "lost": peer.lost}
        for source, peers in sorted(told.items())
        for peer in peers.values()
        if peer.lost
        and host in (None, source, peer.host)
        and joined.isdisjoint({(source, peer.host), (peer.host, source)})
    ]
    return {
        "schema": "noonmark.paths/1",
        **_of(published),
        "total": len(chosen),
        "paths": [path_json(path) | _asked(told.get(path.source, {}).get(path.destination)) for path in shown],
        "unanswered": silent[:limit],
        "askers": [
            {"host": name, "sent": facts.asked, "lost": facts.unanswered or 0}
            for name, facts in sorted(published.facts.items())
            if name in askers and facts.asked is not None
        ],
    }


def _asked(peer: PeerCounters | None) -> Document:
    return {"sent": None, "lost": None} if peer is None else {"sent": peer.sent, "lost": peer.lost}


def references_json(published: Published, declared: Sequence[Reference] = ()) -> Document:
    """Each declared reference: what it declares, what the others' probes say of it, and when it was heard."""
    estimate = published.estimate
    views = {view.host: view for view in host_views(estimate, labels_of(published)) if view.state == "reference"}
    rows = []
    for reference in _with_unheard(estimate, declared):
        view = views.get(reference.host)
        rows.append(
            {
                "host": reference.host,
                "declared_uncertainty_ns": reference.uncertainty_ns,
                "declared_limit_ns": reference.limit_ns,
                **lock_json(published.facts.get(reference.host)),
                "measured": None if view is None else host_json(view),
                "reason": "" if view is not None else "no probe of it came in lately",
                "findings": [
                    finding_json(finding_view(one)) for one in estimate.findings if about(one, reference.host)
                ],
            }
        )
    mean = not rows
    return {
        "schema": "noonmark.references/1",
        **_of(published),
        "mean_of_fleet": mean,
        "text": (
            "No host is declared as the reference: every error is told against the fleet's weighted mean."
            if mean
            else f"Every error is told against {_joined([row['host'] for row in rows])}."
        ),
        "references": rows,
        "findings": [
            finding_json(finding_view(one)) for one in estimate.findings if one.kind is FindingKind.REFERENCE_DISAGREES
        ],
    }


def _with_unheard(estimate: FleetEstimate, declared: Sequence[Reference]) -> list[Reference]:
    """The references of the estimate, and those that are declared and take no part in it."""
    heard = {reference.host for reference in estimate.references}
    return [*estimate.references, *(reference for reference in declared if reference.host not in heard)]


def standing_json(published: Published, declared: Sequence[Reference] = ()) -> Document:
    """Whether the reference is good, in a word and in words."""
    estimate = published.estimate
    heard = {view.host for view in host_views(estimate) if view.state == "reference"}
    named = [reference.host for reference in _with_unheard(estimate, declared)]
    facts = {host: published.facts.get(host, HostFacts()) for host in named if host in heard}
    told = standing(
        named,
        {host: (said.reference_state, said.holdover_seconds) for host, said in facts.items()},
        [one.host for one in estimate.findings if one.kind is FindingKind.REFERENCE_DISAGREES and one.host],
    )
    return {"state": told.state, "text": told.text}


def about(finding: Finding, host: str) -> bool:
    """Whether a finding speaks of the host, or of a path that ends there."""
    return host == finding.host or host in (finding.path or ())


def _joined(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]} together"


def _of(published: Published) -> Document:
    at_ns = published.estimate.at_ns
    return {"sequence": published.sequence, "at_ns": at_ns, "at": format_instant(at_ns)}


def time_json(published: Published, received_ns: int, sent_ns: int, doubt_ns: int | None) -> Document:
    """One exchange's two server stamps, as the receive and transmit timestamps of RFC 5905, in reference time."""
    estimate = published.estimate
    uncertainty, limit = reference_error(estimate)
    return {
        "schema": "noonmark.time/1",
        "received_ns": received_ns,
        "sent_ns": sent_ns,
        "estimate_at_ns": estimate.at_ns,
        "sequence": published.sequence,
        "references": [reference.host for reference in estimate.references],
        "reference_uncertainty_ns": uncertainty,
        "reference_limit_ns": limit,
        "late_by_ns": doubt_ns,
        **fleet_lock(published),
    }


def lock_json(facts: HostFacts | None) -> Document:
    """The state of a reference's own source, and in words what is not known of it or how long it is without one."""
    state = "unknown" if facts is None else facts.reference_state
    since = None if facts is None else facts.holdover_seconds
    if state == "unknown":
        return {"lock": "unknown", "lock_reason": LOCK_UNTOLD, "holdover_s": None}
    reason = "" if since is None else f"without its source for {format_age(round(since * 1e9))}"
    return {"lock": state, "lock_reason": reason, "holdover_s": since}


def fleet_lock(published: Published) -> Document:
    """The best state of any reference present: one that is locked carries the others."""
    estimate = published.estimate
    if not estimate.references:
        return {"lock": "unknown", "lock_reason": "no host is declared as the reference", "holdover_s": None}
    found = [lock_json(published.facts.get(reference.host)) for reference in estimate.references]
    return min(found, key=lambda lock: LOCKS.index(lock["lock"]))


def reference_error(estimate: FleetEstimate) -> tuple[float | None, float | None]:
    """Standard uncertainty and limit that the best reference present declares; None without references."""
    present = [
        reference
        for reference in estimate.references
        if reference.host in estimate.hosts and estimate.state[estimate.index(reference.host)] is HostState.REFERENCE
    ]
    best = min(present, key=lambda reference: reference.limit_ns, default=None)
    return (None, None) if best is None else (best.uncertainty_ns, best.limit_ns)


def span_json(now_ns: int | None, span: tuple[int, int] | None, *, history: bool, hosts: int) -> Document:
    """What time it is, and from when to when the past can be asked for."""
    return {
        "schema": "noonmark.span/1",
        "now_ns": now_ns,
        "history": history,
        "first_ns": span[0] if span else None,
        "last_ns": span[1] if span else None,
        "hosts": hosts,
    }


def findings_json(since_ns: int, until_ns: int, findings: Sequence[Finding], *, limit: int, history: bool) -> Document:
    """Findings in order of time, the newest `limit` of them; without a history only the latest estimate's."""
    shown = findings[-limit:]
    return {
        "schema": "noonmark.findings/1",
        "since_ns": since_ns,
        "until_ns": until_ns,
        "history": history,
        "total": len(findings),
        "findings": [finding_json(finding_view(finding)) for finding in shown],
    }
