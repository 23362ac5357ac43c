"""Clocks that were set by more than any steering explains, found before anything is dated by them. Pure.

Probes are dated by the clocks that made them. A clock that was set by seconds or hours within the window dates its own
probes that much wrong, so that neither slots nor lines can show when it was. But that it was set shows in any order:
two probes of one path whose limits exclude each other by more than the steering limit allows over the whole window
prove that one of both clocks did not run on. Which of them: the host most of whose paths are so torn. When: the other
hosts' clocks tell. Of such a host the probes on the asked side are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from noonmark.collector.change import Change
from noonmark.collector.estimate import Bool, Float64, Int64, ProbeColumns
from noonmark.collector.frames import FASTEST, NS, rough_offsets
from noonmark.collector.pairing import NEVER, Pairing, pair_up, rough_paths
from noonmark.collector.ramps import NEAR_SECOND_NS
from noonmark.collector.rows import choose
from noonmark.collector.rowwise import by_rows
from noonmark.collector.survey import Survey

MOST_SETTINGS = 3
"""A clock that jumps more often within a window was not set: its stamps are not true, and others judge that."""


@dataclass(frozen=True, slots=True)
class Jump:
    """One host's clock was set between two instants of reference time (rough clocks, ns)."""

    host: int
    size_ns: int
    after_ns: int
    before_ns: int
    half_trip_ns: float
    """How well its size is known."""
    later: bool
    """Whether what lies after it is kept."""

    def change(self, survey: Survey) -> Change:
        """The same as a change of that survey's node, by its epoch."""
        middle = self.after_ns + (self.before_ns - self.after_ns) // 2
        return Change(
            node=int(survey.anchors.node[self.host]),
            step=True,
            boundary_s=(middle - survey.frames.epoch_ns) / NS,
            size=float(self.size_ns),
            certainty=abs(self.size_ns) / max(self.half_trip_ns, 1.0),
            slot_s=max(self.before_ns - self.after_ns, 1) / NS,
        )


def without_jumps(
    probes: ProbeColumns, tick_ns: Int64, roots: Int64, at_ns: int | None
) -> tuple[ProbeColumns, tuple[Jump, ...]]:
    """The probes less those from beyond a clock's setting, seen from the asked instant (None: the newest).

    And the settings themselves. `roots` are the references' hosts; where two hosts alone can have been set, a reference
    has not. Laid out path by path.
    """
    laid, pairing = pair_up(probes)
    width, torn_by = _torn(laid, pairing, tick_ns)
    torn = width < -torn_by
    if not torn.any():
        return laid, ()
    hosts = len(probes.hosts)
    rough = rough_paths(laid, pairing)
    whole = ~torn
    offset, part = rough_offsets(
        hosts,
        pairing.first[whole],
        pairing.second[whole],
        rough.difference_ns[whole],
        rough.round_trip_ns[whole],
        roots,
    )
    suspects = _suspects(pairing, torn, hosts, roots)
    keep = np.ones(len(laid), dtype=bool)
    jumps: list[Jump] = []
    level: dict[int, _Level] = {}
    for host in suspects:
        own = [
            _Path(laid, pairing, int(path), host)
            for path in np.flatnonzero(torn & ((pairing.first == host) | (pairing.second == host)))
        ]
        known = [path for path in own if path.peer not in suspects] or own
        told = [path.settings(offset, float(torn_by[path.number]), at_ns, host in roots) for path in known]
        if not told or np.median([one.count for one in told]) > MOST_SETTINGS:
            continue
        for path, one in zip(known, told, strict=True):
            keep[path.rows[~one.kept]] = False
        level[host] = _Level(
            int(np.median([one.level_ns for one in told])),
            int(part[known[0].peer]),
            min(one.first_ns for one in told),
            max(one.last_ns for one in told),
        )
        after, before = max(one.after_ns for one in told), min(one.before_ns for one in told)
        jumps.append(
            Jump(
                host,
                int(np.median([one.size_ns for one in told])),
                min(after, before),
                max(after, before),
                float(np.median([one.half_trip_ns for one in told])),
                told[0].later,
            )
        )
    if not jumps:
        return laid, ()
    for host, here in level.items():
        for number in np.flatnonzero((pairing.first == host) | (pairing.second == host)):
            path = _Path(laid, pairing, int(number), host)
            if torn[number] and path.peer not in suspects:
                continue
            there = level.get(path.peer, _Level(int(offset[path.peer]), int(part[path.peer])))
            if there.part == here.part:
                allowed = float(torn_by[number])
                agreed = (path.lower <= here.offset_ns - there.offset_ns + allowed) & (
                    path.upper >= here.offset_ns - there.offset_ns - allowed
                )
                keep[path.rows[~(agreed & here.covers(path.own) & there.covers(path.when))]] = False
    for jump in jumps:
        if jump.host in roots or abs(abs(jump.size_ns) - NS) < NEAR_SECOND_NS:
            keep &= _beside(laid, offset, suspects, jump)
    return choose(laid, keep), tuple(jumps)


