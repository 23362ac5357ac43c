from __future__ import annotations

import json
from pathlib import Path

import pytest
from builders import START_NS
from click.testing import CliRunner, Result
from courses import FERRY, TICK_NS, ticks

from noonmark.collector.cli import main
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
    return CliRunner().invoke(main, ["stability", *map(str, arguments)])


def test_the_table_fits_eighty_columns_and_says_what_it_is(history_file: Path) -> None:
    result = ask(GATE, "--history", history_file, "--plot")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "quay-gate-1 against the reference, 200 estimates, one each 5 s" in " ".join(lines)
    heading = next(line for line in lines if "TAU" in line)
    assert heading.split() == ["TAU", "ADEV", "INTERVAL", "MDEV", "TDEV", "MTIE", "NOISE"]
    assert any(line.lstrip().startswith("5 s ") and "white PM" in line for line in lines)
    assert any("time deviation (TDEV)" in line for line in lines)


def test_json_has_every_number(history_file: Path) -> None:
    result = ask(GATE, FERRY[2].name, "--history", history_file, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["schema"] == "noonmark.stability/1"
    assert (told["a"], told["b"], told["step_ns"], told["samples"]) == (GATE, FERRY[2].name, TICK_NS, 200)
    first = told["averaging_times"][0]
    assert first["tau_ns"] == TICK_NS
    # Two clocks whose estimates have 300 ns of white noise each: ADEV = sqrt(3) sigma sqrt(2) / tau (NIST SP 1065).
    assert first["adev"] == pytest.approx(3**0.5 * 300e-9 * 2**0.5 / 5, rel=0.15)
    assert first["adev_lower"] < first["adev"] < first["adev_upper"]
    assert first["noise_alpha"] == 2
    assert told["time_error"]["certain_max_ns"] > told["time_error"]["max_ns"] > 1_800_000


def test_a_span_and_a_step_of_ones_own(history_file: Path) -> None:
    result = ask(
        GATE, "--history", history_file, "--since", f"@{START_NS}ns", "--until", f"@{START_NS + 500 * 10**9}ns",
        "--step", "10s", "--json",
    )  # fmt: skip
    told = json.loads(result.stdout)
    assert (told["step_ns"], told["samples"]) == (10 * 10**9, 50)


def test_too_little_is_no_answer_and_says_why(history_file: Path) -> None:
    result = ask("quay-gate-9", "--history", history_file)
    assert result.exit_code == 3
    assert "no host named quay-gate-9 is known" in result.stderr
    result = ask(GATE, "--history", history_file, "--since", f"@{START_NS}ns", "--until", f"@{START_NS + 10**10}ns")
    assert result.exit_code == 3
    assert "only 2 estimates" in result.stderr


def test_wrong_use_is_one_line(history_file: Path) -> None:
    result = ask(GATE, "--history", history_file, "--since", "@5s", "--until", "@4s")
    assert result.exit_code == 2
    assert "--since must name a moment before --until" in result.stderr
    assert ask(GATE, "--history", history_file, "--step", "0s").exit_code == 2
