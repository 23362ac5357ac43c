"""Snapshots of all paths: bytes and back, pairs answered from them, and what was kept otherwise made into them."""

from __future__ import annotations

import sqlite3
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS
from courses import FERRY, PAIRS, TICK_NS, ticks
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.collector.estimate import FleetEstimate, Paths, Reference
from noonmark.collector.history import History, HistoryError, Retention, open_history
from noonmark.collector.history_codec import Damaged, seal
from noonmark.collector.history_columns import (
    COLUMNS,
    DRIFT,
    FLAGS,
    LOWER,
    OFFSET,
    PATHS,
    PROBES,
    ROUND_TRIP,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
)
from noonmark.collector.history_snapshot_codec import Snapshot, pack_snapshot, snapshot_of_paths, unpack_snapshot
from noonmark.collector.pairs import compare

HOUR_NS = 3600 * SECOND_NS
DAY_NS = 24 * HOUR_NS

limits = st.one_of(st.just(UNBOUNDED), st.integers(0, 10**12))
paths = st.lists(
    st.tuples(st.integers(-(10**13), 10**13), limits, limits, st.one_of(st.just(UNBOUNDED), st.integers(1, 10**14))),
    min_size=1,
    max_size=12,
)


def chain(rows: list[tuple[int, int, int, int]], own: int) -> tuple[Snapshot, np.ndarray]:
    """Paths along a chain of hosts, and which hosts (2, P) they join."""
    count = len(rows)
    ends = np.array([np.arange(count), np.arange(count) + 1]) * 3
    matrix = np.zeros((COLUMNS, count), np.int64)
    for place, (offset, below, above, uncertainty) in enumerate(rows):
        matrix[OFFSET, place] = offset
        matrix[LOWER, place] = -UNBOUNDED if below == UNBOUNDED else offset - below
        matrix[UPPER, place] = UNBOUNDED if above == UNBOUNDED else offset + above
        matrix[UNCERTAINTY, place] = uncertainty
        matrix[DRIFT, place] = offset // 10
        matrix[ROUND_TRIP, place] = 1_000 * (place + 1)
        matrix[PROBES, place], matrix[FLAGS, place] = place, place % 8
    snapshot = snapshot_of_paths(START_NS, np.arange(count) * 2, ends, matrix)
    return replace(snapshot, host_own=np.full(count + 1, own)), ends


@settings(max_examples=40)
@given(paths, st.one_of(st.just(UNBOUNDED), st.integers(0, 10**12)))
def test_a_snapshot_comes_back_never_surer(rows: list[tuple[int, int, int, int]], own: int) -> None:
    snapshot, ends = chain(rows, own)

    back = unpack_snapshot(pack_snapshot(snapshot), lambda _: ends)

    was, now = snapshot.matrix, back.matrix
    assert back.at_ns == snapshot.at_ns
    assert np.array_equal(back.paths, snapshot.paths)
    assert np.array_equal(back.hosts, snapshot.hosts)
    assert np.array_equal(back.host_offset_ns, snapshot.host_offset_ns)
    assert (back.host_own >= snapshot.host_own).all()
    assert (now[LOWER] <= was[LOWER]).all()
    assert (now[UPPER] >= was[UPPER]).all()
    assert (now[UNCERTAINTY] >= was[UNCERTAINTY]).all()
    assert (now[OFFSET] >= now[LOWER]).all()
    assert (now[OFFSET] <= now[UPPER]).all()
    assert (np.abs(now[DRIFT] - was[DRIFT]) <= 2 << 19).all()
    assert (now[ROUND_TRIP] <= was[ROUND_TRIP]).all()
    assert np.array_equal(now[[PROBES, FLAGS]], was[[PROBES, FLAGS]])


