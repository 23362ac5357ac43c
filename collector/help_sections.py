"""The help of a command in two parts: its own options, then those that say where it asks and who it is there.

The latter are the same for all reading commands, many, and seldom what is looked for: they come last.
"""

from __future__ import annotations

import click


class SharedOption(click.Option):
    """An option that says where to ask, or as whom."""


class ReadingCommand(click.Command):
    """A command that asks a collector or a history."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Its own options, then the shared ones."""
        own, shared = list[tuple[str, str]](), list[tuple[str, str]]()
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is not None and isinstance(parameter, click.Option):
                (shared if isinstance(parameter, SharedOption) else own).append(record)
        for heading, records in (("Options", own), ("Where to ask, and as whom", shared)):
            if records:
                with formatter.section(heading):
                    formatter.write_dl(records)
