"""`noonmark demo`: what it draws where, and its wrong uses. Whole runs are in tests/integration/test_demo.py."""

from __future__ import annotations

import io

import pytest
from click.testing import CliRunner

from noonmark.lab import cli_demo
from noonmark.lab.cli_demo import Screen
from noonmark.lab.demo_fleet import ChildEnded


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_terminal_is_drawn_over_and_cleared(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    stream = Terminal()
    screen = Screen(stream)
    screen.show("1 s", ["a", "b"], 1.0)
    screen.show("2 s", ["c"], 2.0)
    screen.clear()
    screen.clear()
    assert stream.getvalue() == "1 s\na\nb\n\x1b[3A\x1b[J2 s\nc\n\x1b[2A\x1b[J"


def test_small_terminal_is_never_overfilled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "20")
    monkeypatch.setenv("LINES", "10")
    stream = Terminal()
    Screen(stream).show("progress", ["x" * 50] * 40, 0.0)
    lines = stream.getvalue().splitlines()
    assert len(lines) == 8
    assert max(map(len, lines)) == 20


def test_pipe_gets_a_plain_line_now_and_then() -> None:
    stream = io.StringIO()
    screen = Screen(stream)
    for second in range(25):
        screen.show(f"{second} s", ["a table"], float(second))
    screen.clear()
    assert stream.getvalue() == "0 s\n10 s\n20 s\n"
    assert screen.width == 80


class EndedAtOnce:
    """A fleet one of whose programs is gone."""

    def __init__(self, hosts: object, receivers: object) -> None:
        raise ChildEnded("the program of collector ended by itself (exit code 1): last words")


class NotStarted:
    def __init__(self, hosts: object, receivers: object) -> None:
        raise OSError("no free port at 127.0.0.1")


@pytest.mark.parametrize(("fleet", "code", "words"), [(EndedAtOnce, 1, "last words"), (NotStarted, 3, "no free port")])
def test_fleet_that_does_not_run_is_one_line(
    monkeypatch: pytest.MonkeyPatch, fleet: type, code: int, words: str
) -> None:
    monkeypatch.setattr(cli_demo, "DemoFleet", fleet)
    result = CliRunner().invoke(cli_demo.demo, ["--seconds", "5", "--json"])
    assert result.exit_code == code
    assert words in result.stderr
    assert result.stdout == ""


def test_wrong_use_is_exit_code_two() -> None:
    for arguments in (["--seconds", "0"], ["--seconds", "soon"], ["--seed", "-1"], ["--no-such"]):
        assert CliRunner().invoke(cli_demo.demo, arguments).exit_code == 2


def test_a_scene_that_does_not_exist_is_told() -> None:
    result = CliRunner().invoke(cli_demo.demo, ["--scene", "storm"])
    assert result.exit_code == 2
    assert "jammed" in result.stderr
