"""The command `noonmark stability`: how stable a clock is, at every averaging time."""

from __future__ import annotations

import sys

import click

from noonmark.collector import cli_options
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.present_stability import stability_json, stability_lines
from noonmark.collector.stability_confidence import ONE_SIGMA
from noonmark.collector.stability_series import Points, gather, stability

USUAL_SPAN_NS = 86_400 * 10**9
MOST_POINTS = 200_000


@click.command(
    name="stability", cls=ReadingCommand, epilog="\b\nFor example:\n  noonmark stability quay-gate-1 --since -1d"
)
@click.argument("host")
@click.argument("other", required=False)
@cli_options.reading_options
@click.option("--since", metavar="T", help="From when on; a day before the end if not given.")
@click.option("--until", metavar="T", help="End; the newest estimate if not given.")
@click.option("--step", metavar="SPAN", help="Time between two samples; that of the estimates if not given.")
@click.option(
    "--confidence",
    type=click.FloatRange(min=0, max=1, min_open=True, max_open=True),
    default=ONE_SIGMA,
    metavar="P",
    help="Probability that the interval holds the true deviation; 0.683 if not given.",
)
@click.option("--plot", is_flag=True, help="Also draw the time deviation.")
def command(
    host: str,
    other: str | None,
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    since: str | None,
    until: str | None,
    step: str | None,
    confidence: float,
    plot: bool,
) -> None:
    """How stable HOST's clock is against the reference, or against OTHER.

    Allan, modified Allan and time deviation with confidence intervals, the kind of noise that each shows, MTIE and the
    largest time error, at averaging times from one step to a third of the time asked for (NIST SP 1065, ITU-T G.810).

    Exit code 3: too little is known of the host in that time, or nobody answers.
    """
    step_ns = None if step is None else cli_options.span_of(step, "--step")
    if step_ns == 0:
        raise WrongUse("--step: use a span above zero, such as 10s")
    with cli_options.opened(collector, history, timeout) as source:
        since_ns, until_ns = span_asked(source, since, until, USUAL_SPAN_NS)
        points = fetch(source, host, other, since_ns, until_ns, step_ns)
        if len(points) < 4:
            told = source.offset(host, other, (since_ns + until_ns) // 2)
            why = told.reason if not told.known else f"only {len(points)} estimates were kept in that time"
            raise NoAnswer(f"the stability of {host} is not known: {why}")
    found = stability(points, step_ns, confidence=confidence)
    if as_json:
        cli_options.print_json(stability_json(found, host, other, confidence=confidence))
        return
    plain = (sys.stdout.encoding or "").lower().replace("-", "") not in ("utf8", "utf16")
    width = cli_options.width()
    lines = stability_lines(found, host, other, confidence=confidence, width=width, plot=plot, plain=plain)
    click.echo("\n".join(lines))


def span_asked(source: Source, since: str | None, until: str | None, usual_ns: int) -> tuple[int, int]:
    """[since, until) as the options say; by default what is kept, of the last `usual_ns`. Raises WrongUse, NoAnswer."""
    since_ns = cli_options.moment(since, source, "--since")
    until_ns = cli_options.moment(until, source, "--until")
    if until_ns is None or since_ns is None:
        span = source.span()
        if span.first_ns is None or span.last_ns is None:
            raise NoAnswer(f"{source.address}: no history is kept there")
        until_ns = span.last_ns + 1 if until_ns is None else until_ns
        since_ns = max(span.first_ns, until_ns - usual_ns) if since_ns is None else since_ns
    if since_ns >= until_ns:
        raise WrongUse("--since must name a moment before --until (before the newest estimate, if that is not given)")
    return since_ns, until_ns


def fetch(
    source: Source, host: str, other: str | None, since_ns: int, until_ns: int, step_ns: int | None = None
) -> Points:
    """The known points, thinned to a number that can be held."""
    least_ns = (until_ns - since_ns) // MOST_POINTS
    wanted_ns = max(least_ns, 0 if step_ns is None else step_ns)
    tick_ns = 10**9
    return gather(source.course(host, other, since_ns, until_ns, step_ns=wanted_ns if wanted_ns > tick_ns else 0))