def _beside(probes: ProbeColumns, offset: Int64, suspects: list[int], jump: Jump) -> Bool:
    """Probes (N,) on the kept side of a reference's setting, or of a whole second's. Either that host was set, or all
    others were, as a leap second does: they then told that second twice, and the dates of what lies beyond are wrong
    by it."""
    doubtful = np.isin(probes.source, suspects)
    when = np.where(doubtful, probes.t2_ns - offset[probes.destination], probes.t1_ns - offset[probes.source])
    return np.asarray(when >= jump.before_ns if jump.later else when <= jump.after_ns)


def _torn(probes: ProbeColumns, pairing: Pairing, tick_ns: Int64) -> tuple[Int64, Float64]:
    """Least upper less greatest lower limit of each path's whole window, ns (P,), and how far below zero steered clocks
    can bring it."""

    def work(paths: slice) -> tuple[Int64, Float64]:
        rows, begins, _ = pairing.of(paths)
        lower, upper, first, second = _limits(probes, rows, pairing.forward[rows])
        least, greatest = np.minimum.reduceat(upper, begins), np.maximum.reduceat(lower, begins)
        spans = [np.maximum.reduceat(when, begins) - np.minimum.reduceat(when, begins) for when in (first, second)]
        ticks = tick_ns[pairing.first[paths]] + tick_ns[pairing.second[paths]]
        return least - greatest, 2 * FASTEST * np.minimum(*spans).astype(np.float64) + ticks

    width, allowed = by_rows(work, len(pairing), pairing.blocks())
    return width, allowed


def _limits(probes: ProbeColumns, rows: slice | Int64, forward: Bool) -> tuple[Int64, Int64, Int64, Int64]:
    """Lower and upper limits of y = x_second - x_first by some probes; and when, by the first's and second's clock."""
    t1, t2, t3, t4 = probes.t1_ns[rows], probes.t2_ns[rows], probes.t3_ns[rows], probes.t4_ns[rows]
    upper, lower = np.where(forward, t2 - t1, t4 - t3), np.where(forward, t3 - t4, t1 - t2)
    return lower, upper, np.where(forward, t1, t2), np.where(forward, t2, t1)


def _suspects(pairing: Pairing, torn: Bool, hosts: int, roots: Int64) -> list[int]:
    """Hosts with more than half of their paths torn, the most suspect first; its paths then speak against nobody."""
    open_, counted = torn.copy(), np.ones(len(torn), dtype=bool)
    handicap = np.ones(hosts)
    handicap[roots] = 0.999
    suspects: list[int] = []
    while open_.any():
        bad, all_ = (
            np.bincount(pairing.first[some], minlength=hosts) + np.bincount(pairing.second[some], minlength=hosts)
            for some in (open_, counted)
        )
        share = bad / np.maximum(all_, 1)
        score = np.where(2 * bad > all_, (bad + share) * handicap, 0.0)
        host = int(score.argmax())
        if score[host] == 0:
            break
        suspects.append(host)
        own = (pairing.first == host) | (pairing.second == host)
        open_[own] = counted[own] = False
    return suspects