@given(st.integers(0, 10**6))
def test_changed_and_foreign_bytes_are_refused(place: int) -> None:
    snapshot, ends = chain([(5, 10, 10, 100), (7, 20, 20, 100)], 1)
    body = bytearray(pack_snapshot(snapshot))
    body[place % len(body)] ^= 0x41

    with pytest.raises(Damaged):
        unpack_snapshot(bytes(body), lambda _: ends)
    with pytest.raises(Damaged):
        unpack_snapshot(seal(b"\x07" + bytes(60)), lambda _: ends)
    with pytest.raises(Damaged):
        unpack_snapshot(pack_snapshot(snapshot)[:-3], lambda _: ends)


def fill(history: History, count: int, **options: int) -> list[FleetEstimate]:
    kept = list(ticks(count, **options))
    for estimate in kept:
        assert history.append(estimate)
    return kept


def same_pairs(history: History, at_ns: int) -> None:
    """Every pair as it is through the whole fleet of that moment, which is read quite otherwise."""
    whole = history.estimate_at(at_ns)
    assert whole is not None
    for a in FERRY:
        for b in FERRY:
            if a is b:
                continue
            told, through = history.pair_at(a.name, b.name, at_ns), compare(whole, a.name, b.name, at_ns=at_ns)
            assert told.known
            assert told.uncertainty_ns <= through.uncertainty_ns
            assert told.lower_ns >= through.lower_ns
            assert told.upper_ns <= through.upper_ns
            mesh = history.then(at_ns).pair(a.name, b.name)
            assert mesh == told
            truth = a.error_ns(at_ns) - b.error_ns(at_ns)
            assert told.lower_ns <= truth <= told.upper_ns


@pytest.mark.parametrize("at", [0.0, 3.2, 60.0, 121.7, 299.9, 400.0])
def test_a_pair_is_told_as_through_the_whole_fleet(tmp_path: Path, at: float) -> None:
    with open_history(tmp_path / "history") as history:
        fill(history, 60)
        same_pairs(history, START_NS + round(at * SECOND_NS))


def with_own(estimate: FleetEstimate, own_ns: float) -> FleetEstimate:
    return replace(estimate, own_ns=np.full(len(estimate.hosts), own_ns))


