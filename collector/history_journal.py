"""Eras and findings: the few rows that say what the many belong to.

An *era* is a stretch of ticks without a gap and with the same references. A finding that goes on from tick to tick is
one row whose end moves; an event (a step, say) that several ticks tell of is one row too. `seen_ns` is the first tick
that knew of it: ticks between a step and that one may still rest on what was before.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, Reference
from noonmark.collector.history_database import Database, Row, Writing
from noonmark.collector.history_upheavals import WITHIN_NS, Change

SECOND_NS = 10**9
EVENTS = frozenset({FindingKind.STEP, FindingKind.SUSPEND, FindingKind.FREQUENCY_CHANGE, FindingKind.LEAP_OR_SMEAR})
"""Kinds that happen at an instant; the others last."""
CHANGES = (FindingKind.STEP, FindingKind.SUSPEND, FindingKind.FREQUENCY_CHANGE)
"""Kinds after which a host's clock is another line."""
SAME_EVENT_NS = 10 * SECOND_NS
"""Two tellings of one event may differ by this much in time."""
SAME_STATE_NS = 3 * SECOND_NS
"""A reference's state that began at another time is another state."""
PAUSE_NS = 120 * SECOND_NS
"""A finding that is told again after at most this long still lasts."""
_KINDS = frozenset(FindingKind)


@dataclass(frozen=True, slots=True)
class Era:
    """Ticks from start to end with no gap between them."""

    start_ns: int
    end_ns: int
    window_ns: int
    centre_age_ns: int
    """How far an estimate's instant lies after the middle of its probes; 0 where it was not told."""
    references: tuple[Reference, ...]


class Journal:
    """Eras and findings in one database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def era_at(self, at_ns: int) -> Era | None:
        """The era that an instant lies in or after; None before the first."""
        rows = self._database.read(f"{_ERA} WHERE start_ns <= ? ORDER BY start_ns DESC LIMIT 1", (at_ns,))
        return _era(rows[0]) if rows else None

    def eras(self, since_ns: int, until_ns: int) -> list[Era]:
        """Eras that touch [since, until], in order of time."""
        rows = self._database.read(
            f"{_ERA} WHERE start_ns <= ? AND end_ns >= ? ORDER BY start_ns", (until_ns, since_ns)
        )
        return list(map(_era, rows))

    def span(self) -> tuple[int, int] | None:
        """The first and last tick ever kept."""
        first, last = self._database.read("SELECT min(start_ns), max(end_ns) FROM era")[0]
        return None if first is None else (int(first), int(last))

    @staticmethod
    def extend_era(writing: Writing, estimate: FleetEstimate, reach_ns: int) -> None:
        """Count a tick in: lengthen the era before it, or begin one."""
        reference = _references_to_text(estimate.references)
        centre_age = max(0, estimate.at_ns - estimate.centre_ns) if estimate.centre_ns else 0
        rows = writing.read(f"{_ERA} WHERE start_ns <= ? ORDER BY start_ns DESC LIMIT 1", (estimate.at_ns,))
        if rows:
            start, end, _, _, known = rows[0]
            if estimate.at_ns <= end:
                return
            if known == reference and estimate.at_ns - end <= reach_ns:
                writing.execute(
                    "UPDATE era SET end_ns = ?, window_ns = ?, centre_age_ns = ? WHERE start_ns = ?",
                    (estimate.at_ns, estimate.window_ns, centre_age, start),
                )
                return
        writing.execute(
            "INSERT INTO era (start_ns, end_ns, window_ns, centre_age_ns, reference) VALUES (?, ?, ?, ?, ?)",
            (estimate.at_ns, estimate.at_ns, estimate.window_ns, centre_age, reference),
        )

    @staticmethod
    def add_findings(writing: Writing, estimate: FleetEstimate) -> None:
        """Keep a tick's findings, each once."""
        for finding in estimate.findings:
            _add(writing, finding, estimate.at_ns)

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterator[Finding]:
        """Those that touch [since, until], in order of time; of one host: also those of paths that end there.

        How long one lasted is in its evidence as ``lasted_s``.
        """
        about, parameters = "", [until_ns, since_ns]
        if host is not None:
            about = " AND (host = ? OR source = ? OR destination = ?)"
        rows = self._database.read(
            f"{_FINDING} WHERE at_ns <= ? AND until_ns >= ?{about} ORDER BY at_ns, id",
            [*parameters, *([host] * 3 if host is not None else [])],
        )
        for row in rows:
            if row[0] in _KINDS:  # a kind of a newer noonmark has no name here
                yield _finding(row)

    def changes(self, host: str, since_ns: int, until_ns: int) -> list[Change]:
        """When a host's clock was set, or changed its rate, within [since, until], in order of time."""
        rows = self._database.read(
            "SELECT kind, at_ns, seen_ns, evidence FROM finding WHERE host = ? AND source = '' AND destination = '' "
            f"AND kind IN ({', '.join('?' * len(CHANGES))}) AND at_ns >= ? AND at_ns <= ? ORDER BY at_ns",
            (host, *CHANGES, since_ns, until_ns),
        )
        return [_change(FindingKind(kind), int(at), int(seen), str(evidence)) for kind, at, seen, evidence in rows]

    def hosts_changed(self, since_ns: int, until_ns: int) -> set[str]:
        """Hosts whose clocks were set, or changed their rate, within [since, until]."""
        rows = self._database.read(
            f"SELECT DISTINCT host FROM finding WHERE kind IN ({', '.join('?' * len(CHANGES))}) "
            "AND at_ns >= ? AND at_ns <= ?",
            (*CHANGES, since_ns, until_ns),
        )
        return {str(row[0]) for row in rows} - {""}

    @staticmethod
    def forget(writing: Writing, before_ns: int) -> None:
        """Give up findings and eras that ended before an instant."""
        writing.execute("DELETE FROM finding WHERE until_ns < ?", (before_ns,))
        writing.execute("DELETE FROM era WHERE end_ns < ?", (before_ns,))


