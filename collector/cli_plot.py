"""The command `noonmark plot`: pictures for reports, of the fleet at one moment or of a host or pair over time."""

from __future__ import annotations

import re
from pathlib import Path

import click
from matplotlib.figure import Figure

from noonmark.collector import cli_options
from noonmark.collector.budgets import Budget, parse_budget
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.pictures import KINDS, Size, course_picture, fleet_picture, write_picture
from noonmark.collector.views import FindingView

POINTS = 1_500
"""More than a picture has columns for would be drawn over each other."""
HOUR_NS = 3600 * 10**9


@click.command(
    cls=ReadingCommand, epilog="\b\nFor example:\n  noonmark plot quay-gate-1 holm-booking --since -2h -o pair.png"
)
@click.argument("a", required=False)
@click.argument("b", required=False)
@click.option("-o", "--output", required=True, metavar="FILE", help="Picture to write: .png, .svg or .pdf.")
@click.option("--since", metavar="T", help="A host or pair: begin here; an hour before the end if not given.")
@click.option("--until", metavar="T", help="A host or pair: end here; now if not given.")
@click.option("--budget", metavar="WHAT", help="Draw a budget in: a span (1ms), a name (database), or NAME:SPAN.")
@click.option("--size", default="1280x800", show_default=True, metavar="WxH", help="Width and height in pixels.")
@cli_options.source_options
@cli_options.at_option
def plot(
    a: str | None,
    b: str | None,
    output: str,
    since: str | None,
    until: str | None,
    budget: str | None,
    size: str,
    collector: str,
    history: str | None,
    timeout: float,
    at: str | None,
) -> None:
    """Draw the whole fleet at one moment, or host A (or A minus B) over time.

    Dark: estimate and expanded uncertainty (k=2); light: certain limits; numbered: findings. Instants are RFC 3339 with
    zone, seconds since 1970, or an age such as -2h.

    Exit code 3: nothing is known then, or nobody answers.
    """
    place = Path(output)
    if place.suffix.lower() not in KINDS:
        raise WrongUse(f"--output {output}: use a name that ends in " + ", ".join(KINDS))
    if a is None and (since or until):
        raise WrongUse("--since and --until belong to a host or a pair: name one, or use --at for the fleet")
    if a is not None and at:
        raise WrongUse("--at belongs to the fleet's picture: use --since and --until for a host or a pair")
    chosen, pixels = _budget(budget), _size(size)
    with cli_options.opened(collector, history, timeout) as source:
        if a is None:
            figure = _fleet(source, at, chosen, pixels)
        else:
            figure = _course(source, a, b, since, until, chosen, pixels)
    try:
        write_picture(figure, place, place.suffix.lower())
    except OSError as error:
        raise WrongUse(f"--output {output}: cannot be written: {error.strerror}") from error
    click.echo(f"wrote {output}", err=True)


def _budget(text: str | None) -> Budget | None:
    if text is None:
        return None
    try:
        return parse_budget(text)
    except ValueError as error:
        raise WrongUse(f"--budget {text!r}: {error}") from error


def _size(text: str) -> Size:
    match = re.fullmatch(r"(\d{3,4})x(\d{3,4})", text)
    if not match:
        raise WrongUse(f"--size {text!r}: use width and height in pixels, three or four digits each, such as 1280x800")
    return Size(int(match[1]), int(match[2]))


def _fleet(source: Source, at: str | None, budget: Budget | None, size: Size) -> Figure:
    view = source.fleet(cli_options.moment(at, source, "--at"))
    if not any(host.known for host in view.hosts):
        raise NoAnswer("no host's clock is known then")
    return fleet_picture(view, budget=budget, size=size)


def _course(
    source: Source, a: str, b: str | None, since: str | None, until: str | None, budget: Budget | None, size: Size
) -> Figure:
    since_ns = cli_options.moment(since, source, "--since")
    until_ns = cli_options.moment(until, source, "--until")
    if until_ns is None:
        last = source.span().last_ns
        until_ns = cli_options.now_of(source) if last is None else last + 1
    if since_ns is None:
        since_ns = until_ns - HOUR_NS
    if since_ns >= until_ns:
        raise WrongUse("--since must name a moment before --until (before the newest estimate, if that is not given)")
    points = list(source.course(a, b, since_ns, until_ns, step_ns=(until_ns - since_ns) // POINTS))
    if not any(point.known for point in points):
        told = source.offset(a, b, (since_ns + until_ns) // 2)
        raise NoAnswer(told.reason or f"nothing is known of {a}{f' and {b}' if b else ''} in that time")
    return course_picture(points, _findings(source, a, b, since_ns, until_ns), budget=budget, size=size)


def _findings(source: Source, a: str, b: str | None, since_ns: int, until_ns: int) -> list[FindingView]:
    found = {}
    for host in (a, b):
        if host is not None:
            for finding in source.findings(since_ns, until_ns, host):
                found[finding.kind, finding.host, finding.path, finding.at_ns] = finding
    return list(found.values())