def test_what_is_each_hosts_own_is_kept_and_counts(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as history:
        kept = [with_own(estimate, 200.0) for estimate in ticks(30)]
        for estimate in kept:
            assert history.append(estimate)
        at_ns = kept[12].at_ns  # a snapshot's instant
        told = history.pair_at("quay-gate-1", "holm-db-1", at_ns)
        then = history.estimate_at(at_ns)

        assert then is not None
        assert then.own_ns is not None
        assert ((then.own_ns >= 200.0) & (then.own_ns <= 200.0 * 1.022)).all()
        live = compare(kept[12], "quay-gate-1", "holm-db-1").uncertainty_ns
        assert live <= told.uncertainty_ns <= live * 1.022 + 1


def test_past_the_last_tick_a_pair_grows_unsure_as_its_hosts_do(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as history:
        kept = [with_own(estimate, 200.0) for estimate in ticks(13)]
        for estimate in kept:
            assert history.append(estimate)
        last, later = kept[-1].at_ns, kept[-1].at_ns + 1_800 * SECOND_NS
        then = history.estimate_at(later)
        hosts = [history.at(host, later).uncertainty_ns for host in ("quay-gate-1", "holm-db-1")]
        at_last, at_later = (history.pair_at("quay-gate-1", "holm-db-1", at_ns) for at_ns in (last, later))

    assert then is not None
    assert then.own_ns is None
    assert at_later.uncertainty_ns > 20 * at_last.uncertainty_ns
    assert at_later.uncertainty_ns >= 0.7 * max(hosts)


def test_pairs_stay_tight_where_all_references_ran_free(tmp_path: Path) -> None:
    free = tuple(Reference(FERRY[row].name, 500.0, 1e6, 50_000.0) for row in (0, 2))
    with open_history(tmp_path / "history") as history:
        kept = [replace(with_own(estimate, 150.0), references=free) for estimate in ticks(30)]
        for estimate in kept:
            assert history.append(estimate)
        for at in (12, 24):  # instants of snapshots
            live = compare(kept[at], "quay-gate-1", "skerry-berth-1")
            told = history.pair_at("quay-gate-1", "skerry-berth-1", kept[at].at_ns)
            assert told.uncertainty_ns <= live.uncertainty_ns * 1.022 + 1
            assert told.lower_ns <= live.upper_ns
            assert live.lower_ns <= told.upper_ns


def test_where_it_was_not_kept_it_is_what_the_paths_leave(tmp_path: Path) -> None:
    """Derived from whole uncertainties, which are kept to 2.2 % upwards and are never below the truth of the parts."""
    with open_history(tmp_path / "one") as one, open_history(tmp_path / "other") as other:
        at_ns = START_NS + 12 * TICK_NS
        for estimate in ticks(30):
            resistance = [compare(estimate, host, None).uncertainty_ns for host in estimate.hosts]
            assert one.append(estimate)
            assert other.append(with_own(estimate, 0.0))
        derived = one.pair_at("quay-gate-1", "holm-db-1", at_ns).uncertainty_ns
        least = other.pair_at("quay-gate-1", "holm-db-1", at_ns).uncertainty_ns

        assert least <= derived <= np.sqrt(least**2 + sum(1.05 * each**2 for each in resistance[1:3]))


def test_paths_of_another_snapshot_nearby_count_too(tmp_path: Path) -> None:
    """Two collectors' ticks stand beside each other after a merge; each tells of its own paths."""
    with open_history(tmp_path / "history") as history:
        for number, estimate in enumerate(ticks(40, tick_ns=60 * SECOND_NS)):
            half = [0, 1] if number % 2 else [2, 3, 4]
            assert history.append(replace(estimate, paths=_rows(estimate.paths, half)))
        at_ns = START_NS + 605 * SECOND_NS
        whole = history.estimate_at(at_ns)

        assert whole is not None
        assert len(whole.paths.first) == len(PAIRS)
        same_pairs(history, at_ns)


def _rows(kept: Paths, rows: list[int]) -> Paths:
    return replace(
        kept,
        **{
            name: getattr(kept, name)[rows]
            for name in (
                "first",
                "second",
                "probes",
                "asked",
                "min_round_trip_ns",
                "offset_ns",
                "base_ns",
                "variance_ns2",
                "lower_ns",
                "upper_ns",
                "residual_ns",
            )
        },
        state=tuple(kept.state[row] for row in rows),
    )


def as_kept_before(path: Path, *, packed: bool) -> None:
    """Make of a history one of the form before snapshots: paths in blocks, or packed into chunks of an hour."""
    with open_history(path) as history:
        tables = history._tables
        span = history.span()
        assert span is not None
        found = tables.snapshots.between(0, span[1] + 1)
        with tables.database.write() as writing:
            for each in found:
                tables.put_tick(writing, PATHS, each.at_ns, each.paths, each.matrix)
            writing.execute("DELETE FROM path_snapshot")
        while packed and history._upkeep.pack_one_block(span[1] + 2 * HOUR_NS, PATHS):
            pass
    connection = sqlite3.connect(path)
    connection.execute("DROP TABLE path_snapshot")
    connection.execute("PRAGMA user_version = 2")
    connection.close()


def rows_of(path: Path, table: str) -> int:
    connection = sqlite3.connect(path)
    count = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    connection.close()
    return int(count)


@pytest.mark.parametrize("packed", [False, True])
def test_an_older_history_is_read_as_it_is_and_made_anew_bit_by_bit(tmp_path: Path, packed: bool) -> None:
    path, at_ns = tmp_path / "history", START_NS + 1_234 * SECOND_NS
    with open_history(path) as history:
        fill(history, 100, tick_ns=30 * SECOND_NS)
    as_kept_before(path, packed=packed)
    assert rows_of(path, "path_chunk" if packed else "path_block") > 0
    with open_history(path) as history:
        assert (tmp_path / "history.version-2").exists()
        before = history.pair_at("quay-gate-1", "holm-db-1", at_ns)
        same_pairs(history, at_ns)
        history.tidy()
    assert rows_of(path, "path_chunk") == rows_of(path, "path_block") == 0
    assert rows_of(path, "path_snapshot") == 50

    with open_history(path) as history:
        after = history.pair_at("quay-gate-1", "holm-db-1", at_ns)
        same_pairs(history, at_ns)
    width = before.upper_ns - before.lower_ns
    assert after.offset_ns == before.offset_ns
    assert 0 <= before.lower_ns - after.lower_ns <= width / 32
    assert 0 <= after.upper_ns - before.upper_ns <= width / 32


def test_new_ticks_beside_an_older_form_are_one_history(tmp_path: Path) -> None:
    path = tmp_path / "history"
    with open_history(path) as history:
        fill(history, 40, tick_ns=30 * SECOND_NS)
    as_kept_before(path, packed=False)

    with open_history(path) as history:
        fill(history, 40, since_ns=START_NS + 1_215 * SECOND_NS, tick_ns=30 * SECOND_NS)
        for at in (600, 1_190, 1_200, 1_230, 1_800):
            same_pairs(history, START_NS + at * SECOND_NS)


def test_old_snapshots_become_segments_bundle_by_bundle(tmp_path: Path) -> None:
    path = tmp_path / "history"
    with open_history(path, retention=Retention(detail_ns=6 * HOUR_NS, grace_ns=0)) as history:
        fill(history, 120, tick_ns=60 * SECOND_NS)
        fill(history, 2, since_ns=START_NS + 12 * HOUR_NS)
        history.tidy()
        for at in (1_000, 3_599, 6_000):
            at_ns = START_NS + at * SECOND_NS
            told = history.pair_at("quay-gate-1", "holm-db-1", at_ns)
            truth = FERRY[1].error_ns(at_ns) - FERRY[2].error_ns(at_ns)
            assert told.lower_ns <= truth <= told.upper_ns
            assert told.reason == ""
    assert rows_of(path, "path_thin") > 0
    assert rows_of(path, "path_snapshot") < 5


def test_a_damaged_snapshot_is_told_and_spoils_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "history"
    with open_history(path) as history:
        fill(history, 60)
    connection = sqlite3.connect(path)
    body = bytearray(connection.execute("SELECT body FROM path_snapshot ORDER BY at_ns LIMIT 1").fetchone()[0])
    body[len(body) // 2] ^= 1
    connection.execute(
        "UPDATE path_snapshot SET body = ? WHERE at_ns = (SELECT min(at_ns) FROM path_snapshot)", (bytes(body),)
    )
    connection.commit()
    connection.close()

    with open_history(path, read_only=True) as history:
        with pytest.raises(HistoryError, match="checksum"):
            history.pair_at("quay-gate-1", "holm-db-1", START_NS + SECOND_NS)
        assert history.at("quay-gate-1", START_NS + SECOND_NS).known
        assert history.pair_at("quay-gate-1", "holm-db-1", START_NS + 200 * SECOND_NS).known


@settings(max_examples=4, deadline=None)
@given(st.permutations(range(12)))
def test_snapshots_in_any_order_are_the_same_history(order: list[int]) -> None:
    kept = list(ticks(12, tick_ns=60 * SECOND_NS))
    at_ns = START_NS + 333 * SECOND_NS
    told = []
    for each in (range(12), order):
        with tempfile.TemporaryDirectory() as folder, open_history(Path(folder) / "history") as history:
            for number in each:
                assert history.append(kept[number])
            told.append(history.pair_at("quay-gate-1", "holm-db-1", at_ns))
    assert told[0] == told[1]
