from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS, Host, build
from click.testing import CliRunner, Result
from courses import FERRY, TICK_NS, estimate_of
from query_server import serving

from noonmark.collector.cli import main
from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import open_history
from noonmark.collector.state import State

GATE, DATABASE = FERRY[1].name, FERRY[2].name


@pytest.fixture(scope="module")
def history_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hundred ticks; a step of the berth at 200 s, and a liar's finding about the database at 300 s."""
    path = tmp_path_factory.mktemp("history") / "history"
    random = np.random.default_rng(4)
    with open_history(path) as history:
        for number in range(100):
            at_ns = START_NS + number * TICK_NS
            findings = []
            if number >= 40:
                step = Finding(
                    FindingKind.STEP, START_NS + 200 * SECOND_NS, "was set 7 ns on", FERRY[3].name, size_ns=7
                )
                findings.append(step)
            if 60 <= number < 70:
                findings.append(Finding(FindingKind.LIAR, at_ns, "its stamps contradict certain limits", DATABASE))
            history.append(estimate_of(FERRY, at_ns, random, findings=findings))
    return path


def ask(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["offset", *map(str, arguments)])


def test_a_past_moment_is_one_plain_sentence_and_its_numbers(history_file: Path) -> None:
    result = ask(GATE, DATABASE, "--history", history_file, "--at", "2026-11-25T06:56:05.5Z")

    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    sentence = " ".join(lines[: lines.index("")])
    assert sentence.startswith("quay-gate-1 was ahead of holm-db-1 by 2.60")
    assert "; certain within 2.60" in sentence
    assert "  at                           2026-11-25T06:56:05.500Z" in lines
    assert any(line.startswith("  certain limits               +26") for line in lines)


def test_the_other_way_round_it_is_behind(history_file: Path) -> None:
    result = ask(DATABASE, GATE, "--history", history_file, "--at", "@1795589763")

    assert "holm-db-1 was behind quay-gate-1 by" in result.stdout


def test_without_b_the_reference_is_meant_and_without_a_time_the_newest_moment(history_file: Path) -> None:
    result = ask(GATE, "--history", history_file)

    assert result.exit_code == 0
    assert "quay-gate-1 was ahead of the reference by" in result.stdout
    assert "2026-11-25T07:03:18.000Z" in result.stdout


def test_json_has_integers_and_the_sentence(history_file: Path) -> None:
    document = json.loads(ask(GATE, DATABASE, "--history", history_file, "--json").stdout)

    assert document["schema"] == "noonmark.offset/1"
    assert (document["a"], document["b"], document["known"]) == (GATE, DATABASE, True)
    for key in ("at_ns", "offset_ns", "uncertainty_ns", "lower_ns", "upper_ns", "measured_ns"):
        assert isinstance(document[key], int), key
    truth = FERRY[1].error_ns(document["at_ns"]) - FERRY[2].error_ns(document["at_ns"])
    assert document["lower_ns"] <= truth <= document["upper_ns"]
    assert document["sentence"].startswith("quay-gate-1 was ahead of holm-db-1")


def test_bad_news_is_exit_code_one(history_file: Path) -> None:
    during = ask(GATE, DATABASE, "--history", history_file, "--at", START_NS + 320 * SECOND_NS)
    before = ask(GATE, DATABASE, "--history", history_file, "--at", START_NS + 100 * SECOND_NS)
    others = ask(GATE, "--history", history_file, "--at", START_NS + 320 * SECOND_NS)

    assert (during.exit_code, before.exit_code, others.exit_code) == (1, 0, 0)
    assert "liar: holm-db-1: its stamps contradict certain limits" in during.stdout


def test_a_step_is_told_and_is_no_bad_news(history_file: Path) -> None:
    result = ask(FERRY[3].name, "--history", history_file, "--at", START_NS + 200 * SECOND_NS)

    assert result.exit_code == 0
    assert "06:58:23.000Z  step: skerry-berth-1: was set 7 ns on" in result.stdout


def test_not_known_is_an_answer_with_exit_code_three(history_file: Path) -> None:
    result = ask(GATE, "holm-db-9", "--history", history_file)

    assert result.exit_code == 3
    assert "is not known: no host named holm-db-9 is known; did you mean holm-db-1?" in " ".join(result.stdout.split())
    assert result.stderr == ""
    document = json.loads(ask(GATE, "holm-db-9", "--history", history_file, "--json").stdout)
    assert document["offset_ns"] is None
    assert not document["known"]


