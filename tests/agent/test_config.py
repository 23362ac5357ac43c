"""The agent's settings: what they become, and what a person is told who got one wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from noonmark.agent.cli import agent
from noonmark.agent.config import OPTIONS, PREFIX, AgentConfig, build
from noonmark.proto.options import ConfigError, HostPort, environment_name, gather
from noonmark.proto.tls_files import TlsFiles, identity_files


def config(*, host: str = "own", **flags: object) -> AgentConfig:
    return build(gather(OPTIONS, flags=flags, environment={}, prefix=PREFIX), host)


def test_defaults_need_only_a_collector() -> None:
    made = config(collector=("localhost",))
    assert made.host == "own"
    assert made.collector == (HostPort("localhost", 18621),)
    assert made.bind == (HostPort("0.0.0.0", 18620), HostPort("::", 18620))
    assert made.bind_is_default
    assert made.metrics == HostPort("127.0.0.1", 18622)
    assert not made.injects_error


def test_injected_errors_are_exact() -> None:
    made = config(
        collector=("localhost",), inject_offset="-20ms", inject_drift="-30ppm", inject_epoch="1800000000000000001"
    )
    assert (made.inject_offset, made.inject_epoch) == (-20_000_000, 1_800_000_000_000_000_001)
    assert made.inject_drift == pytest.approx(-30e-6, abs=1e-15)
    assert made.injects_error


def test_no_collector_is_said_with_every_way_to_name_one() -> None:
    with pytest.raises(ConfigError, match="--collector HOST:PORT, NOONMARK_AGENT_COLLECTOR"):
        config()


def test_a_name_cannot_be_bound() -> None:
    with pytest.raises(ConfigError, match="numeric address"):
        config(collector=("localhost",), bind=("quay:18620",))


def test_the_command_refuses_in_one_line_with_code_2(tmp_path: Path) -> None:
    file = tmp_path / "agent.toml"
    file.write_text('collector = ["c"]\nreport_interval = "soon"\n')
    result = CliRunner().invoke(agent, ["--config", str(file)])
    assert result.exit_code == 2
    assert len(result.output.strip().splitlines()) == 1
    assert f"{file}: report_interval = 'soon': use a number and a unit" in result.output
    for bad, text in ((str(tmp_path / "none.toml"), "cannot be read"), (str(tmp_path), "cannot be read")):
        result = CliRunner().invoke(agent, ["--config", bad])
        assert (result.exit_code, text in result.output) == (2, True)
    file.write_text("= broken")
    assert "is not TOML" in CliRunner().invoke(agent, ["--config", str(file)]).output


def test_the_effective_configuration_tells_where_each_value_came_from(tmp_path: Path) -> None:
    file = tmp_path / "agent.toml"
    file.write_text('collector = ["c"]\nrole = "gate"\nzone = "holm"\n')
    arguments = ["--config", str(file), "--role", "berth", "--show-config"]
    result = CliRunner().invoke(agent, arguments, env={"NOONMARK_AGENT_ZONE": "quay"})
    assert result.exit_code == 0
    lines = {line.split()[0]: line for line in result.output.splitlines()}
    assert lines["role"].split()[1:] == ["berth", "command", "line"]
    assert lines["zone"].split()[1:] == ["quay", "environment", "NOONMARK_AGENT_ZONE"]
    assert lines["collector"].endswith(f"file {file}")
    assert "the host's own name" in lines["host"]


def test_every_option_and_its_variable_is_in_the_help() -> None:
    text = " ".join(CliRunner().invoke(agent, ["--help"]).output.split())
    for option in OPTIONS:
        assert f"--{option.name}" in text
        assert environment_name(PREFIX, option) in text


def test_a_step_to_come_needs_a_clock_that_can_be_wrong() -> None:
    assert not config(collector=("localhost",)).injects_error
    made = config(collector=("localhost",), inject_step="5ms")
    assert (made.inject_step, made.injects_error) == (5_000_000, True)
    made = config(collector=("localhost",), inject_slew="-3ms")
    assert (made.inject_slew, made.injects_error) == (-3_000_000, True)


def test_plain_connections_stay_within_the_host_unless_a_person_says_so() -> None:
    with pytest.raises(ConfigError, match=r"collector = 'collector:18621': without TLS .*--identity .*--plaintext-b"):
        config(collector=("collector",))
    assert config(collector=("collector",), plaintext_beyond_loopback=True).tls is None
    with pytest.raises(ConfigError, match=r"metrics = '0.0.0.0:18622': .*--metrics-certificate"):
        config(collector=("localhost",), metrics="0.0.0.0:18622")
    assert config(collector=("localhost",), metrics="0.0.0.0:1", metrics_certificate="a", metrics_key="b").metrics


def test_certificates_are_named_one_by_one_or_by_their_folder() -> None:
    made = config(collector=("c",), tls_certificate="a.pem", tls_key="a.key", tls_authority="b.pem")
    assert made.tls == TlsFiles(Path("b.pem"), Path("a.pem"), Path("a.key"))
    assert config(collector=("c",), identity="/f").tls == identity_files(Path("/f"))
    for flags, words in (
        ({"tls_certificate": "a.pem"}, "tls_certificate = 'a.pem': needs tls_key beside it"),
        ({"tls_authority": "b.pem"}, "needs tls_certificate"),
        ({"identity": "/f", "tls_key": "a.key"}, "tls_key = 'a.key': identity stands for it already"),
        ({"metrics_key": "m.key"}, "needs metrics_certificate beside it"),
    ):
        with pytest.raises(ConfigError, match=words):
            config(collector=("localhost",), **flags)
