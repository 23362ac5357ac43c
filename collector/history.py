"""Every past moment: what is kept after each tick, and what is answered from it.

A `History` is one store, in an SQLite file or a PostgreSQL database; the tables are in history_tables.py, what is in
between two ticks in history_interpolation.py. Full detail is kept for the detailed retention: offsets to a sixty-fourth
of their uncertainty, limits rounded outwards by at most a 128th of their width; after that line segments that claim
less (history_thinning.py). Paths are kept once a minute, all of them in one piece with what pairs need of their hosts
(history_snapshot_codec.py): a pair is answered from the two snapshots beside the moment and its own two hosts' ticks.

Nothing is ever told surer than it was: see `History.at`.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import logging
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from noonmark.collector import history_answers as answers
from noonmark.collector.estimate import Finding, FleetEstimate, Int64, PairEstimate, Reference
from noonmark.collector.history_columns import HOSTS, PATHS, Kind, host_columns, path_columns
from noonmark.collector.history_database import Database, HistoryError
from noonmark.collector.history_fleet import Beside, PathsBeside, beside, paths_beside
from noonmark.collector.history_interpolation import DRIFT_LIMIT, SETTLED, Interpolated, Moments, between
from noonmark.collector.history_journal import Journal
from noonmark.collector.history_names import Names
from noonmark.collector.history_places import Place, Places
from noonmark.collector.history_postgresql import PostgresqlDatabase
from noonmark.collector.history_retention import Retention
from noonmark.collector.history_sampling import sample, span_edges, stretch
from noonmark.collector.history_snapshot_codec import own_of_hosts, snapshot_of
from noonmark.collector.history_sqlite import SqliteDatabase
from noonmark.collector.history_then import Asked, Then
from noonmark.collector.history_upheavals import Change, Upheaval, sort_out
from noonmark.collector.history_upkeep import Upkeep
from noonmark.proto.spelling import no_such_host

if TYPE_CHECKING:
    from noonmark.collector.history_mesh import PastMesh, Shapes

SECOND_NS = 10**9
NEAR_NS = 600 * SECOND_NS
"""Findings this near to a moment are told with it."""
log = logging.getLogger(__name__)

__all__ = ["History", "HistoryError", "Retention", "open_history"]


@dataclass(frozen=True, slots=True)
class Pace:
    """How often what is kept, and what counts as a gap."""

    snapshot_ns: int = 60 * SECOND_NS
    """Paths are kept once in this time."""
    reach_ns: int = 60 * SECOND_NS
    """Two ticks further apart than this have a gap between them: no probe of the later one is near the earlier."""
    drift_limit: float = DRIFT_LIMIT
    """At most this rate a clock leaves its line where nothing is measured, s/s."""


def open_history(
    location: str | Path,
    *,
    retention: Retention | None = None,
    pace: Pace | None = None,
    read_only: bool = False,
) -> History:
    """Open a store: a path, or a URL ``postgresql://…``; a new one is made unless `read_only`.

    Raises HistoryError for a foreign, damaged or newer store, which is left as it is, and for one that another
    collector writes. A reader may open one that a collector is writing.
    """
    database: Database
    if str(location).startswith(("postgresql://", "postgres://")):
        database = PostgresqlDatabase(str(location), read_only=read_only)
    else:
        database = SqliteDatabase(Path(location), read_only=read_only)
    return History(database, retention or Retention(), pace or Pace())


class History:
    """One store. `append` by one thread at a time; everything else by any thread, at any time."""

    def __init__(self, database: Database, retention: Retention, pace: Pace) -> None:
        self._database = database
        self._journal = Journal(database)
        self._names = Names(database)
        self._tables = self._names.tables
        self._places = Places(database)
        self._shapes: Shapes | None = None
        self._retention = retention
        self._pace = pace
        self._reach = {HOSTS.name: pace.reach_ns, PATHS.name: max(pace.reach_ns, 5 * pace.snapshot_ns // 2)}
        self._upkeep = Upkeep(self._tables, retention, self._reach)
        self._appending = threading.Lock()
        span = self._journal.span()
        self._newest_ns = span[1] if span else None

    def close(self) -> None:
        """Close the store. May be called twice."""
        self._database.close()

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- writing -------------------------------------------------------------------------------------------------

    def append(self, estimate: FleetEstimate, places: Mapping[str, Place] | None = None) -> bool:
        """Keep one tick, whole or not at all; an earlier instant than the last fills in.

        `places`: zone and role that hosts tell of themselves; what has changed is kept from this instant on.

        Returns False where the instant is older than the detailed retention: it is not kept. Raises HistoryError if it
        cannot be kept.
        """
        with self._appending:
            newest = estimate.at_ns if self._newest_ns is None else max(self._newest_ns, estimate.at_ns)
            if estimate.at_ns < newest - self._retention.detail_ns:
                return False
            self._write(estimate, places or {})
            self._newest_ns = newest
            self._upkeep.after_tick(newest, len(estimate.hosts) + len(estimate.paths.first))
            return True

    def _write(self, estimate: FleetEstimate, places: Mapping[str, Place]) -> None:
        keep_paths = len(estimate.paths.first) > 0 and self._snapshot_due(estimate.at_ns)
        with self._names.adding() as fresh, self._database.write() as writing:
            numbers = fresh.numbers(writing, HOSTS, [(host, "") for host in estimate.hosts])
            self._tables.put_tick(writing, HOSTS, estimate.at_ns, numbers, host_columns(estimate))
            if keep_paths:
                ends = [
                    (estimate.hosts[first], estimate.hosts[second])
                    for first, second in zip(estimate.paths.first, estimate.paths.second, strict=True)
                ]
                paths, matrix, turned = fresh.paths(writing, ends, path_columns(estimate))
                self._tables.snapshots.put(writing, [snapshot_of(estimate, numbers, paths, turned, matrix)])
            self._journal.extend_era(writing, estimate, self._pace.reach_ns)
            self._journal.add_findings(writing, estimate)
            changed = self._places.note(writing, estimate.at_ns, places)
        self._places.kept(changed)

    def _snapshot_due(self, at_ns: int) -> bool:
        last = self._tables.tick_beside(PATHS, at_ns, later=False)
        return last is None or last // self._pace.snapshot_ns != at_ns // self._pace.snapshot_ns

    def tidy(self, slices: int = 1_000_000) -> int:
        """Do all packing that is due now, at most so many slices; returns how many were done."""
        with self._appending:
            for done in range(slices):
                if self._newest_ns is None or not any(
                    [self._upkeep.pack_one_block(self._newest_ns), self._upkeep.renew_one_span(self._newest_ns)]
                    + [self._upkeep.thin_some(kind, self._newest_ns, 256) > 0 for kind in (HOSTS, PATHS)]
                ):
                    return done
        return slices

    # -- what there is -------------------------------------------------------------------------------------------

    def hosts(self) -> tuple[str, ...]:
        """Every host ever kept, by name."""
        return tuple(sorted(self._names.all_hosts()))

    def places(self, at_ns: int) -> dict[str, Place]:
        """Zone and role of every host that told any, as told up to then."""
        return self._places.at(at_ns)

    def span(self) -> tuple[int, int] | None:
        """The first and the last instant kept; None if there is none."""
        return self._journal.span()

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterator[Finding]:
        """What was found in [since, until], in order of time; of one host also what concerns its paths."""
        return self._journal.findings(since_ns, until_ns, host)

    def references(self, since_ns: int, until_ns: int) -> Iterator[tuple[Reference, ...]]:
        """What was declared of the references within [since, until), the latest declaration first."""
        moment = until_ns - 1
        while (era := self._journal.era_at(moment)) is not None and era.end_ns >= since_ns:
            yield era.references
            moment = era.start_ns - 1

    # -- one host, one pair --------------------------------------------------------------------------------------

    def at(self, host: str, at_ns: int) -> PairEstimate:
        """One host against the reference at a past moment, with findings near it.

        Between two ticks the limits hold what both say; across a gap and past the last tick they widen at the drift
        limit, which `reason` tells; at a setting of the clock only its own side counts.
        """
        return self._asked(host, at_ns).told

    def _asked(self, host: str, at_ns: int) -> Asked:
        number = self._names.host(host)
        if number is None:
            reason = self._never_kept(host)
            return Asked(PairEstimate(host, None, at_ns, False, reason, findings=self._near((host,), at_ns)))
        settings, upheavals = self._changes((host,), at_ns, at_ns)
        found = self._sampled(HOSTS, number, settings, upheavals, np.array([at_ns]))
        was_set = any(setting.at_ns <= at_ns for setting in settings)
        pair = answers.own(host, at_ns, found, 0, reach_ns=self._pace.reach_ns, was_set=was_set)
        return Asked(replace(pair, findings=self._near((host,), at_ns)), number, found)

    def pair_at(self, a: str, b: str | None, at_ns: int) -> PairEstimate:
        """a's clock minus b's at a past moment; `b` None is the reference.

        Its limits and uncertainty come from the paths between the two, as kept nearest to the moment; where none are,
        from each host's own, which `reason` tells.
        """
        return self.at(a, at_ns) if b is None else self.then(at_ns).pair(a, b)

    def pairs_at(self, a: str, at_ns: int) -> Iterator[PairEstimate]:
        """a against every other host of the fleet then, as `pair_at`, the fleet being read once."""
        then = self.then(at_ns)
        for b in then.hosts():
            if b != a:
                yield then.pair(a, b)

    def then(self, at_ns: int) -> Then:
        """A past moment of which several pairs are asked for."""
        return Then(
            at_ns,
            functools.partial(self._hosts_at, at_ns),
            functools.partial(self._mesh_at, at_ns),
            lambda host: self._asked(host, at_ns),
        )

    def course(
        self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0
    ) -> Iterator[PairEstimate]:
        """A host (`b` None) or a pair over [since, until): at each tick kept, at most one each `step_ns`.

        Limits of a pair are here those of its hosts' own, which needs no path, less what an only reference's error adds
        to both. Streams: no more than some hours are in memory. Findings are not told; see `findings`.
        """
        hosts = [host for host in (a, b) if host is not None]
        edges = span_edges(since_ns, until_ns)
        last: int | None = None
        for start, end in itertools.pairwise(edges):
            instants = self._instants(hosts, start, end)
            instants = answers.spaced(instants, since_ns, step_ns, last)
            if not len(instants):
                continue
            last = int(instants[-1])
            found = [columns for host in hosts if (columns := self._sample(host, instants)) is not None]
            eras = self._journal.eras(int(instants[0]), last) if b is not None else []
            own = [
                answers.owns(host, instants, columns, reach_ns=self._pace.reach_ns)
                for host, columns in zip(hosts, found, strict=True)
            ]
            if b is None:
                yield from own[0]
                continue
            common = answers.shared_course(found, instants, eras)
            for one, other, in_both in zip(*own, common, strict=True):
                yield answers.difference(one, other, common=in_both)

    def instants(self, host: str, since_ns: int, until_ns: int) -> Int64:
        """Instants in [since, until) at which the host, or a thinned line of it, was told of; rising."""
        return self._instants((host,), since_ns, until_ns)

    def columns(self, host: str, at_ns: Int64) -> Interpolated | None:
        """One host at many rising instants at once: history_columns' rows, and how each came about.

        None for a host that was never kept. Says nothing in words; `at` does.
        """
        return self._sample(host, at_ns) if len(at_ns) else None

    def _instants(self, hosts: Sequence[str], since_ns: int, until_ns: int) -> Int64:
        """Instants at which every one of the hosts, or a thinned line of it, was told of."""
        numbers = [self._names.host(host) for host in hosts]
        if None in numbers:
            return np.zeros(0, np.int64)
        kept = [stretch(self._tables, HOSTS, number, since_ns, until_ns) for number in numbers if number is not None]
        return np.unique(np.concatenate([part.at_ns for part in kept]))

    def _sample(self, host: str, instants: Int64) -> Interpolated | None:
        number = self._names.host(host)
        if number is None:
            return None
        settings, upheavals = self._changes((host,), int(instants[0]), int(instants[-1]))
        return self._sampled(HOSTS, number, settings, upheavals, instants)

    def _sampled(
        self, kind: Kind, number: int, settings: Sequence[Change], upheavals: Sequence[Upheaval], instants: Int64
    ) -> Interpolated:
        return sample(
            self._tables,
            kind,
            number,
            instants,
            settings,
            upheavals,
            reach_ns=self._reach[kind.name],
            drift_limit=self._pace.drift_limit,
        )

    def _changes(self, hosts: Sequence[str], since_ns: int, until_ns: int) -> tuple[list[Change], list[Upheaval]]:
        """Settings and upheavals of these hosts' clocks that may matter between the instants: a day beyond either."""
        day = 86_400 * SECOND_NS
        settings, upheavals = list[Change](), list[Upheaval]()
        for host in hosts:
            found = sort_out(self._journal.changes(host, since_ns - day, until_ns + day), self._pace.reach_ns)
            settings += found[0]
            upheavals += found[1]
        return sorted(settings, key=lambda setting: setting.at_ns), upheavals

    def _near(self, hosts: Sequence[str], at_ns: int) -> tuple[Finding, ...]:
        found = {
            (finding.kind, finding.host, finding.path, finding.at_ns): finding
            for host in hosts
            for finding in self._journal.findings(at_ns - NEAR_NS, at_ns + NEAR_NS, host)
        }
        return tuple(sorted(found.values(), key=lambda finding: finding.at_ns))

    def _never_kept(self, host: str) -> str:
        span = self.span()
        if span is None:
            return "the history is empty"
        return no_such_host(host, self.hosts())

    # -- the fleet -----------------------------------------------------------------------------------------------

    def estimate_at(self, at_ns: int) -> FleetEstimate | None:
        """The whole fleet and its paths at a past moment, as an estimate of that moment; None before the first tick."""
        era = self._journal.era_at(at_ns)
        if era is None:
            return None
        hosts, numbers = self._hosts_then(at_ns)
        names = [self._names.name(HOSTS, number)[0] for number in numbers.tolist()]
        near, paths = self._paths_then(at_ns)
        ends = [self._names.name(PATHS, number) for number in near.series.numbers.tolist()]
        findings = tuple(self._journal.findings(at_ns - self._pace.reach_ns, at_ns))
        settled = np.isin(hosts.how, SETTLED).all()  # else uncertainties have grown since
        own = own_of_hosts(numbers, near.snapshots) if settled else None
        return answers.fleet(at_ns, era, names, hosts.matrix, own, ends, paths, findings)

    def _hosts_at(self, at_ns: int) -> tuple[str, ...]:
        """Everyone of the fleet then, by name."""
        if self._journal.era_at(at_ns) is None:
            return ()
        _, numbers = self._hosts_then(at_ns)
        return tuple(sorted(self._names.name(HOSTS, number)[0] for number in numbers.tolist()))

    def _mesh_at(self, at_ns: int) -> PastMesh | None:
        """All paths then; nobody's own ticks are read for it."""
        era = self._journal.era_at(at_ns)
        if era is None:
            return None
        near, found = self._paths_then(at_ns)
        if not len(near.series.numbers):
            return None
        from noonmark.collector.history_mesh import Shapes, past_mesh  # brings sparse matrices, which only this needs

        if self._shapes is None:
            self._shapes = Shapes(self._names.ends)
        return past_mesh(at_ns, era, near.series.numbers, found, near.snapshots, self._shapes, self._names.host)

    def _hosts_then(self, at_ns: int) -> tuple[Interpolated, Int64]:
        """Every host that was told of about then, and their numbers."""
        found = beside(self._tables, HOSTS, self._names.count(HOSTS), at_ns, reach_ns=self._reach[HOSTS.name])
        return self._settled(HOSTS, at_ns, found), found.numbers

    def _paths_then(self, at_ns: int) -> tuple[PathsBeside, Interpolated]:
        """Every path that was told of about then."""
        found = paths_beside(self._tables, at_ns, reach_ns=self._reach[PATHS.name])
        return found, self._settled(PATHS, at_ns, found.series)

    def _settled(self, kind: Kind, at_ns: int, found: Beside) -> Interpolated:
        answer = between(
            found.before,
            found.after,
            at_ns,
            kind,
            reach_ns=self._reach[kind.name],
            drift_limit=self._pace.drift_limit,
        )
        self._mend_changed(kind, at_ns, found.numbers, found.before, found.after, answer)
        return answer

    def _mend_changed(
        self, kind: Kind, at_ns: int, numbers: Int64, before: Moments, after: Moments, answer: Interpolated
    ) -> None:
        """Ask anew, one by one, for those whose clocks were set, or changed their rate, near the moment."""
        earliest = int(before.at_ns[before.present].min(initial=at_ns))
        latest = int(after.at_ns[after.present].max(initial=at_ns))
        reach = self._reach[kind.name]
        changed = self._journal.hosts_changed(min(earliest, at_ns - reach) - reach, max(latest, at_ns + reach))
        if not changed:
            return
        clocks = numbers[None, :] if kind is HOSTS else self._names.ends(numbers)
        hosts = [number for host in changed if (number := self._names.host(host)) is not None]
        for place in np.flatnonzero(np.isin(clocks, hosts).any(axis=0)).tolist():
            number = int(numbers[place])
            ends = [name for name in self._names.name(kind, number) if name]
            with contextlib.suppress(HistoryError):
                settings, upheavals = self._changes(ends, at_ns, at_ns)
                one = self._sampled(kind, number, settings, upheavals, np.array([at_ns]))
                answer.matrix[:, place] = one.matrix[:, 0]
                answer.how[place], answer.measured_ns[place] = one.how[0], one.measured_ns[0]
