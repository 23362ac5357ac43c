"""The file itself: whose it is, whole or not, older or newer, and what a killed writer leaves."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import pytest
from builders import START_NS
from courses import FERRY, TICK_NS, ticks

from noonmark.collector.history import HistoryError, open_history
from noonmark.collector.history_schema import APPLICATION_ID, VERSION, migration_statements
from noonmark.collector.history_sqlite import SqliteDatabase

SUPPORT = Path(__file__).resolve().parent.parent / "support"


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def filled(path: Path, count: int = 3) -> Path:
    with open_history(path) as history:
        for estimate in ticks(count):
            history.append(estimate)
    return path


def foreign_database(path: Path, application_id: int = 0) -> Path:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE tickets (id INTEGER PRIMARY KEY)")
    connection.execute(f"PRAGMA application_id = {application_id}")
    connection.commit()
    connection.close()
    return path


def refused_and_untouched(path: Path, complaint: str, *, read_only: bool = False) -> None:
    before = digest(path)
    with pytest.raises(HistoryError) as refusal:
        open_history(path, read_only=read_only)
    assert re.search(complaint, str(refusal.value))
    assert str(path) in str(refusal.value)
    assert "\n" not in str(refusal.value)
    assert digest(path) == before


@pytest.mark.parametrize("read_only", [False, True])
def test_a_foreign_file_is_refused_and_left_as_it_is(tmp_path: Path, read_only: bool) -> None:
    text = tmp_path / "notes"
    text.write_text("a ferry leaves at noon\n" * 50)

    refused_and_untouched(text, "no noonmark history, and was left as it is", read_only=read_only)
    refused_and_untouched(foreign_database(tmp_path / "tickets"), "another program|no noonmark", read_only=read_only)
    refused_and_untouched(foreign_database(tmp_path / "marked", 77), "another program", read_only=read_only)


def test_an_empty_file_becomes_a_history_but_not_for_a_reader(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.touch()

    refused_and_untouched(empty, "is empty", read_only=True)
    assert filled(empty).stat().st_size > 0


def test_a_reader_makes_nothing(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match="does not exist"):
        open_history(tmp_path / "none", read_only=True)
    with pytest.raises(HistoryError, match="is no folder: make it first"):
        open_history(tmp_path / "no" / "none")

    assert list(tmp_path.iterdir()) == []


def test_a_truncated_file_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = filled(tmp_path / "history", 200)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])

    refused_and_untouched(path, "damaged")
    refused_and_untouched(path, "damaged", read_only=True)


def test_a_file_with_broken_pages_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = filled(tmp_path / "history", 100)
    content = bytearray(path.read_bytes())
    for start in range(16_384, len(content), 16_384):
        content[start : start + 64] = b"\xff" * 64
    path.write_bytes(content)

    refused_and_untouched(path, "damaged")


def test_one_damaged_chunk_spoils_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "history"
    with open_history(path) as history:
        for estimate in ticks(130, tick_ns=30 * 10**9):
            history.append(estimate)
        history.tidy()
    connection = sqlite3.connect(path)
    first, body = connection.execute("SELECT min(id), body FROM host_chunk").fetchone()
    damaged = bytearray(body)
    damaged[len(damaged) // 2] ^= 0x40
    connection.execute("UPDATE host_chunk SET body = ? WHERE id = ?", (bytes(damaged), first))
    connection.commit()
    connection.close()

    with open_history(path) as history:
        with pytest.raises(HistoryError, match=r"span .*damaged"):
            history.at(FERRY[1].name, START_NS + 10**10)
        assert history.at(FERRY[1].name, START_NS + 3700 * 10**9).known
        for estimate in ticks(5, since_ns=START_NS + 3900 * 10**9):
            assert history.append(estimate)


def test_a_newer_file_is_refused(tmp_path: Path) -> None:
    path = filled(tmp_path / "history")
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()

    refused_and_untouched(path, f"the form {VERSION + 1}, newer than this noonmark knows")
    refused_and_untouched(path, f"the form {VERSION + 1}, newer", read_only=True)


def test_an_older_file_is_copied_and_brought_up_to_date(tmp_path: Path) -> None:
    path = filled(tmp_path / "history")
    migrations = {VERSION: ("CREATE TABLE later (id BIGINT PRIMARY KEY)", "INSERT INTO later VALUES (7)")}

    with pytest.raises(HistoryError, match="older form"):
        SqliteDatabase(path, read_only=True, version=VERSION + 1)
    database = SqliteDatabase(path, migrations=migrations, version=VERSION + 1)

    assert database.read("SELECT id FROM later") == [(7,)]
    assert database.read("SELECT count(*) FROM series WHERE kind = 'host'") == [(len(FERRY),)]
    database.close()
    copy = tmp_path / f"history.version-{VERSION}"
    with open_history(copy, read_only=True) as older:
        assert older.at(FERRY[1].name, START_NS).known


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    path = filled(tmp_path / "history")
    migrations = {VERSION: ("CREATE TABLE later (id BIGINT PRIMARY KEY)", "INSERT INTO nowhere VALUES (7)")}

    with pytest.raises(HistoryError, match="nowhere"):
        SqliteDatabase(path, migrations=migrations, version=VERSION + 1)

    with open_history(path) as history:
        assert history.at(FERRY[1].name, START_NS).known


def test_migrations_follow_one_another() -> None:
    steps = {1: ("a", "b"), 2: ("c",), 3: ("d",)}

    assert migration_statements(1, steps, 4) == ["a", "b", "c", "d"]
    assert migration_statements(3, steps, 4) == ["d"]
    with pytest.raises(KeyError):
        migration_statements(0, steps, 2)


def test_a_second_writer_is_kept_out(tmp_path: Path) -> None:
    path = tmp_path / "history"
    with open_history(path), pytest.raises(HistoryError, match="another collector"):
        open_history(path)
    open_history(path).close()


def test_the_header_says_whose_it_is(tmp_path: Path) -> None:
    head = filled(tmp_path / "history").read_bytes()[:100]

    assert int.from_bytes(head[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(head[60:64], "big") == VERSION


def test_a_write_that_fails_leaves_the_tick_out_whole(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as history:
        first, second = list(ticks(2))
        history.append(first)
        history._database.read("SELECT 1")
        connection = sqlite3.connect(tmp_path / "history")
        connection.execute(
            "CREATE TRIGGER full BEFORE INSERT ON host_block BEGIN SELECT RAISE(ABORT, 'disk full'); END"
        )
        connection.commit()

        with pytest.raises(HistoryError, match="disk full"):
            history.append(second)

        connection.execute("DROP TRIGGER full")
        connection.commit()
        connection.close()
        assert history.span() == (START_NS, START_NS)
        assert history.append(second)
        assert history.at(FERRY[3].name, second.at_ns).measured_ns == second.at_ns


WRITER = """
    import sys
    sys.path.insert(0, sys.argv[1])
    from courses import ticks, TICK_NS
    from builders import START_NS
    from noonmark.collector.history import open_history
    history = open_history(sys.argv[2])
    span = history.span()
    start = START_NS if span is None else span[1] + TICK_NS
    for estimate in ticks(4000, since_ns=start, tick_ns=TICK_NS):
        history.append(estimate)
        print(estimate.at_ns, flush=True)
