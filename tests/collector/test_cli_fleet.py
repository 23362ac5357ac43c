from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from builders import START_NS, Host, build, ferry
from click.testing import CliRunner, Result
from query_server import serving

from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.cli import main
from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import open_history
from noonmark.collector.state import HostFacts, State

LIAR = Finding(FindingKind.LIAR, START_NS, "its stamps contradict certain limits", host="holm-db-1")


def ask(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["fleet", *map(str, arguments)])


@pytest.fixture
def history_file(tmp_path: Path) -> Path:
    with open_history(tmp_path / "history") as history:
        history.append(ferry())
        history.append(ferry(START_NS + 10**10, findings=[LIAR]))
    return tmp_path / "history"


def test_the_fleet_worst_first_at_80_columns(history_file: Path) -> None:
    result = ask("--history", history_file, "--at", START_NS)

    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Furthest apart: quay-gate-2 is ahead of holm-db-1 by 1.84 ms")
    assert "At 2026-11-25T06:55:03.000Z (reference time)." in lines
    names = [line.split()[0] for line in lines[lines.index("") + 2 :][:6]]
    assert names[0] == "quay-gate-2"
    assert names[-1] == "skerry-gate-1"
    assert "\x1b" not in result.stdout


def test_bad_news_is_exit_code_one_and_told(history_file: Path) -> None:
    result = ask("--history", history_file)

    assert result.exit_code == 1
    assert "liar: holm-db-1: its stamps contradict certain limits" in result.stdout


def test_paths_are_listed_when_asked_for(history_file: Path) -> None:
    without, with_paths = ask("--history", history_file), ask("--history", history_file, "--paths")

    assert "ROUND TRIP" not in without.stdout
    assert "ROUND TRIP" in with_paths.stdout
    assert "asymmetric" in with_paths.stdout


def test_json_is_the_whole_fleet(history_file: Path) -> None:
    document = json.loads(ask("--history", history_file, "--json", "--paths").stdout)

    assert document["schema"] == "noonmark.fleet/1"
    assert document["references"] == ["quay-ref", "skerry-ref"]
    assert len(document["hosts"]) == 6
    assert len(document["paths"]) == 7
    assert document["findings"][0]["kind"] == "liar"


def test_budgets_are_told_worst_first_with_what_is_left_and_for_how_long(history_file: Path) -> None:
    result = ask("--history", history_file, "--at", START_NS, "--budget", "1ms")

    assert result.exit_code == 1, "a host is out of the budget that was asked for"
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("1 host is out of budget: quay-gate-2 ahead by 1.840 ms")
    heading, first, *rest = lines[lines.index("") + 1 :][:7]
    assert heading.split()[:2] == ["HOST", "BUDGET"]
    assert re.search(r"^quay-gate-2 +out 1.9x ", first)
    assert {"stale", "reference"} <= {row.split()[1] for row in rest}
    kept = ask("--history", history_file, "--at", START_NS, "--budget", "1s")
    assert "100 % left" in kept.stdout


def test_who_leaves_its_budget_soon_is_told_with_its_interval(tmp_path: Path) -> None:
    hosts = [Host("quay-gate-1", 400_000, drift=1e-6, drift_uncertainty=1e-8), Host("quay-gate-2")]
    with open_history(tmp_path / "history") as history:
        history.append(build(hosts))
    text = " ".join(ask("--history", tmp_path / "history", "--budget", "1ms").stdout.split())
    # 600 µs of room at 1 µs/s; the uncertainties are 2 µs and 0.02 µs/s (k=2).
    assert "these leave their budget: quay-gate-1 in 10 min (9.8 min to 10 min)." in text
    document = json.loads(ask("--history", tmp_path / "history", "--budget", "1ms", "--json").stdout)
    forecast = document["hosts"][0]["budget"]["forecast"]
    assert forecast["expected_s"] == pytest.approx(600)
    assert forecast["earliest_s"] == pytest.approx(598 / 1.02)
    assert forecast["latest_s"] == pytest.approx(602 / 0.98, rel=1e-4)
    assert document["fitness"] == {"within": 2, "out": 0, "cannot-be-shown": 0}


