"""The command `noonmark gate`: wait until this host's clock is shown to be fit; for start-up scripts and containers."""

from __future__ import annotations

import socket
import sys
import textwrap
import time

import click

from noonmark.collector import cli_options
from noonmark.collector.budgets import Budget, default_table, host_budget, parse_budget
from noonmark.collector.cli_options import NoAnswer, WrongUse
from noonmark.collector.cli_security import security, security_options
from noonmark.collector.gate import Answer, Passage, explanation, verdict, wait_until_fit
from noonmark.collector.help_sections import ReadingCommand, SharedOption
from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NobodyThere, NoData, Refused
from noonmark.collector.views import HostView, PairView
from noonmark.proto.channels import Security

_COLUMN = 27
_NAMES = "\n".join(
    textwrap.fill(f"  {name:<16} {span:<7} {source}", 76, subsequent_indent=" " * _COLUMN)
    for name, span, source in default_table()
)


@click.command(cls=ReadingCommand, epilog=f"\b\nReady-made budgets:\n{_NAMES}")
@click.option(
    "--budget",
    required=True,
    metavar="WHAT",
    envvar="NOONMARK_GATE_BUDGET",
    help="How far the clock may be off: a span (1ms), a ready-made name (database), or NAME:SPAN.",
)
@click.option("--host", envvar="NOONMARK_AGENT_HOST", metavar="NAME", help="Which host; this one if not given.")
@click.option("--timeout", default="5m", show_default=True, metavar="SPAN", help="How long to wait; 0s: ask once.")
@click.option("--every", default="1s", show_default=True, metavar="SPAN", help="Time between two questions.")
@click.option(
    "--by",
    type=click.Choice(["limits", "estimate"]),
    default="limits",
    show_default=True,
    help="What must lie within the budget: the certain limits, or the estimate with its expanded uncertainty (k=2).",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print a JSON document at the end; times are integer nanoseconds."
)
@click.option("--quiet", is_flag=True, help="Say nothing while waiting.")
@click.option(
    "--collector",
    cls=SharedOption,
    metavar="ADDRESS",
    envvar="NOONMARK_COLLECTOR_ADDRESS",
    default=cli_options.DEFAULT_COLLECTOR,
    show_default=True,
    help="Where the collector answers (host:port).",
)
@security_options
@cli_options.ends_well
def gate(
    budget: str,
    host: str | None,
    timeout: str,
    every: str,
    by: str,
    as_json: bool,
    quiet: bool,
    collector: str,
) -> bool:
    """Wait until a host's clock is shown to be within a budget, then end with exit code 0.

    For start-up scripts, units ordered after it, and init containers: what starts next can rely on the clock.

    Exit code 1: the time is up, and the clock is out of the budget or cannot be shown to be within. 3: the time is up,
    and nobody answered or the host is not known.
    """
    chosen = _budget(budget)
    name = host or socket.gethostname()
    by_estimate = by == "estimate"
    secured = security()
    passage = wait_until_fit(
        lambda limit: _ask(collector, name, limit, secured),
        chosen,
        by_estimate=by_estimate,
        timeout_s=cli_options.span_of(timeout, "--timeout") / 1e9,
        every_s=max(0.05, cli_options.span_of(every, "--every") / 1e9),
        monotonic=time.monotonic,
        sleep=time.sleep,
        told=(lambda _: None) if quiet else (lambda line: click.echo(line, err=True)),
    )
    if as_json:
        cli_options.print_json(_document(passage, chosen, name, by))
    words = explanation(chosen, passage.answer, by_estimate=by_estimate)
    if not passage.answer.known:
        if as_json:
            sys.exit(NoAnswer.exit_code)
        raise NoAnswer(f"{words}; gave up after {passage.waited_s:.0f} s")
    if not as_json:
        click.echo(f"{words}." if passage.fit else f"{words}; gave up after {passage.waited_s:.0f} s.")
    return passage.fit


def _budget(text: str) -> Budget:
    try:
        return parse_budget(text)
    except ValueError as error:
        raise WrongUse(f"--budget {text!r}: {error}") from error


def _ask(collector: str, host: str, limit_s: float, secured: Security) -> Answer:
    # A new connection each time: one that failed would wait longer and longer before it is tried again.
    try:
        with QueryClient(collector, timeout_seconds=limit_s, security=secured) as client:
            return Answer(client.offset(host))
    except Refused as error:
        raise WrongUse(str(error)) from error
    except (NobodyThere, NoData) as error:
        return Answer(None, str(error))


def _document(passage: Passage, budget: Budget, host: str, by: str) -> dict[str, object]:
    view = passage.answer.view
    document: dict[str, object] = {
        "schema": "noonmark.gate/1",
        "host": host,
        "fit": passage.fit,
        "budget": budget.name,
        "budget_ns": budget.tolerance_ns,
        "by": by,
        "waited_ns": round(passage.waited_s * 1e9),
        "answer": None,
        "reason": passage.answer.reason or (view.reason if view else ""),
    }
    if view is None or not view.known:
        return document
    held = host_budget(_as_host(view), budget)
    return document | {
        "answer": str(verdict(budget, view, by_estimate=by == "estimate")),
        "offset_ns": view.offset_ns,
        "uncertainty_ns": view.uncertainty_ns,
        "lower_ns": view.lower_ns,
        "upper_ns": view.upper_ns,
        "headroom": held.headroom,
    }


def _as_host(view: PairView) -> HostView:
    return HostView(
        view.a, "measured", view.offset_ns, view.uncertainty_ns, view.lower_ns, view.upper_ns, view.drift, None, None
    )
