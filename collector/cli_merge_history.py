"""The command `noonmark merge-history`: what one collector kept is added to what another kept."""

from __future__ import annotations

import sys

import click

from noonmark.collector.cli_options import WrongUse
from noonmark.collector.history import HistoryError, open_history
from noonmark.collector.history_merge import merge


@click.command("merge-history")
@click.argument("target", metavar="INTO")
@click.argument("sources", metavar="FROM...", nargs=-1, required=True)
def merge_history(target: str, sources: tuple[str, ...]) -> None:
    """Add to the history INTO every tick that only the histories FROM have.

    Each is a file (history.sqlite) or a postgresql:// URL. INTO must not be written by a collector meanwhile; FROM is
    only read. Each tick is added as its collector told it, so nothing becomes surer. May be repeated: what is known is
    passed over. Ticks of the last 30 days, as long as every tick is kept.
    """
    try:
        with open_history(target) as into:
            for name in sources:
                with open_history(name, read_only=True) as source:
                    told = merge(into, source)
                late = f", {told.too_old} too old" if told.too_old else ""
                click.echo(f"{name}: {told.added:,} ticks added, {told.known:,} known already{late}")
    except HistoryError as error:
        raise WrongUse(str(error)) from None
    sys.exit(0)
