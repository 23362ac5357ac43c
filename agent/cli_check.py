"""The command `noonmark check`: is this host fit for an agent, and does its agent fare well? One line a matter."""

from __future__ import annotations

import json
import socket
import sys
from dataclasses import replace
from typing import Any

import click

from noonmark.agent import check as checks
from noonmark.agent import config as agent_config
from noonmark.agent.check import Check, Verdict
from noonmark.proto import commandline
from noonmark.proto.options import ConfigError, gather, host_port


@click.command("check")
@click.option("--peer", "peers", multiple=True, metavar="HOST[:PORT]", help="Send this host a few probes; repeat.")
@click.option("--json", "as_json", is_flag=True, help="For a program: schema noonmark.check/1.")
@commandline.with_options(agent_config.OPTIONS, agent_config.PREFIX)
def check(show_config: bool, peers: tuple[str, ...], as_json: bool, **flags: Any) -> None:
    """Look at this host: stamps, clock, ports, peers, collector, certificates, devices; and say what to do.

    Takes the agent's own settings: give the --config that the agent has. Nothing is changed. Exit code 1 if something
    does not work; warnings alone are 0.
    """
    found: list[Check] = []
    try:
        parsed = [host_port(agent_config.PROBE_PORT)(text) for text in peers]
    except ValueError as error:
        raise commandline.UsageProblem(f"--peer: {error}") from None
    try:
        settings = commandline.settle(agent_config.OPTIONS, agent_config.PREFIX, flags)
        if show_config:
            commandline.print_settings(agent_config.OPTIONS, settings)
            return
        config = agent_config.build(settings, socket.gethostname())
        found.append(Check("settings", Verdict.OK, f"They can be used; this host is {config.host}."))
    except (ConfigError, commandline.UsageProblem) as error:
        text = error.message if isinstance(error, commandline.UsageProblem) else str(error)
        found.append(Check("settings", Verdict.FAULT, f"{text}.", "The agent does not start with these settings."))
        config = _defaults()
    from noonmark.agent.check_host import look

    found += look(config, parsed)
    if as_json:
        click.echo(json.dumps(checks.document(config.host, found), indent=2, ensure_ascii=False))
    else:
        click.echo(checks.table(found))
    sys.exit(1 if checks.faulty(found) else 0)


def _defaults() -> agent_config.AgentConfig:
    """What can be looked at without settings."""
    settings = gather(
        agent_config.OPTIONS, flags={"collector": ("127.0.0.1",)}, environment={}, prefix=agent_config.PREFIX
    )
    return replace(agent_config.build(settings, socket.gethostname()), collector=())
