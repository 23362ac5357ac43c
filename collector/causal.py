"""What messages prove: a request comes before its handling, and the handling before the reply. Pure.

Lines of different hosts that share an id speak of one exchange. Of two hosts, the one whose lines span longer, each by
its own clock, asked; the other served within that span: its first line came after the asker's first, its last before
the asker's last. (Spans need no agreement between clocks.) Where both have one line only, the host that is first in
most exchanges of the two, by the best estimate, is taken for the asker.

Cause i on host a, effect j on host b: b's clock, when i happened, had not passed j's reading, so

    x_b - x_a < (stamp_j + resolution_j) - stamp_i.

That is one more limit of the pair, valid then and, as clocks drift, less and less away from then. A limit that
contradicts what the probes prove is a finding about a clock, and tightens nothing. The two lines themselves are in
certain order by what they are, and an effect is placed behind its cause.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge, ClockMemory, HostTimes
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Finding, FindingKind, Float64, Int32, Int64
from noonmark.collector.verdicts import StampedEvents

DRIFT_LIMIT = 15e-6
"""Of each of the two clocks, for ageing a limit (RFC 5905's PHI)."""
_AGEING = 2 * DRIFT_LIMIT
_ROUNDS = 3
"""Times that places are handed on along chains of causes; a chain in the order of its places needs one."""


@dataclass(frozen=True, slots=True)
class Mention:
    """An id in a line."""

    identity: bytes
    host: int
    """Position in the knowledge's hosts."""
    stamp_ns: int
    resolution_ns: int


@dataclass(frozen=True, slots=True)
class CausalStep:
    """One cause and its effect on another host."""

    identity: bytes
    cause: Mention
    effect: Mention

    @property
    def greatest_ns(self) -> int:
        """x_effect - x_cause is less than this."""
        return self.effect.stamp_ns + self.effect.resolution_ns - self.cause.stamp_ns


def causal_steps(mentions: Iterable[Mention], knowledge: ClockKnowledge) -> list[CausalStep]:
    """Causes and effects among lines that share an id, for every two hosts of an exchange."""
    exchanges: dict[bytes, dict[int, tuple[Mention, Mention]]] = defaultdict(dict)
    for mention in mentions:
        if mention.host < 0:
            continue
        ends = exchanges[mention.identity].get(mention.host, (mention, mention))
        first = min(ends[0], mention, key=lambda each: each.stamp_ns)
        last = max(ends[1], mention, key=lambda each: each.stamp_ns)
        exchanges[mention.identity][mention.host] = (first, last)
    steps: list[CausalStep] = []
    lone: dict[tuple[int, int], list[tuple[Mention, Mention]]] = defaultdict(list)
    for identity, hosts in exchanges.items():
        ordered = sorted(hosts)
        for place, a in enumerate(ordered):
            for b in ordered[place + 1 :]:
                spans = [hosts[host][1].stamp_ns - hosts[host][0].stamp_ns for host in (a, b)]
                if spans[0] == spans[1]:
                    if spans[0] == 0:
                        lone[a, b].append((hosts[a][0], hosts[b][0]))
                    continue
                asker, server = (a, b) if spans[0] > spans[1] else (b, a)
                steps.append(CausalStep(identity, hosts[asker][0], hosts[server][0]))
                steps.append(CausalStep(identity, hosts[server][1], hosts[asker][1]))
    for pairs in lone.values():
        steps.extend(_by_majority(pairs, knowledge))
    return sorted(steps, key=lambda step: step.cause.stamp_ns)


def _by_majority(pairs: Sequence[tuple[Mention, Mention]], knowledge: ClockKnowledge) -> list[CausalStep]:
    """One line on each side: the host that is mostly first asked. An even split says nothing."""
    sides = []
    for side in (0, 1):
        host = pairs[0][side].host
        stamps = np.array([pair[side].stamp_ns for pair in pairs])
        widths = np.array([pair[side].resolution_ns for pair in pairs])
        sides.append(knowledge.host_times(host, stamps).reference_ns + widths // 2)
    votes = Counter(np.sign(sides[1] - sides[0]).tolist())
    if votes[1] == votes[-1]:
        return []
    cause = 0 if votes[1] > votes[-1] else 1
    return [CausalStep(pair[0].identity, pair[cause], pair[1 - cause]) for pair in pairs]


def contradictions(steps: Sequence[CausalStep], knowledge: ClockKnowledge) -> list[tuple[CausalStep, int]]:
    """Steps whose effect came certainly before their cause if the limits hold, and by how much (ns)."""
    if not steps:
        return []
    lower, _ = _limits_of(steps, knowledge)
    greatest = np.array([step.greatest_ns for step in steps])
    wrong = np.flatnonzero((lower > -UNBOUNDED_NS) & (greatest <= lower))
    return [(steps[row], int(lower[row] - greatest[row])) for row in wrong.tolist()]


def _limits_of(steps: Sequence[CausalStep], knowledge: ClockKnowledge) -> tuple[Int64, Int64]:
    cause = np.array([step.cause.host for step in steps], np.int32)
    effect = np.array([step.effect.host for step in steps], np.int32)
    at_ns = reference_of([step.cause for step in steps], knowledge)
    return knowledge.difference_limits(effect, cause, at_ns, at_ns)


def reference_of(mentions: Sequence[Mention], knowledge: ClockKnowledge) -> Int64:
    """Best estimates of when lines were stamped, on the reference's scale."""
    found = np.zeros(len(mentions), np.int64)
    hosts = np.array([mention.host for mention in mentions])
    stamps = np.array([mention.stamp_ns for mention in mentions], np.int64)
    for host in np.unique(hosts).tolist():
        rows = np.flatnonzero(hosts == host)
        found[rows] = knowledge.host_times(host, stamps[rows]).reference_ns
    return found


def findings_of(wrong: Sequence[tuple[CausalStep, int]], knowledge: ClockKnowledge) -> list[Finding]:
    """One finding for each pair of hosts that contradicts itself, with its worst case."""
    worst: dict[tuple[int, int], tuple[CausalStep, int]] = {}
    counts: Counter[tuple[int, int]] = Counter()
    for step, by_ns in wrong:
        pair = (step.cause.host, step.effect.host)
        counts[pair] += 1
        if pair not in worst or by_ns > worst[pair][1]:
            worst[pair] = (step, by_ns)
    found = []
    for pair, (step, by_ns) in worst.items():
        cause, effect = (knowledge.hosts[host] for host in pair)
        found.append(
            Finding(
                kind=FindingKind.LIAR,
                at_ns=step.cause.stamp_ns,
                text=f"{effect} logged {step.identity.decode('utf-8', 'replace')!r} before {cause} caused it, by "
                f"{by_ns / 1e6:.3f} ms beyond the limits ({counts[pair]} such exchanges): one of the two clocks was "
                "not where its probes put it, or the stamps were not taken when the lines say",
                path=(cause, effect),
                size_ns=by_ns,
                evidence={"exchanges": float(counts[pair])},
            )
        )
    return found


class CausalKnowledge:
    """Another knowledge, with the limits of pairs made tighter by causes and effects."""

    def __init__(self, base: ClockKnowledge, steps: Sequence[CausalStep]) -> None:
        """Steps that contradict the base are left out."""
        self._base = base
        wrong = {id(step) for step, _ in contradictions(steps, base)}
        sound = [step for step in steps if id(step) not in wrong]
        self._envelopes = _envelopes(sound, base)
        self._proved = {(*_line(step.cause), *_line(step.effect)) for step in sound}
        self._floors = _floors(sound, base)

    @property
    def hosts(self) -> tuple[str, ...]:
        """The base's."""
        return self._base.hosts

    def proved(self, first: StampedEvents, second: StampedEvents) -> Bool:
        """Which of these pairs are a cause and its own effect."""
        columns = (first.host, first.stamp_ns, second.host, second.stamp_ns)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        return np.array([row in self._proved for row in rows], np.bool_)

    def floors(self, host: int, stamp_ns: Int64) -> Int64:
        """Places before which events of a host, by their stamps, cannot stand; -UNBOUNDED_NS for most."""
        found = np.full(len(stamp_ns), -UNBOUNDED_NS)
        if host in self._floors:
            stamps, places = self._floors[host]
            row = np.minimum(np.searchsorted(stamps, stamp_ns), len(stamps) - 1)
            np.copyto(found, places[row], where=stamps[row] == stamp_ns)
        return found

    def host_times(
        self, host: int, clock_ns: Int64, memory: ClockMemory | None = None, *, uncertainty: bool = True
    ) -> HostTimes:
        """The base's: messages tell of pairs, not of the reference."""
        return self._base.host_times(host, clock_ns, memory, uncertainty=uncertainty)

    def difference_uncertainty(self, a: Int32, b: Int32, at_ns: Int64) -> Float64:
        """The base's."""
        return self._base.difference_uncertainty(a, b, at_ns)

    def difference_limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """The base's, and where messages tell more, theirs."""
        lower, upper = self._base.difference_limits(a, b, since_ns, until_ns)
        if not self._envelopes:
            return lower, upper
        for (first, second), envelope in self._envelopes.items():
            for rows, limit, sign in (
                (np.flatnonzero((a == first) & (b == second)), upper, 1),
                (np.flatnonzero((a == second) & (b == first)), lower, -1),
            ):
                if len(rows):
                    most = np.maximum(envelope.at(since_ns[rows]), envelope.at(until_ns[rows]))
                    limit[rows] = np.minimum(upper[rows], most) if sign > 0 else np.maximum(lower[rows], -most)
        return lower, upper


def _line(mention: Mention) -> tuple[int, int]:
    return mention.host, mention.stamp_ns


def _floors(steps: Sequence[CausalStep], base: ClockKnowledge) -> dict[int, tuple[Int64, Int64]]:
    """For effects that would stand before their causes: (stamps, places just behind the causes') by host."""
    if not steps:
        return {}
    places: dict[tuple[int, int], int] = {}
    for lines in ([step.cause for step in steps], [step.effect for step in steps]):
        middles = reference_of(lines, base) + np.array([line.resolution_ns // 2 for line in lines])
        places.update(zip(map(_line, lines), middles.tolist(), strict=True))
    raised: dict[tuple[int, int], int] = {}
    for _ in range(_ROUNDS):
        for step in sorted(steps, key=lambda step: places[_line(step.cause)]):
            least = places[_line(step.cause)] + 1
            if places[_line(step.effect)] < least:
                places[_line(step.effect)] = raised[_line(step.effect)] = least
    by_host: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for (host, stamp_ns), place in sorted(raised.items()):
        by_host[host].append((stamp_ns, place))
    return {host: (np.array([s for s, _ in rows]), np.array([p for _, p in rows])) for host, rows in by_host.items()}


@dataclass(frozen=True, slots=True)
class _Envelope:
    """The least of many limits, each of which rises with the time away from its own instant."""

    at_ns: Int64
    from_before: Int64
    """At each instant: the least of the limits up to it."""
    from_after: Int64

    def at(self, at_ns: Int64) -> Int64:
        """The limit at any instants."""
        last = len(self.at_ns) - 1
        before = np.searchsorted(self.at_ns, at_ns, side="right") - 1
        after = np.minimum(before + 1, last)
        base = np.maximum(before, 0)
        since = self.from_before[base] + _aged(at_ns - self.at_ns[base])
        until = self.from_after[after] + _aged(self.at_ns[after] - at_ns)
        return np.where(before < 0, until, np.where(before == last, since, np.minimum(since, until)))


def _aged(away_ns: Int64) -> Int64:
    return np.ceil(np.abs(away_ns) * _AGEING).astype(np.int64)


def _envelopes(steps: Sequence[CausalStep], base: ClockKnowledge) -> dict[tuple[int, int], _Envelope]:
    """For each pair (effect's host, cause's host) an upper limit of x_effect - x_cause over time."""
    at_ns = reference_of([step.cause for step in steps], base)
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row, step in enumerate(steps):
        groups[step.effect.host, step.cause.host].append(row)
    found = {}
    for pair, members in groups.items():
        rows = np.array(members)
        rows = rows[np.argsort(at_ns[rows], kind="stable")]
        instants = at_ns[rows]
        limit = np.array([steps[row].greatest_ns for row in rows.tolist()], np.int64)
        slope = _aged(instants - instants[0])
        before = np.minimum.accumulate(limit - slope) + slope
        after = np.minimum.accumulate((limit + slope)[::-1])[::-1] - slope
        found[pair] = _Envelope(instants, before + 1, after + 1)  # differences of roundings may miss one nanosecond
    return found
