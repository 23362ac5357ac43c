"""Log lines that both people and programs can read."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator

import pytest

from noonmark.proto import logs


@pytest.fixture
def stream() -> Iterator[io.StringIO]:
    root, ours = logging.getLogger(), logging.getLogger("noonmark")
    before = (root.handlers[:], root.level, ours.level)
    yield io.StringIO()
    root.handlers[:] = before[0]
    root.setLevel(before[1])
    ours.setLevel(before[2])


def test_a_text_line_names_its_parts(stream: io.StringIO) -> None:
    logs.set_up("info", "text", stream)
    logging.getLogger("noonmark.agent.report").info("connected", extra={"fields": {"to": "a:1", "why": "at last"}})
    line = stream.getvalue()
    assert line.endswith('info agent.report: connected to=a:1 why="at last"\n')
    assert "Z info" in line


def test_a_json_line_is_an_object(stream: io.StringIO) -> None:
    logs.set_up("info", "json", stream)
    try:
        raise ValueError("odd")
    except ValueError:
        logging.getLogger("noonmark.x").exception("failed", extra={"fields": {"rows": 3}})
    line = json.loads(stream.getvalue())
    assert (line["level"], line["part"], line["message"], line["rows"]) == ("error", "x", "failed", 3)
    assert "ValueError: odd" in line["traceback"]


def test_a_level_holds_back_what_is_below_it(stream: io.StringIO) -> None:
    logs.set_up("warning", "text", stream)
    logging.getLogger("noonmark.x").info("quiet")
    assert stream.getvalue() == ""


def test_a_value_cannot_break_the_line(stream: io.StringIO) -> None:
    logs.set_up("info", "text", stream)
    logging.getLogger("noonmark.x").info("refused", extra={"fields": {"host": "a\nb", "empty": ""}})
    assert stream.getvalue().count("\n") == 1
    assert 'host="a\\nb" empty=""' in stream.getvalue()


@pytest.mark.parametrize("style", ["text", "json"])
def test_what_others_say_can_neither_break_the_line_nor_steer_a_terminal(stream: io.StringIO, style: str) -> None:
    said = "quay\u2028\u0085\x9b2J\u202eGößweg\n"
    logs.set_up("info", style, stream)
    logging.getLogger("noonmark.test").info("page refused", extra={"fields": {"path": said}})
    line = stream.getvalue().removesuffix("\n")
    assert line.isprintable()
    assert json.loads(line[line.index('"quay') :].removesuffix("}")) == said