@dataclass(frozen=True, slots=True)
class _Level:
    """A host's rough offset on the asked side, and when its kept probes were, by rough reference time."""

    offset_ns: int
    part: int
    first_ns: int = NEVER
    last_ns: int = -NEVER

    def covers(self, stamps_ns: Int64) -> Bool:
        """Which of its own stamps were taken then."""
        when = stamps_ns - self.offset_ns
        return np.asarray((when >= self.first_ns) & (when <= self.last_ns))


@dataclass(frozen=True, slots=True)
class _Settings:
    """What one torn path shows of its host, by rough reference time."""

    count: int
    kept: Bool
    level_ns: int
    """The host's offset on the asked side."""
    size_ns: int
    after_ns: int
    before_ns: int
    half_trip_ns: float
    later: bool
    first_ns: int
    last_ns: int
    """When the kept probes were."""


class _Path:
    """One path's probes, seen from one of its hosts."""

    def __init__(self, probes: ProbeColumns, pairing: Pairing, number: int, host: int) -> None:
        self.number = number
        self.rows = np.arange(int(pairing.starts[number]), int(pairing.starts[number + 1]))
        lower, upper, first, second = _limits(probes, self.rows, pairing.forward[self.rows])
        ahead = int(pairing.second[number]) == host
        self.peer = int(pairing.first[number] if ahead else pairing.second[number])
        # Of x_host - x_peer.
        self.lower, self.upper = (lower, upper) if ahead else (-upper, -lower)
        self.when, self.own = (first, second) if ahead else (second, first)

    def settings(self, offset: Int64, allowed_ns: float, at_ns: int | None, true: bool) -> _Settings:
        """Where the host was set, in the order that its peer's clock tells, and which probes are on the asked side.

        That is by the peer's rough clock; or by the host's own, if that is `true` time by declaration.
        """
        order = np.argsort(self.when, kind="stable")
        lower, upper = self.lower[order], self.upper[order]
        when = self.when[order] - offset[self.peer]
        up, down = lower[1:] - upper[:-1], lower[:-1] - upper[1:]
        jumps = np.flatnonzero(np.maximum(up, down) > allowed_ns)
        if len(jumps) == 0:
            # The peer's clock puts them in no order that shows it.
            return _Settings(
                MOST_SETTINGS + 1, np.ones(len(order), dtype=bool), 0, 0, NEVER, -NEVER, 0.0, True, NEVER, -NEVER
            )
        edges = np.concatenate([[0], jumps + 1, [len(order)]])
        passed = self.own[order] if true else when
        piece = len(jumps) if at_ns is None else int((passed[jumps + 1] <= at_ns).sum())
        middles, halves = zip(*(_middle(lower[a:b], upper[a:b]) for a, b in pairwise(edges.tolist())), strict=True)
        # The setting nearest to the asked side is the one that is told.
        last = max(piece, 1) - 1
        kept = np.zeros(len(order), dtype=bool)
        kept[order[edges[piece] : edges[piece + 1]]] = True
        return _Settings(
            len(jumps),
            kept,
            middles[piece] + int(offset[self.peer]),
            middles[last + 1] - middles[last],
            int(when[jumps[last]]),
            int(when[jumps[last] + 1]),
            halves[last] + halves[last + 1],
            piece > 0,
            int(when[edges[piece]]),
            int(when[edges[piece + 1] - 1]),
        )


def _middle(lower: Int64, upper: Int64) -> tuple[int, float]:
    """Middle of the quickest probe's limits, and half of its round trip."""
    quickest = int(np.argmin(upper - lower))
    low, high = int(lower[quickest]), int(upper[quickest])
    return low + (high - low) // 2, max(high - low, 0) / 2