def test_a_budget_that_is_none_is_one_line(history_file: Path) -> None:
    result = ask("--history", history_file, "--budget", "soon")

    assert result.exit_code == 2
    assert result.stderr.startswith("Error: --budget soon: ")


def test_before_the_history_begins_is_exit_code_three(history_file: Path) -> None:
    result = ask("--history", history_file, "--at", START_NS - 10**12)

    assert result.exit_code == 3
    assert result.stderr == ("Error: no estimate at 2026-11-25T06:38:23Z: the history begins at 2026-11-25T06:55:03Z\n")


def test_an_empty_history_is_exit_code_three(tmp_path: Path) -> None:
    open_history(tmp_path / "history").close()

    result = ask("--history", tmp_path / "history")

    assert result.exit_code == 3
    assert "the history is empty" in result.stderr


@pytest.mark.sockets
def test_a_collector_tells_now_with_zones() -> None:
    state = State(lambda: 0)
    state.publish(ferry(), {"quay-gate-2": HostFacts("quay", "gate")})
    with serving(state) as address:
        table = ask("--collector", address)
        document = json.loads(ask("--collector", address, "--json").stdout)
    with serving(state, budgets=Budgets((parse_rule("gates:1ms=role:gate"),))) as address:
        held = ask("--collector", address)

    assert table.exit_code == held.exit_code == 0
    assert document["hosts"][2]["budget"] is None
    assert "1 host is out of budget: quay-gate-2 ahead by 1.840 ms" in " ".join(held.stdout.split())
    assert re.search(r"^quay-gate-2 +out 1.9x ", held.stdout, re.M)
    assert "quay-gate-2" in table.stdout
    assert document["hosts"][2]["zone"] == "quay"


@pytest.mark.sockets
def test_an_empty_fleet_is_exit_code_three() -> None:
    state = State(lambda: 0)
    state.publish(build([]))
    with serving(state) as address:
        result = ask("--collector", address)

    assert result.exit_code == 3
    assert "no host is known yet" in result.stderr


@pytest.mark.sockets
@pytest.mark.processes
def test_a_plain_install_asks_without_numpy_and_says_what_history_needs(history_file: Path) -> None:
    """Run as a program whose imports of the extra's libraries fail, as they would where they are not installed."""
    state = State(lambda: 0)
    state.publish(ferry())
    blocked = "import sys; [sys.modules.__setitem__(n, None) for n in ('numpy', 'scipy', 'zstandard')]; "
    program = blocked + "from noonmark.collector.cli import main; main()"

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", program, *arguments],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
            env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        )

    with serving(state) as address:
        fleet = run("fleet", "--collector", address)
        offset = run("offset", "quay-gate-2", "holm-db-1", "--collector", address)
    offline = run("fleet", "--history", str(history_file))

    assert fleet.returncode == offset.returncode == 0, fleet.stderr + offset.stderr
    assert "quay-gate-2 is ahead of holm-db-1" in offset.stdout
    assert offline.returncode == 2
    assert "pip install 'noonmark[collector]'" in offline.stderr


def test_an_old_estimate_does_not_say_that_all_is_well_now() -> None:
    now_ns = [0]
    state = State(monotonic_ns=lambda: now_ns[0])
    state.publish(ferry())
    with serving(state) as address:
        asked = ("--collector", address, "--budget", "1s")
        well = json.loads(ask(*asked, "--json").stdout)
        now_ns[0] = 10 * 60 * 10**9
        old, text = json.loads(ask(*asked, "--json").stdout), ask(*asked).stdout

    assert well["freshness"] == {"state": "current", "at_least_ns": 0}
    assert old["freshness"] == {"state": "old", "at_least_ns": 10 * 60 * 10**9}
    assert (well["verdict"]["state"], old["verdict"]["state"]) == ("cannot-be-shown", "cannot-be-shown")
    silence = "Nothing has been measured for 10 min. "
    assert old["verdict"]["text"].startswith(f"{silence}No host is shown to be out of budget, but 4 ")
    assert " ".join(text.split()).startswith(old["verdict"]["text"])


def test_a_moment_that_was_asked_for_is_past_and_not_old(history_file: Path) -> None:
    for words in (("--at", START_NS), ()):
        document = json.loads(ask("--history", history_file, *words, "--json").stdout)
        assert document["freshness"] == {"state": "past", "at_least_ns": 0}