def _change(kind: FindingKind, at_ns: int, seen_ns: int, evidence: str) -> Change:
    if kind is FindingKind.FREQUENCY_CHANGE:
        rate = float(json.loads(evidence).get("change_ppb", 0.0)) / 1e9
        return Change(kind, at_ns, seen_ns, WITHIN_NS, rate)
    return Change(kind, at_ns, seen_ns, _within_ns(evidence))


def _within_ns(evidence: str) -> int:
    """How far from the instant told the clock may have been set; an event that a host itself told of is exact."""
    return round(float(json.loads(evidence).get("within_s", 0.0)) * SECOND_NS)


_ERA = "SELECT start_ns, end_ns, window_ns, centre_age_ns, reference FROM era"
_FINDING = "SELECT kind, host, source, destination, at_ns, until_ns, size_ns, text, evidence FROM finding"


def _references_to_text(references: Sequence[Reference]) -> str:
    return json.dumps(
        [
            [
                one.host,
                one.uncertainty_ns,
                one.limit_ns,
                *([one.drift_uncertainty_ppb] if one.drift_uncertainty_ppb else []),
            ]
            for one in references
        ]
    )


def _era(row: Row) -> Era:
    references = tuple(Reference(str(host), *map(float, numbers)) for host, *numbers in json.loads(row[4]))
    return Era(int(row[0]), int(row[1]), int(row[2]), int(row[3]), references)


def _add(writing: Writing, finding: Finding, tick_ns: int) -> None:
    source, destination = finding.path or ("", "")
    about = (str(finding.kind), finding.host or "", source, destination)
    event = finding.kind in EVENTS
    until_ns = finding.at_ns if event else max(tick_ns, finding.at_ns)
    slack = SAME_EVENT_NS if event else PAUSE_NS
    rows = writing.read(
        "SELECT id, at_ns, until_ns, size_ns, seen_ns, evidence FROM finding WHERE kind = ? AND host = ? "
        "AND source = ? AND destination = ? AND until_ns >= ? AND at_ns <= ? ORDER BY at_ns DESC",
        (*about, finding.at_ns - slack, until_ns + slack),
    )
    evidence = json.dumps(dict(finding.evidence))
    for number, at_ns, known_until, size_ns, seen_ns, told in rows:
        if event and not _same_size(size_ns, finding.size_ns):
            continue
        if finding.kind is FindingKind.REFERENCE_STATE and abs(finding.at_ns - int(at_ns)) > SAME_STATE_NS:
            continue
        if event and _within_ns(told) < _within_ns(evidence):  # what was told before says better when it was
            writing.execute("UPDATE finding SET seen_ns = ? WHERE id = ?", (min(int(seen_ns), tick_ns), number))
            return
        begins = finding.at_ns if event else min(int(at_ns), finding.at_ns)
        ends = until_ns if event else max(int(known_until), until_ns)
        writing.execute(
            "UPDATE finding SET at_ns = ?, until_ns = ?, seen_ns = ?, size_ns = ?, text = ?, evidence = ? WHERE id = ?",
            (begins, ends, min(int(seen_ns), tick_ns), _whole(finding.size_ns), finding.text, evidence, number),
        )
        return
    writing.execute(
        "INSERT INTO finding (kind, host, source, destination, at_ns, until_ns, seen_ns, size_ns, text, evidence) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*about, finding.at_ns, until_ns, tick_ns, _whole(finding.size_ns), finding.text, evidence),
    )


def _whole(value: int | None) -> int | None:
    return None if value is None else int(value)


def _same_size(one: int | None, other: int | None) -> bool:
    if one is None or other is None:
        return True
    return one == other or (one * other > 0 and max(abs(one), abs(other)) <= 2 * min(abs(one), abs(other)))


def _finding(row: Row) -> Finding:
    kind, host, source, destination, at_ns, until_ns, size_ns, text, evidence = row
    told = Finding(
        kind=FindingKind(kind),
        at_ns=int(at_ns),
        text=str(text),
        host=str(host) or None,
        path=(str(source), str(destination)) if source else None,
        size_ns=None if size_ns is None else int(size_ns),
        evidence={str(key): float(value) for key, value in json.loads(evidence).items()},
    )
    lasted = (int(until_ns) - int(at_ns)) / SECOND_NS
    return replace(told, evidence={**told.evidence, "lasted_s": lasted}) if lasted else told
