"""One table of options, four layers, one parser: who wins, and what a fault says."""

from __future__ import annotations

from typing import Any

import pytest

from noonmark.proto import options
from noonmark.proto.options import ConfigError, HostPort, Option, gather

TABLE = (
    Option("host", "name", default="here"),
    Option("report-interval", "span", options.span_between("100ms", "1h"), 5.0, "SPAN"),
    Option("collector", "where", options.host_port(18621), (), "HOST:PORT", many=True),
    Option("loud", "switch", default=False, flag=True),
    Option("metrics", "where", options.or_off(options.host_port()), None, "ADDRESS:PORT"),
)


def settle(
    flags: dict[str, Any] | None = None,
    environment: dict[str, str] | None = None,
    document: dict[str, Any] | None = None,
) -> dict[str, options.Setting]:
    return gather(
        TABLE,
        flags=flags or {},
        environment=environment or {},
        prefix="NOONMARK_AGENT",
        document=document,
        document_name="agent.toml",
    )


def test_flags_win_over_environment_over_file_over_default() -> None:
    document = {"host": "file", "report_interval": 1}
    environment = {"NOONMARK_AGENT_HOST": "environment"}
    assert settle()["host"] == options.Setting("here", "default")
    assert settle(document=document)["host"] == options.Setting("file", "file agent.toml")
    settings = settle(environment=environment, document=document)
    assert settings["host"] == options.Setting("environment", "environment NOONMARK_AGENT_HOST")
    settings = settle({"host": "flag"}, environment, document)
    assert settings["host"] == options.Setting("flag", "command line")
    assert settings["report_interval"].value == 1.0


def test_many_values_come_as_repeats_words_or_a_list() -> None:
    two = (HostPort("a", 1), HostPort("::1", 18621))
    assert settle({"collector": ("a:1", "[::1]")})["collector"].value == two
    assert settle(environment={"NOONMARK_AGENT_COLLECTOR": "a:1, [::1]"})["collector"].value == two
    assert settle(document={"collector": ["a:1", "[::1]"]})["collector"].value == two


def test_an_empty_variable_is_as_good_as_none() -> None:
    assert settle(environment={"NOONMARK_AGENT_HOST": ""})["host"].value == "here"


def test_switches_and_off() -> None:
    assert settle(environment={"NOONMARK_AGENT_LOUD": "yes"})["loud"].value is True
    assert settle({"loud": False}, {"NOONMARK_AGENT_LOUD": "yes"})["loud"].value is False
    assert settle(document={"metrics": "off"})["metrics"].value is None


@pytest.mark.parametrize(
    ("layers", "text"),
    [
        ({"document": {"report_interva": 1}}, "agent.toml: report_interva = 1: .*did you mean report_interval"),
        ({"document": {"report_interval": "soon"}}, "agent.toml: report_interval = 'soon': use a number and a unit"),
        ({"document": {"report_interval": True}}, "give SPAN"),
        ({"document": {"report_interval": [1]}}, "single value"),
        ({"flags": {"report_interval": "2h"}}, "command line: --report-interval = '2h': use a span from 100ms to 1h"),
        (
            {"environment": {"NOONMARK_AGENT_COLLECTOR": "a:b"}},
            "environment: NOONMARK_AGENT_COLLECTOR = 'a:b': use HOST",
        ),
        ({"environment": {"NOONMARK_AGENT_LOUD": "perhaps"}}, "true or false"),
    ],
)
def test_a_fault_says_where_what_and_what_to_do(layers: dict[str, Any], text: str) -> None:
    with pytest.raises(ConfigError, match=text):
        settle(**layers)


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("5", 5_000_000_000),
        ("250ms", 250_000_000),
        ("-3.5us", -3_500),
        ("10 min", 600_000_000_000),
        ("1e-3s", 1_000_000),
        ("9007199254740993ns", 9_007_199_254_740_993),
    ],
)
def test_spans_are_exact(text: str, span: int) -> None:
    assert options.span_ns(text) == span


@pytest.mark.parametrize("text", ["", "s", "5 weeks", "1e99s", "nan", "inf"])
def test_what_is_no_span_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="use a"):
        options.span_ns(text)


@pytest.mark.parametrize("text", ["", "a", "a:b", "::1:5", "a:99999", "http://a:5"])
def test_what_is_no_host_and_port_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="use HOST:PORT"):
        options.host_port()(text)


def test_the_effective_configuration_lines_up() -> None:
    lines = options.show(TABLE, settle({"host": "flag", "collector": ("a:1",)})).splitlines()
    assert lines[0].split() == ["host", "flag", "command", "line"]
    assert lines[2].split() == ["collector", "a:1", "command", "line"]
    assert lines[4].split() == ["metrics", "off", "default"]


def test_a_wrong_value_is_told_in_short_and_a_missing_one_as_missing() -> None:
    assert str(ConfigError("settings", "collector", "", "say whom")) == "settings: collector is not given: say whom"
    told = str(ConfigError("command line", "host", "x" * 500, "use a shorter name"))
    assert len(told) < 180
    assert told.endswith("xxx': use a shorter name")
