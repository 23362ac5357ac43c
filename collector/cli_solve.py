"""`noonmark solve`: the live estimator, offline, on recorded probes."""

from __future__ import annotations

import shutil
import sys
import time
from dataclasses import replace
from typing import Any

import click

from noonmark.collector.config import reference as parse_reference
from noonmark.collector.estimate import FleetEstimate, Reference
from noonmark.collector.instants import parse_instant
from noonmark.collector.json_pieces import json_pieces
from noonmark.collector.pipeline import step
from noonmark.collector.present import format_duration
from noonmark.collector.present_json import fleet_json
from noonmark.collector.present_tables import finding_lines, headline, host_table, path_table, wrapped
from noonmark.collector.probe_file import ReadReport, read_probe_file
from noonmark.collector.probe_rows import ProbeFileError
from noonmark.collector.view_estimate import fleet_view
from noonmark.collector.views import FleetView
from noonmark.proto.commandline import UsageProblem
from noonmark.proto.spelling import did_you_mean

REDRAW_S = 0.2
TROUBLE = {"liar", "step", "frequency-change", "reference-disagrees", "asymmetric-path", "no-route", "leap-or-smear"}


@click.command()
@click.argument("probes")
@click.option(
    "--reference",
    "references",
    multiple=True,
    metavar="HOST[=U[/LIMIT]]",
    help="Host whose clock is the truth, with its standard uncertainty and the limit of its error if it has any, such "
    "as quay-reference=50ns/1us; repeat for several. Without one the fleet's mean is the reference.",
)
@click.option(
    "--at",
    metavar="T",
    help="Instant that the answer speaks of: RFC 3339 with zone, or epoch in s, ms, us or ns. [default: newest probe]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, in integer nanoseconds.")
@click.option("--paths", is_flag=True, help="Also list every path (always in the JSON document).")
@click.option("--strict", is_flag=True, help="Exit with 1 when any finding says that something is wrong.")
def solve(probes: str, references: tuple[str, ...], at: str | None, as_json: bool, paths: bool, strict: bool) -> None:
    """Estimate every clock from the recorded probes in PROBES, a CSV file (`-`: standard input; .gz is unpacked).

    Columns: src,dst,t1_ns,t2_ns,t3_ns,t4_ns, in any order, rows in any order. Rows that cannot be true are left out,
    counted, and named in the output.
    """
    wanted = tuple(_reference(text) for text in references)
    at_ns = _instant(at)
    try:
        columns, report = read_probe_file(probes, standard_input=sys.stdin.buffer, progress=_progress())
    except ProbeFileError as error:
        raise UsageProblem(str(error)) from error
    _check(columns.hosts, wanted, report)
    try:
        estimate = step(columns, references=wanted, at_ns=at_ns)
    except ValueError as error:
        raise UsageProblem(f"{report.file}: {error}") from error
    oldest_ns = int(columns.t1_ns.min())
    del columns  # by far the most of what memory holds
    view = _with_notes(fleet_view(estimate, paths=paths or as_json), _notes(report, estimate, oldest_ns))
    if as_json:
        sys.stdout.writelines(json_pieces(_document(view, report)))
        click.echo()
    else:
        _print(view, paths)
    if strict and any(finding.kind in TROUBLE for finding in view.findings):
        raise SystemExit(1)


def _reference(text: str) -> Reference:
    try:
        return parse_reference(text)
    except ValueError as error:
        raise UsageProblem(f"--reference {text}: {error}") from None


def _instant(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return parse_instant(text, now_ns=time.time_ns())
    except ValueError as error:
        raise UsageProblem(f"--at {text}: {error}") from None


def _check(hosts: tuple[str, ...], references: tuple[Reference, ...], report: ReadReport) -> None:
    if report.rows_read == 0:
        raise UsageProblem(f"{report.file}: holds no probe, only the header")
    names = [reference.host for reference in references]
    for name in names:
        if names.count(name) > 1:
            raise UsageProblem(f"--reference {name}: named twice")
        if name not in hosts:
            hint = did_you_mean(name, hosts) or f"the {len(hosts)} hosts are {', '.join(hosts[:6])} ..."
            raise UsageProblem(f"--reference {name}: no probe in {report.file} names this host; {hint}")


def _notes(report: ReadReport, estimate: FleetEstimate, oldest_ns: int) -> list[str]:
    notes = [
        f"{part.rows} of {report.rows_read} rows left out: {part.reason} (the first in line {part.first_line})"
        for part in report.left_out
    ]
    if report.ignored_columns:
        notes.append(f"columns not used: {', '.join(report.ignored_columns)}")
    newest = int(estimate.newest_ns.max())
    if estimate.at_ns - newest > estimate.window_ns:
        notes.append(f"the asked instant lies {format_duration(estimate.at_ns - newest)} after the newest probe")
    elif oldest_ns - estimate.at_ns > estimate.window_ns:
        notes.append(f"the asked instant lies {format_duration(oldest_ns - estimate.at_ns)} before the oldest probe")
    return notes


def _with_notes(view: FleetView, notes: list[str]) -> FleetView:
    return replace(view, notes=(*view.notes, *notes))


def _document(view: FleetView, report: ReadReport) -> dict[str, Any]:
    document = fleet_json(view, schema="noonmark.estimate/1", listed=iter)
    document["input"] = {
        "file": report.file,
        "rows": report.rows_read,
        "left_out": [
            {"reason": str(part.reason), "rows": part.rows, "first_line": part.first_line} for part in report.left_out
        ],
    }
    return document


def _print(view: FleetView, paths: bool) -> None:
    width = max(80, min(shutil.get_terminal_size((80, 24)).columns, 120)) if sys.stdout.isatty() else 80
    lines = [*wrapped(headline(view), width=width), "", *host_table(view, width=width)]
    if paths:
        lines += ["", *path_table(view.paths, width=width)]
    if view.findings:
        lines += ["", "Findings", *finding_lines(view.findings, width=width)]
    for note in view.notes:
        lines += ["", *wrapped(f"Note: {note}", width=width)]
    click.echo("\n".join(lines))


def _progress() -> Any:
    """Rows read so far on a terminal's standard error, a few times a second; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None
    last = time.monotonic()

    def show(rows: int, share: float | None) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= REDRAW_S or share == 1.0:
            last = now
            told = f"{rows:,} rows" + ("" if share is None else f", {share:.0%}")
            click.echo(f"\r{told:<40}", nl=share == 1.0, err=True)

    return show
