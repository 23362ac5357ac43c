"""The `noonmark` command: a table of subcommands, each imported only when it is asked for.

So the agent starts without loading numpy, and a plain install (without the ``collector`` extra) can run every command
that needs none of it. A subcommand lives in the module that the table names; nothing else is known of it here.
Exit codes: 0 fine; 1 the answer is bad news; 2 wrong use or unreadable input; 3 no data, or nobody there; 141 whoever
read the output had enough (closed_pipe.py).
"""

from __future__ import annotations

import importlib
import os
from typing import Any

import click

from noonmark.collector.closed_pipe import quiet_when_nobody_reads
from noonmark.proto.spelling import did_you_mean
from noonmark.proto.tls_version import demand_tls_1_3
from noonmark.proto.version import VERSION

demand_tls_1_3()
# gRPC's library tells of every handshake that fails, as of a port scan, on standard error.
os.environ.setdefault("GRPC_VERBOSITY", "ERROR")
COMMANDS: dict[str, tuple[str, str]] = {
    "agent": ("noonmark.agent.cli:agent", "Probe peers, answer probes, report to the collector."),
    "ahead": ("noonmark.collector.cli_ahead:ahead", "Which hosts were ahead or behind, when, and how long."),
    "check": ("noonmark.agent.cli_check:check", "Is this host fit, and does its agent fare well?"),
    "authority": ("noonmark.collector.cli_authority:authority", "A fleet's own certification authority."),
    "collector": ("noonmark.collector.cli_collector:collector", "Receive reports, estimate, publish, answer."),
    "correct": ("noonmark.collector.cli_correct:correct", "Write a log with its times corrected."),
    "demo": ("noonmark.lab.cli_demo:demo", "Run a whole fleet with known clock errors on this machine."),
    "enrol": ("noonmark.agent.cli_enrol:enrol", "Get a certificate by a one-time token."),
    "explain": ("noonmark.collector.cli_explain:command", "Was it the clock, and if not, what?"),
    "fleet": ("noonmark.collector.cli_fleet:fleet", "Every host's clock, worst first."),
    "gate": ("noonmark.collector.cli_gate:gate", "Wait until a host's clock is shown to be within a budget."),
    "holdover": ("noonmark.collector.cli_holdover:holdover", "How far a clock without its source may wander."),
    "merge-history": ("noonmark.collector.cli_merge_history:merge_history", "Add one history to another."),
    "offset": ("noonmark.collector.cli_offset:offset", "How far apart two hosts' clocks are, or were."),
    "order": ("noonmark.collector.cli_order:order", "Merge logs of several hosts in corrected time."),
    "plot": ("noonmark.collector.cli_plot:plot", "Draw the fleet, a host or a pair as a picture file."),
    "report": ("noonmark.collector.cli_report:report", "Evidence of how far clocks were from UTC."),
    "simulate": ("noonmark.lab.cli_simulate:simulate", "Write a simulated fleet's probes, and the truth."),
    "stability": ("noonmark.collector.cli_stability:command", "How stable a clock is, at every averaging time."),
    "token": ("noonmark.collector.cli_token:token", "Make a reader's token."),
    "solve": ("noonmark.collector.cli_solve:solve", "Estimate clocks offline, from recorded probes."),
}
EXTRA_MODULES = {
    **dict.fromkeys(("numpy", "scipy", "pyarrow", "aiohttp", "grpc_health", "grpc_reflection"), "collector"),
    "cryptography": "enrol",
    "matplotlib": "plot",
}
"""Which extra brings a library."""


class NeedsExtra(click.ClickException):
    """A command was asked for whose libraries are not installed."""

    exit_code = 2


class LazyGroup(click.Group):
    """A click group that knows its commands' names and summaries, and imports a command on first use."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click names it
        """Names in alphabetical order."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the command; None if there is none of that name. Raises NeedsExtra if a library is missing."""
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        try:
            command = getattr(importlib.import_module(module), attribute)
        except ModuleNotFoundError as error:
            extra = EXTRA_MODULES.get((error.name or "").split(".")[0])
            if extra is None:
                raise
            raise NeedsExtra(
                f"'noonmark {cmd_name}' needs {error.name}, which is not installed: "
                f"install it with  pip install 'noonmark[{extra}]'"
            ) from error
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; a command that does not exist is answered with those of nearly its name."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = did_you_mean(args[0], COMMANDS)
            ctx.fail(f"there is no command {args[0]!r}; {near or 'the commands are ' + ', '.join(sorted(COMMANDS))}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; it ends silently when nobody reads its output any more."""
        with quiet_when_nobody_reads():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in self.list_commands(ctx)])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "auto_envvar_prefix": "NOONMARK"})
@click.version_option(VERSION, prog_name="noonmark")
def main() -> None:
    """Measure how far apart the clocks of a fleet's hosts are, and which order of events is certain.

    noonmark measures and never sets a clock.
    """


if __name__ == "__main__":
    main()
