"""`noonmark simulate`: write a simulated fleet's probes and the truth. Rim; noonmark.lab.simulate does the work."""

from __future__ import annotations

import json
import sys
import textwrap
import time
from pathlib import Path

import click

from noonmark.lab.probe_csv import open_for_writing, truth_to_json, write_probes
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate as run


class NotWritable(click.ClickException):
    """A file that cannot be written."""

    exit_code = 2


def _list_kinds(context: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    width = max(map(len, KINDS)) + 2
    for name, scenario in KINDS.items():
        text = textwrap.wrap(scenario.summary, 79 - width)
        click.echo("\n".join([name.ljust(width) + text[0], *(" " * width + line for line in text[1:])]))
    context.exit()


@click.command()
@click.option("--kind", type=click.Choice(list(KINDS)), metavar="KIND", default="kernel-lan", show_default=True,
              help="What fleet; --list names all.")  # fmt: skip
@click.option("--list", is_flag=True, is_eager=True, expose_value=False, callback=_list_kinds,
              help="List all kinds of fleets, and stop.")  # fmt: skip
@click.option("--hosts", type=click.IntRange(2, 1_000_000), default=100, show_default=True,
              help="Number of hosts, references included.")  # fmt: skip
@click.option("--seconds", type=click.FloatRange(0, 864_000, min_open=True), default=60.0, show_default=True,
              help="Span of true time.")  # fmt: skip
@click.option("--interval", type=click.FloatRange(0.01, 86_400), default=None,
              help="Mean seconds between two exchanges of a path  [default: the kind's own].")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True,
              help="The same seed makes the same fleet.")  # fmt: skip
@click.option(
    "--out", required=True, metavar="PROBES.csv", help="Where probes go; .gz compresses, - is standard output."
)
@click.option("--truth", "truth_file", metavar="TRUTH.json", default=None, help="Where the truth goes.")
@click.option("--at", "at_ns", type=int, metavar="NS", default=None,
              help="Instant of the truth, in ns since 1970  [default: the span's end].")  # fmt: skip
@click.option("--extra-columns", is_flag=True, help="Also write stamps, src_epoch, dst_epoch and measuring.")
def simulate(
    kind: str,
    hosts: int,
    seconds: float,
    interval: float | None,
    seed: int,
    out: str,
    truth_file: str | None,
    at_ns: int | None,
    extra_columns: bool,
) -> None:
    """Simulate a fleet whose clocks are exactly known: probes as CSV, the truth as JSON.

    The probes are such as agents would record; `noonmark solve` reads them.
    """
    began = time.monotonic()
    if sys.stderr.isatty():
        click.echo(f"Simulating {hosts:,} hosts for {seconds:g} s ...", err=True)
    try:
        probes, truth = run(kind, hosts=hosts, seconds=seconds, seed=seed, interval_s=interval, epochs=extra_columns)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    try:
        with open_for_writing(out, sys.stdout.buffer) as stream:
            write_probes(stream, probes, extra=extra_columns)
        if truth_file is not None:
            text = json.dumps(truth_to_json(truth, truth.end_ns if at_ns is None else at_ns), indent=1)
            Path(truth_file).write_text(text + "\n", encoding="utf-8")
    except BrokenPipeError:
        raise  # whoever read our output has had enough: no fault of the place
    except OSError as error:
        raise NotWritable(f"{error.filename or out}: {error.strerror}") from error
    click.echo(
        f"{len(probes):,} exchanges of {hosts:,} hosts over {seconds:g} s ({kind}, seed {seed}) in "
        f"{time.monotonic() - began:.1f} s; "
        f"reference {', '.join(given.host for given in truth.references)}, at {truth.end_ns}",
        err=True,
    )
