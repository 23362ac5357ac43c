from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from builders import START_NS
from click.testing import CliRunner, Result
from courses import FERRY, ticks

from noonmark.collector.cli import main
from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import open_history

GATE = FERRY[1].name


@pytest.fixture(scope="module")
def history_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "history"
    with open_history(path) as history:
        for tick in ticks(200):
            history.append(tick)
    return path


def ask(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["holdover", *map(str, arguments)])


def test_from_options_alone() -> None:
    """5 parts in 10^9 are 432 us after 24 hours: common practice, no source."""
    result = ask("--oscillator", "caesium", "--frequency", "5ppb", "--after", "24h", "--budget", "1ms", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["schema"] == "noonmark.holdover/1"
    assert told["host"] is None
    assert told["after"][0]["frequency_ns"] == pytest.approx(432_000, abs=1)
    assert told["after"][0]["uncertainty_ns"] == pytest.approx(432_000, rel=1e-3)
    assert told["leaves_ns"] == pytest.approx(86_400e9 * 1000 / 864, rel=1e-3)
    assert told["leaves_by_limit_ns"] == pytest.approx(86_400e9 * 1000 / (5 * 432), rel=1e-3)
    assert told["classes"]["quartz"]["leaves_ns"] < told["classes"]["ocxo"]["leaves_ns"]


def test_the_table_fits_eighty_columns() -> None:
    result = ask("--oscillator", "ocxo", "--budget", "100us", "--offset", "3us")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    text = " ".join(lines)
    assert "an oven-controlled quartz oscillator (ocxo), 3 µs ahead at the loss" in text
    assert "When it may leave ±100 µs: after 23.3 h (with U, k=2)" in text
    assert "ocxo (this)" in text
    assert "7 d" in text


def test_a_host_begins_from_what_was_known_of_it_and_of_its_own_stability(history_file: Path) -> None:
    result = ask(
        GATE, "--history", history_file, "--lost", f"@{START_NS + 900 * 10**9}ns", "--oscillator", "ocxo",
        "--budget", "1s", "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    at_loss = told["at_loss"]
    assert at_loss["drift_ppb"] == pytest.approx(12_000, rel=1e-3)
    assert at_loss["offset_ns"] == pytest.approx(1_840_000 + 12e-6 * 900e9, abs=3_000)
    assert told["lost_for_ns"] == 95 * 10**9
    assert told["now"]["expected_offset_ns"] == pytest.approx(at_loss["offset_ns"] + 12e-6 * 95e9, abs=5)
    assert told["learned"]["observed_ns"] == pytest.approx(900e9, abs=6e9)
    assert told["learned"]["allan_deviation"][0]["tau_ns"] == 5 * 10**9
    by_class = ask(
        GATE, "--history", history_file, "--lost", f"@{START_NS + 900 * 10**9}ns", "--oscillator", "ocxo",
        "--no-learning", "--json",
    )  # fmt: skip
    assert json.loads(by_class.stdout)["learned"] is None


def test_a_host_in_words(history_file: Path) -> None:
    result = ask(GATE, "--history", history_file, "--lost", f"@{START_NS + 900 * 10**9}ns", "--budget", "trading")
    assert result.exit_code == 1
    text = " ".join(result.stdout.split())
    assert "Its source was lost 95 s ago: by now it may be wrong by" in text
    assert "differences between hosts stay as they are" in text
    assert "When it may leave ±100 µs: already now" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--frequency", "5"], "--frequency '5': use a fraction"),
        (["--ageing", "fast"], "--ageing 'fast': use a fraction"),
        (["--budget", "soon"], "--budget 'soon'"),
        (["--after", "later"], "--after"),
        (["--uncertainty", "-5us"], "--uncertainty '-5us': use a span that is not negative"),
        (["--offset", "far"], "--offset 'far'"),
        (["--lost", "-5m"], "speak of a host"),
        (["--oscillator", "hourglass"], "hourglass"),
    ],
)
def test_wrong_use_is_told(arguments: list[str], words: str) -> None:
    result = ask(*arguments)
    assert result.exit_code == 2
    assert words in result.stderr


def test_an_unknown_host_is_no_answer(history_file: Path) -> None:
    result = ask("quay-gate-9", "--history", history_file)
    assert result.exit_code == 3
    assert "no host named quay-gate-9" in result.stderr


def test_a_reference_that_told_when_it_lost_its_source_is_asked_of_that_moment(tmp_path: Path) -> None:
    lost_ns = START_NS + 600 * 10**9
    with open_history(tmp_path / "history") as store:
        for number, tick in enumerate(ticks(200)):
            told = Finding(FindingKind.REFERENCE_STATE, lost_ns, "is in holdover", GATE, evidence={"state_s": 1.0})
            store.append(replace(tick, findings=(told,)) if number >= 120 else tick)
    told = json.loads(ask(GATE, "--history", tmp_path / "history", "--json").stdout)
    assert told["lost_for_ns"] == 199 * 5 * 10**9 - 600 * 10**9
    assert told["at_loss"]["offset_ns"] == pytest.approx(1_840_000 + 12e-6 * 600e9, abs=3_000)


def state(since_ns: int, text: str) -> Finding:
    return Finding(FindingKind.REFERENCE_STATE, since_ns, text, GATE, evidence={"state_s": 1.0})


def test_each_state_of_a_reference_is_kept_by_itself(tmp_path: Path) -> None:
    """It ran free before it had a source, and lost that a minute later: the loss is the second beginning."""
    began_ns, lost_ns = START_NS + 20 * 10**9, START_NS + 100 * 10**9
    with open_history(tmp_path / "history") as store:
        for number, tick in enumerate(ticks(40)):
            wobble_ns = number % 3 * 200_000_000
            told = state(began_ns + wobble_ns, "runs free") if number <= 10 else state(lost_ns + wobble_ns, "is held")
            store.append(replace(tick, findings=(told,)) if number >= 4 and not 10 < number < 20 else tick)
        found = list(store.findings(START_NS, START_NS + 400 * 10**9, GATE))
    assert [(one.at_ns, one.text) for one in found] == [
        (pytest.approx(began_ns, abs=200_000_000), "runs free"),
        (pytest.approx(lost_ns, abs=200_000_000), "is held"),
    ]
    assert found[0].evidence["lasted_s"] == pytest.approx(30.0, abs=0.5)
    told = json.loads(ask(GATE, "--history", tmp_path / "history", "--json").stdout)
    assert told["lost_for_ns"] == pytest.approx(39 * 5 * 10**9 - 100 * 10**9, abs=200_000_000)


def test_a_reference_that_had_no_source_before_anything_was_kept_is_known_from_then_on(tmp_path: Path) -> None:
    with open_history(tmp_path / "history") as store:
        for tick in ticks(40):
            store.append(replace(tick, findings=(state(START_NS - 60 * 10**9, "runs free"),)))
    told = json.loads(ask(GATE, "--history", tmp_path / "history", "--json").stdout)
    assert told["lost_for_ns"] == 39 * 5 * 10**9 + 60 * 10**9
    assert told["at_loss"]["offset_ns"] == pytest.approx(1_840_000, abs=3_000)