def test_a_course_has_a_plot_and_the_findings(history_file: Path) -> None:
    result = ask(FERRY[3].name, GATE, "--history", history_file, "--since", START_NS, "--until", START_NS + 10**12)

    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "100 estimates from 2026-11-25T06:55:03Z to 2026-11-25T07:03:18Z." in " ".join(lines[:2])
    assert sum("•" in line for line in lines) >= 3
    assert "step: skerry-berth-1: was set 7 ns on" in lines[-1]


def test_a_course_as_json_lines(history_file: Path) -> None:
    result = ask(GATE, DATABASE, "--history", history_file, "--json", "--since", START_NS, "--step", "1m")

    documents = [json.loads(line) for line in result.stdout.splitlines()]
    points = [document for document in documents if document["schema"] == "noonmark.offset/1"]
    assert [point["at_ns"] - START_NS for point in points] == [k * 60 * SECOND_NS for k in range(9)]
    assert [document["kind"] for document in documents if document["schema"] == "noonmark.finding/1"] == ["liar"]


def test_an_empty_course_says_why(history_file: Path) -> None:
    unknown = ask("nobody", "--history", history_file, "--since", START_NS)
    early = ask(GATE, "--history", history_file, "--since", START_NS - 10**13, "--until", START_NS - 10**12)

    assert (unknown.exit_code, early.exit_code) == (3, 3)
    assert "no host named nobody" in unknown.stderr
    assert "measured for the first time" in early.stderr


def test_one_against_all_is_a_table_largest_first(history_file: Path) -> None:
    result = ask(GATE, "--all", "--history", history_file)
    document = json.loads(ask(GATE, "--all", "--history", history_file, "--json").stdout)

    assert result.exit_code == 0
    rows = result.stdout.splitlines()[3:]
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert [row.split()[3] for row in rows] == ["holm-db-1", "quay-ref", "skerry-berth-1"]
    assert [pair["b"] for pair in document["pairs"]] == ["holm-db-1", "quay-ref", "skerry-berth-1"]


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--at", "2026-11-25T07:00:00"], "does not say its time zone"),
        (["--at", "yesterday"], "--at: 'yesterday' is no instant"),
        (["--at", "-5"], "an age needs a unit"),
        (["--at", "now", "--since", "-5m"], "use one or the other"),
        (["--until", "now"], "give --since as well"),
        (["--since", "1795589703", "--step", "5"], "--step: '5' is no length of time: it needs a unit; write 5s"),
        (["--since", "@5", "--until", "@4"], "--since must name a moment before --until"),
        (["holm-db-1", "--all"], "leave out B"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_two(history_file: Path, arguments: list[str], complaint: str) -> None:
    result = ask(GATE, *arguments, "--history", history_file)

    assert result.exit_code == 2
    assert result.stdout == ""
    assert complaint in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_an_unreadable_history_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("not a history " * 20)

    foreign, missing = ask(GATE, "--history", tmp_path / "notes"), ask(GATE, "--history", tmp_path / "none")

    assert (foreign.exit_code, missing.exit_code) == (2, 2)
    assert "is no noonmark history, and was left as it is" in foreign.stderr
    assert "does not exist" in missing.stderr


@pytest.mark.sockets
def test_a_collector_is_asked_for_now_and_for_ages() -> None:
    state = State(lambda: 0)
    state.publish(build([Host("quay-ref", uncertainty_ns=0), Host(GATE, 5_000)], references=["quay-ref"]))
    with serving(state) as address:
        now = ask(GATE, "--collector", address)
        aged = ask(GATE, "--collector", address, "--at", "-5m")
        future = ask(GATE, "--collector", address, "--at", START_NS + 10**12)

    assert now.exit_code == 0
    assert "quay-gate-1 is ahead of the reference by 5.0 µs ± 2.0 µs" in now.stdout
    assert (aged.exit_code, future.exit_code) == (3, 2)
    assert "this collector keeps no history" in aged.stderr
    assert "lies 17 min in the future" in future.stderr


@pytest.mark.sockets
def test_nobody_there_is_exit_code_three() -> None:
    result = ask(GATE, "--collector", "127.0.0.1:1", "--timeout", "3")

    assert result.exit_code == 3
    assert result.stderr == (
        "Error: no collector answers at 127.0.0.1:1; name another with --collector HOST:PORT, "
        "or read what was kept with --history FILE\n"
    )


@pytest.mark.sockets
def test_one_against_all_asks_the_collector_once() -> None:
    state = State(lambda: 0)
    state.publish(estimate_of(FERRY, START_NS, np.random.default_rng(1)))
    with serving(state) as address:
        result = ask(GATE, "--all", "--collector", address)
        unknown = ask("nobody", "--all", "--collector", address)

    assert result.exit_code == 0
    assert "IT IS" in result.stdout
    assert unknown.exit_code == 3
    assert "no host named nobody" in unknown.stderr