"""


@pytest.mark.processes
def test_a_killed_writer_leaves_every_told_tick_and_a_whole_file(tmp_path: Path) -> None:
    """kill -9 at arbitrary moments, one writer after the other: what it said was kept is there."""
    path = tmp_path / "history"
    told = 0
    for lines in (7, 90, 201, 150):
        writer = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(WRITER), str(SUPPORT), str(path)], stdout=subprocess.PIPE, text=True
        )
        with writer:
            assert writer.stdout is not None
            for _ in range(lines):
                told = int(writer.stdout.readline())
            os.kill(writer.pid, signal.SIGKILL)
            rest = writer.stdout.read().split()
            told = int(rest[-1]) if rest else told

        with open_history(path, read_only=True) as history:
            span = history.span()
            assert span is not None
            assert span[0] == START_NS
            assert span[1] in (told, told + TICK_NS)
            assert history.at(FERRY[1].name, told).measured_ns == told
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()
    with open_history(path) as history:
        course = [point.at_ns for point in history.course(FERRY[1].name, None, START_NS, told + 1)]
    assert course == list(range(START_NS, told + 1, TICK_NS))


@pytest.mark.processes
def test_a_file_in_a_folder_that_cannot_be_written_is_read() -> None:
    """As another user reads it: whoever runs the tests as root gives that up in a process of its own."""
    folder = Path(tempfile.mkdtemp(prefix="noonmark-kept-"))
    path = filled(folder / "history")
    (folder / "history.lock").unlink()
    folder.chmod(0o555)
    path.chmod(0o444)
    program = f"""
        import os
        from noonmark.collector.history import open_history
        if os.getuid() == 0:
            os.setgid(65534), os.setuid(65534)
        print(open_history({str(path)!r}, read_only=True).span()[0])
    """

    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)], capture_output=True, text=True, check=False, timeout=60
    )

    folder.chmod(0o755)
    shutil.rmtree(folder)
    assert done.stdout.strip() == str(START_NS), done.stderr


def test_a_file_of_the_first_form_is_copied_and_takes_places(tmp_path: Path) -> None:
    path = filled(tmp_path / "history")
    connection = sqlite3.connect(path)  # the first form had no table of places
    connection.execute("DROP TABLE place")
    connection.execute("DROP TABLE path_snapshot")
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    before = open_history(tmp_path / "other")
    expected = [before.append(estimate) for estimate in ticks(3)] and before.at(FERRY[1].name, START_NS)
    before.close()

    with open_history(path) as history:
        assert history.at(FERRY[1].name, START_NS) == expected
        assert history.append(next(iter(ticks(1, since_ns=START_NS + 3 * TICK_NS))), {FERRY[1].name: ("quay", "gate")})
        assert history.places(START_NS + 3 * TICK_NS) == {FERRY[1].name: ("quay", "gate")}

    older = sqlite3.connect(tmp_path / "history.version-1")
    assert older.execute("PRAGMA user_version").fetchone() == (1,)
    assert older.execute("SELECT count(*) FROM sqlite_master WHERE name = 'place'").fetchone() == (0,)
    older.close()
