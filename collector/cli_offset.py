"""The command `noonmark offset`: how far apart two clocks are, were at a moment, or were over a stretch of time."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from noonmark.collector import cli_options
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.instants import format_instant
from noonmark.collector.present import format_age, format_drift, format_limits, sentence
from noonmark.collector.present_json import finding_json, pair_json
from noonmark.collector.present_plot import plot
from noonmark.collector.present_tables import finding_lines, pair_table, wrapped
from noonmark.collector.views import FindingView, PairView

MOST_POINTS = 1_000
"""A course longer than this many ticks is told at even steps unless --step says otherwise."""
TICK_NS = 5 * 10**9


@click.command(
    cls=ReadingCommand,
    epilog="\b\nFor example:\n  noonmark offset quay-gate-1 holm-booking --at -15m\n"
    "  noonmark offset quay-gate-1 --since -1h",
)
@click.argument("a")
@click.argument("b", required=False)
@cli_options.reading_options
@cli_options.at_option
@click.option("--all", "against_all", is_flag=True, help="A against every other host, largest difference first.")
@click.option("--since", metavar="T", help="Print the course from T on, with a plot.")
@click.option("--until", metavar="T", help="End of the course; now if not given.")
@click.option("--step", metavar="SPAN", help="Least time between two points of the course, such as 1m.")
@cli_options.ends_well
def offset(
    a: str,
    b: str | None,
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    at: str | None,
    against_all: bool,
    since: str | None,
    until: str | None,
    step: str | None,
) -> bool:
    """How far host A's clock is from host B's, or without B from the reference.

    The answer is one sentence: who is ahead, by how much, with the expanded uncertainty (k=2, about 95 %), and within
    which limits that is certain whatever the network did. With --at it is asked of a past moment; with --since and
    --until the whole course is told.

    Exit code 1: a finding near that moment says that A's or B's stamps contradict certain limits, or that references
    disagree. 3: the offset is not known (the reason is told), or nobody answers.
    """
    if against_all and (b is not None or since is not None):
        raise WrongUse("--all takes one host and one moment: leave out B, --since and --until")
    if at is not None and (since is not None or until is not None):
        raise WrongUse("--at asks for one moment, --since and --until for a stretch of time: use one or the other")
    if since is None and (until is not None or step is not None):
        raise WrongUse("--until and --step belong to a course: give --since as well")
    with cli_options.opened(collector, history, timeout) as source:
        if since is not None:
            return _course(source, a, b, since, until, step, as_json=as_json)
        at_ns = cli_options.moment(at, source, "--at")
        past = at_ns is not None or history is not None
        if against_all:
            return _against_all(source, a, at_ns, past=past, as_json=as_json)
        return _one(source.offset(a, b, at_ns), past=past, as_json=as_json)


def _one(pair: PairView, *, past: bool, as_json: bool) -> bool:
    if as_json:
        cli_options.print_json(pair_json(pair, past=past))
    else:
        for line in _told(pair, past=past):
            click.echo(line)
    if not pair.known:
        sys.exit(NoAnswer.exit_code)
    return not cli_options.bad_news(pair.findings, pair.at_ns, pair.a, pair.b)


def _told(pair: PairView, *, past: bool) -> list[str]:
    width = cli_options.width()
    lines = wrapped(sentence(pair, past=past), width=width)
    if pair.known:
        lines += ["", *_numbers(pair)]
        if pair.reason:
            lines += wrapped(f"Note: {pair.reason}.", width=width, indent="  ")
    if pair.findings:
        lines += ["", "Findings near that moment:", *finding_lines(pair.findings, width=width)]
    return lines


def _numbers(pair: PairView) -> list[str]:
    b = "the reference" if pair.b is None else pair.b
    age = abs(pair.at_ns - pair.measured_ns)
    word = "before" if pair.at_ns >= pair.measured_ns else "after"
    rows = [
        ("at", format_instant(pair.at_ns, digits=3)),
        ("estimated", f"{format_age(age)} {word}" if age >= 10**6 else "at that moment"),
        (f"{pair.a} minus {b}", f"{pair.offset_ns:+d} ns"),
        ("standard uncertainty", f"{pair.uncertainty_ns} ns (k=1)"),
        ("certain limits", _exact_limits(pair)),
        ("drift", f"{format_drift(pair.drift)} (positive: {pair.a} gains)"),
    ]
    size = max(len(name) for name, _ in rows)
    return [f"  {name:<{size}}  {value}" for name, value in rows]


def _exact_limits(pair: PairView) -> str:
    if pair.lower_ns is None or pair.upper_ns is None:
        return format_limits(pair.lower_ns, pair.upper_ns)
    return f"{pair.lower_ns:+d} to {pair.upper_ns:+d} ns"


def _against_all(source: Source, a: str, at_ns: int | None, *, past: bool, as_json: bool) -> bool:
    pairs = list(source.others(a, at_ns))
    known = [pair for pair in pairs if pair.known]
    if not known:
        raise NoAnswer(pairs[0].reason if pairs else f"no other host is known beside {a}")
    ordered = sorted(pairs, key=lambda pair: (not pair.known, -abs(pair.offset_ns), pair.b or ""))
    if as_json:
        documents = [pair_json(pair, past=past, with_findings=False) for pair in ordered]
        cli_options.print_json({"schema": "noonmark.offsets/1", "a": a, "at_ns": ordered[0].at_ns, "pairs": documents})
    else:
        width = cli_options.width()
        told = f"{a} against every other host at {format_instant(ordered[0].at_ns, digits=3)}:"
        click.echo("\n".join([*wrapped(told, width=width), "", *pair_table(ordered, past=past, width=width)]))
    return not any(cli_options.bad_news(pair.findings, pair.at_ns, a) for pair in known)


def _course(
    source: Source, a: str, b: str | None, since: str, until: str | None, step: str | None, *, as_json: bool
) -> bool:
    since_ns = cli_options.moment(since, source, "--since")
    until_ns = cli_options.moment(until, source, "--until")
    if until_ns is None:
        last = source.span().last_ns
        until_ns = cli_options.now_of(source) if last is None else last + 1
    if since_ns is None or since_ns >= until_ns:
        raise WrongUse("--since must name a moment before --until (before the newest estimate, if that is not given)")
    step_ns = cli_options.span_of(step, "--step") if step else _even_step(until_ns - since_ns, as_json)
    points = source.course(a, b, since_ns, until_ns, step_ns=step_ns)
    if as_json:
        count = known = 0
        for point in points:
            cli_options.print_json_line(pair_json(point, past=True, with_findings=False))
            count, known = count + 1, known + point.known
        if not known:
            raise NoAnswer(_nothing(source, a, b, since_ns, until_ns, count))
        for finding in _findings(source, a, b, since_ns, until_ns):
            cli_options.print_json_line({"schema": "noonmark.finding/1", **finding_json(finding)})
        return True
    listed = list(points)
    if not any(point.known for point in listed):
        raise NoAnswer(_nothing(source, a, b, since_ns, until_ns, len(listed)))
    _print_course(listed, a, b, since_ns, until_ns)
    findings = _findings(source, a, b, since_ns, until_ns)
    if findings:
        lines = finding_lines(findings, width=cli_options.width())
        click.echo("\n".join(["", "Findings:", *lines]))
    return True


def _even_step(length_ns: int, as_json: bool) -> int:
    """Every tick for a program; for a person no more points than a plot can show."""
    return 0 if as_json or length_ns <= MOST_POINTS * TICK_NS else length_ns // MOST_POINTS


def _findings(source: Source, a: str, b: str | None, since_ns: int, until_ns: int) -> list[FindingView]:
    found = {}
    for host in (a, b):
        if host is not None:
            for finding in source.findings(since_ns, until_ns, host):
                found[finding.kind, finding.host, finding.path, finding.at_ns] = finding
    return sorted(found.values(), key=lambda finding: finding.at_ns)


def _nothing(source: Source, a: str, b: str | None, since_ns: int, until_ns: int, count: int) -> str:
    if count:
        return f"nothing is known of {a}{f' and {b}' if b else ''} in that time"
    told = source.offset(a, b, (since_ns + until_ns) // 2)
    return told.reason if not told.known else "nothing was kept in that time"


def _print_course(points: Sequence[PairView], a: str, b: str | None, since_ns: int, until_ns: int) -> None:
    known = [point for point in points if point.known]
    other = "the reference" if b is None else b
    most = max(known, key=lambda point: abs(point.offset_ns))
    width = cli_options.width()
    told = [
        f"{a} minus {other}, {len(known)} estimates from {format_instant(known[0].at_ns, digits=0)}"
        f" to {format_instant(known[-1].at_ns, digits=0)}.",
        f"Furthest at {format_instant(most.at_ns, digits=0)}: {sentence(most, past=True)}",
    ]
    for paragraph in told:
        click.echo("\n".join(wrapped(paragraph, width=width)))
    plain = (sys.stdout.encoding or "").lower().replace("-", "") not in ("utf8", "utf16")
    click.echo("\n".join(["", *plot(points, since_ns=since_ns, until_ns=until_ns, width=width, plain=plain)]))
