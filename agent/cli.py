"""The command `noonmark agent`: settings in, the running program out. Everything heavy is loaded after the settings."""

from __future__ import annotations

import socket
import sys
from typing import Any

import click

from noonmark.agent import config as agent_config
from noonmark.agent import lean
from noonmark.proto import commandline, logs
from noonmark.proto.options import ConfigError


@click.command()
@commandline.with_options(agent_config.OPTIONS, agent_config.PREFIX)
def agent(show_config: bool, **flags: Any) -> None:
    """Probe peers, answer probes, and report to the collector.

    The collector says whom to probe. Settings on the command line win over the environment, that over the TOML file of
    --config (keys as the long options, with underscores), that over the defaults. No privilege is needed. SIGTERM and
    Ctrl-C end the agent; what it has measured is delivered first.
    """
    settings = commandline.settle(agent_config.OPTIONS, agent_config.PREFIX, flags)
    if show_config:
        commandline.print_settings(agent_config.OPTIONS, settings)
        return
    try:
        config = agent_config.build(settings, socket.gethostname())
    except ConfigError as error:
        raise commandline.UsageProblem(str(error)) from None
    logs.set_up(config.log_level, config.log_format)
    if config.metrics_certificate is None:
        lean.do_without_openssl()
    import asyncio

    from noonmark.agent.program import Program
    from noonmark.proto.tls_files import TlsFileProblem

    async def main() -> None:
        await Program(config).run()

    try:
        asyncio.run(main())
    except TlsFileProblem as problem:
        raise commandline.UsageProblem(str(problem)) from None
    except OSError as error:
        if error.filename:
            raise commandline.UsageProblem(
                f"{error.filename}: {error.strerror}: choose another place with --time-record or --time-socket"
            ) from None
        places = ", ".join(map(str, (*config.bind, *([config.metrics] if config.metrics else []))))
        raise commandline.UsageProblem(
            f"cannot bind: {error.strerror or error}; of {places} one is taken or not of this host: "
            "choose others with --bind and --metrics"
        ) from None
    sys.exit(0)
