"""The command `noonmark fleet`: every host's clock at one moment, worst first."""

from __future__ import annotations

import click

from noonmark.collector import cli_options
from noonmark.collector.instants import format_instant
from noonmark.collector.present_json import fleet_json
from noonmark.collector.present_tables import finding_lines, headline, host_table, path_table, worst_first, wrapped
from noonmark.collector.views import FleetView

_COLOURS = {"stale": "yellow", "no-route": "red", "unknown": "red", "reference": "cyan"}
MOST_FINDINGS = 20
"""Printed in the table's form; all of them are in the JSON."""


@click.command()
@cli_options.reading_options
@cli_options.at_option
@click.option("--paths", is_flag=True, help="Also list every pair of hosts that exchange probes.")
@cli_options.ends_well
def fleet(collector: str, history: str | None, timeout: float, as_json: bool, at: str | None, paths: bool) -> bool:
    """Every host's clock against the reference, worst first.

    CLOCK is the estimated error; ± its expanded uncertainty (k=2, about 95 %); CERTAIN AROUND IT are limits that hold
    whatever the network did, counted from the estimate: + further ahead, - further behind. Reads a collector, or with
    --history a file, where now means the newest moment kept.

    Exit code 1: a finding says that a clock's stamps contradict certain limits, or that references disagree.
    3: nothing is known, or nobody answers.
    """
    with cli_options.opened(collector, history, timeout) as source:
        at_ns = cli_options.moment(at, source, "--at")
        view = source.fleet(at_ns, paths=paths)
        if as_json:
            cli_options.print_json(fleet_json(view))
        else:
            _print(view, show_paths=paths)
    if not view.hosts:
        raise cli_options.NoAnswer("no host is known yet")
    return not cli_options.bad_news(view.findings, view.at_ns)


def _print(view: FleetView, *, show_paths: bool) -> None:
    width = cli_options.width()
    for line in wrapped(headline(view), width=width):
        click.echo(line)
    notes = [f"At {format_instant(view.at_ns, digits=3)} (reference time).", *(f"Note: {note}." for note in view.notes)]
    for line in wrapped(" ".join(notes), width=width):
        click.echo(line)
    if view.hosts:
        heading, *rows = host_table(view, width=width)
        click.echo(f"\n{heading}")
        for host, line in zip(worst_first(view.hosts), rows, strict=True):
            colour = _COLOURS.get(host.state)
            click.echo(cli_options.paint(line, colour) if colour else line)
    if show_paths:
        click.echo("\n" + "\n".join(path_table(view.paths, width=width)))
    if view.findings:
        shown = sorted(view.findings, key=lambda finding: finding.at_ns)[-MOST_FINDINGS:]
        click.echo("\nFindings:")
        for line in finding_lines(shown, width=width):
            click.echo(line)
        if len(shown) < len(view.findings):
            click.echo(f"({len(view.findings) - len(shown)} older ones are in --json.)")
