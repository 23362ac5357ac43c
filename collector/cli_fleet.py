"""The command `noonmark fleet`: every host's clock at one moment, worst first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import click

from noonmark.collector import cli_options
from noonmark.collector.budget_verdict import budget_json, verdict, worst_budget_first
from noonmark.collector.budgets import Budgets, Fitness, HostBudget, held_budgets, named_budgets, parse_rule, tally
from noonmark.collector.freshness import PAST, Freshness, aged_verdict, freshness
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.instants import format_instant
from noonmark.collector.present_json import Document, fleet_json
from noonmark.collector.present_tables import (
    finding_lines,
    headline,
    host_table,
    leaving_lines,
    listed,
    path_table,
    wrapped,
)
from noonmark.collector.reference_standing import Standing, standing
from noonmark.collector.views import FleetView

_COLOURS = {"stale": "yellow", "no-route": "red", "unknown": "red", "reference": "cyan"}
MOST_FINDINGS = 20
"""Printed in the table's form; all of them are in the JSON."""


@click.command(
    cls=ReadingCommand,
    epilog="\b\nFor example:\n  noonmark fleet --budget 1ms\n  noonmark fleet --at 2026-11-25T06:55:03Z",
)
@cli_options.reading_options
@cli_options.at_option
@click.option("--paths", is_flag=True, help="Also list every pair of hosts that exchange probes.")
@click.option(
    "--budget",
    "rules",
    multiple=True,
    metavar="RULE",
    help="Hold hosts to this instead of the collector's budgets: 1ms, database, gates:5ms=role:gate; may be repeated.",
)
@cli_options.ends_well
def fleet(
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    at: str | None,
    paths: bool,
    rules: tuple[str, ...],
) -> bool:
    """Every host's clock against the reference, worst first.

    CLOCK is the estimated error; ± its expanded uncertainty (k=2, about 95 %); CERTAIN AROUND IT are limits that hold
    whatever the network did, counted from the estimate: + further ahead, - further behind. Reads a collector, or with
    --history a file, where now means the newest moment kept.

    Where hosts have budgets, BUDGET tells how they are kept: how many times its budget a host is off, how much of it is
    certainly left, or that neither can be shown.

    Exit code 1: a finding says that a clock's stamps contradict certain limits, or that references disagree; or, with
    --budget, a host is out of it. 3: nothing is known, or nobody answers.
    """
    asked = _budgets(rules)
    with cli_options.opened(collector, history, timeout) as source:
        at_ns = cli_options.moment(at, source, "--at")
        view = source.fleet(at_ns, paths=paths)
        if asked:
            view = named_budgets(view, asked)
        answers = held_budgets(view)
        fresh = _freshness(source.span().now_ns if at_ns is None else None, view.at_ns)
        if as_json:
            cli_options.print_json(_document(view, answers, fresh))
        else:
            _print(view, answers, fresh, show_paths=paths)
    if not view.hosts:
        raise cli_options.NoAnswer("no host is known yet")
    out = any(answer.fitness is Fitness.OUT for answer in answers.values())
    return not (cli_options.bad_news(view.findings, view.at_ns) or (asked and out))


def _budgets(rules: Sequence[str]) -> Budgets:
    try:
        return Budgets(tuple(map(parse_rule, rules)))
    except ValueError as error:
        raise cli_options.WrongUse(f"--budget {' '.join(rules)}: {error}") from error


def _freshness(now_ns: int | None, at_ns: int) -> Freshness:
    """Of what speaks of `at_ns`; None: a past moment, or nobody here knows what time it is."""
    return PAST if now_ns is None else freshness(now_ns - at_ns)


def _document(view: FleetView, answers: Mapping[str, HostBudget], fresh: Freshness) -> Document:
    document = fleet_json(view)
    document["freshness"] = fresh.document()
    for host in document["hosts"]:
        answer = answers.get(host["host"])
        host["budget"] = None if answer is None else budget_json(answer, None)
    told = _standing(view)
    document["reference_standing"] = {"state": told.state, "text": told.text}
    document["fitness"] = (
        {str(fitness): count for fitness, count in tally(answers.values()).items()} if answers else None
    )
    document["verdict"] = _verdict(view, answers, fresh)
    return document


def _verdict(view: FleetView, answers: Mapping[str, HostBudget], fresh: Freshness) -> Document:
    return aged_verdict(verdict(view, answers, worst_budget_first(view, answers), {}), fresh, of_then=False)


def _standing(view: FleetView) -> Standing:
    locks = {host.host: (host.reference_state or "unknown", None) for host in view.hosts if host.state == "reference"}
    at_odds = [one.host for one in view.findings if one.kind == "reference-disagrees" and one.host]
    return standing(view.references, locks, at_odds)


def _print(view: FleetView, answers: Mapping[str, HostBudget], fresh: Freshness, *, show_paths: bool) -> None:
    width = cli_options.width()
    told = _standing(view)
    sentences = [
        *([_verdict(view, answers, fresh)["text"]] if answers else []),
        *([told.text] if told.state in ("good", "doubtful", "lost") else []),
        headline(view),
    ]
    for line in wrapped(" ".join(sentences), width=width):
        click.echo(line)
    notes = [f"At {format_instant(view.at_ns, digits=3)} (reference time).", *(f"Note: {note}." for note in view.notes)]
    for line in wrapped(" ".join(notes), width=width):
        click.echo(line)
    if view.hosts:
        heading, *rows = host_table(view, width=width, answers=answers)
        click.echo(f"\n{heading}")
        for host, line in zip(listed(view, answers), rows, strict=True):
            answer = answers.get(host.host)
            colour = "red" if answer and answer.fitness is Fitness.OUT else _COLOURS.get(host.state)
            click.echo(cli_options.paint(line, colour) if colour else line)
    if leaving := leaving_lines(answers, width=width):
        click.echo("\n" + "\n".join(leaving))
    if show_paths:
        click.echo("\n" + "\n".join(path_table(view.paths, width=width)))
    if view.findings:
        shown = sorted(view.findings, key=lambda finding: finding.at_ns)[-MOST_FINDINGS:]
        click.echo("\nFindings:")
        for line in finding_lines(shown, width=width):
            click.echo(line)
        if len(shown) < len(view.findings):
            click.echo(f"({len(view.findings) - len(shown)} older ones are in --json.)")
