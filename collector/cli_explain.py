"""The command `noonmark explain`: was it the clock, and if not, what?"""

from __future__ import annotations

import sys
from typing import Any

import click

from noonmark.collector import cli_options
from noonmark.collector.cli_options import NoAnswer
from noonmark.collector.explain import TOLERANCE_NS, Cause, Explanation, explain
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.present import format_duration
from noonmark.collector.present_json import pair_json
from noonmark.collector.present_tables import wrapped
from noonmark.collector.views import PairView

NOT_A_CLOCK = frozenset({Cause.FINE, Cause.LATE, Cause.COARSE, Cause.TIME_ZONE, Cause.UNIT})


@click.command(
    name="explain",
    cls=ReadingCommand,
    epilog="\b\nFor example:\n  noonmark explain quay-gate-1 holm-booking --at -15m --seen 350ms",
)
@click.argument("a")
@click.argument("b", required=False)
@cli_options.reading_options
@cli_options.at_option
@click.option("--seen", metavar="SPAN", help="A's stamp minus B's of what should be one instant, such as 1h or -350ms.")
@click.option(
    "--resolution",
    metavar="SPAN",
    default="1ns",
    help="The coarser of the two stamps' own, such as 1s.  [default: 1ns]",
)
@click.option(
    "--tolerance",
    metavar="SPAN",
    default=f"{TOLERANCE_NS // 10**6}ms",
    show_default=True,
    help="Clocks that agree within this are fine.",
)
def command(
    a: str,
    b: str | None,
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    at: str | None,
    seen: str | None,
    resolution: str,
    tolerance: str,
) -> None:
    """Was it the clock? How A's clock stood to B's (or the reference's), and what else can set their stamps apart.

    Tested are a mixed-up unit, a time zone, a clock that was set, a host that slept, coarse stamps, a delay, a bad
    path; or the clocks were fine, and the cause lies elsewhere. With --seen each is held against the difference seen.

    Exit code 1: the clocks were not fine, or account for what was seen. 3: nothing is known of them then.
    """
    seen_ns = None if seen is None else _signed_span(seen)
    resolution_ns = cli_options.span_of(resolution, "--resolution")
    tolerance_ns = cli_options.span_of(tolerance, "--tolerance")
    with cli_options.opened(collector, history, timeout) as source:
        pair = source.offset(a, b, cli_options.moment(at, source, "--at"))
    found = explain(pair, seen_ns=seen_ns, resolution_ns=max(1, resolution_ns), tolerance_ns=tolerance_ns)
    if as_json:
        cli_options.print_json(_document(pair, found, seen_ns))
    else:
        _print(found, seen_ns)
    if not pair.known and found.cause is None:
        raise NoAnswer("nothing is known of these clocks then")
    if found.cause not in NOT_A_CLOCK:
        sys.exit(1)


def _signed_span(text: str) -> int:
    size = cli_options.span_of(text.lstrip("+-"), "--seen")
    return -size if text.startswith("-") else size


def _print(found: Explanation, seen_ns: int | None) -> None:
    for line in wrapped(found.headline, width=cli_options.width()):
        click.echo(line)
    click.echo()
    if seen_ns is not None:
        click.echo(f"Tested against a difference of {format_duration(seen_ns)}:")
    for each in found.hypotheses:
        mark = "yes" if each.holds else "no "
        for number, line in enumerate(wrapped(each.text, width=cli_options.width() - 17)):
            click.echo(f"{mark}  {each.cause:<10}  {line}" if number == 0 else f"{'':<17}{line}")


def _document(pair: PairView, found: Explanation, seen_ns: int | None) -> dict[str, Any]:
    return {
        "schema": "noonmark.explain/1",
        "cause": found.cause,
        "text": found.headline,
        "seen_ns": seen_ns,
        "tested": [{"cause": each.cause, "holds": each.holds, "text": each.text} for each in found.hypotheses],
        "clocks": pair_json(pair, past=True),
    }
