"""The command `noonmark ahead`: which hosts were ahead or behind by more than so much, when, and for how long."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import click

from noonmark.collector import cli_options
from noonmark.collector.ahead import Excursion, HostExcursions, excursions
from noonmark.collector.cli_clocks import Forgiving
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.instants import format_instant
from noonmark.collector.present import counted, direction, format_age, format_duration
from noonmark.proto.spelling import did_you_mean, no_such_host

SHOWN = 20
"""Excursions of one host told one by one; beyond, they are counted."""


@click.command(cls=ReadingCommand, epilog="\b\nFor example:\n  noonmark ahead --by 250ms --since -1d --zone quay")
@cli_options.reading_options
@click.option("--by", "by", required=True, metavar="SPAN", help="More than this ahead or behind, such as 250ms.")
@click.option("--since", required=True, metavar="T", help="Begin of the stretch of time asked about.")
@click.option("--until", metavar="T", help="Its end.  [default: now]")
@click.option("--host", "hosts", multiple=True, metavar="HOST", help="Only this host; repeat for several.")
@click.option("--zone", metavar="ZONE", help="Only hosts of this zone, as they told by the end.")
@click.option("--role", metavar="ROLE", help="Only hosts of this role.")
@click.option("--only", type=click.Choice(["ahead", "behind"]), help="Only one of the two directions.")
def ahead(
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    by: str,
    since: str,
    until: str | None,
    hosts: tuple[str, ...],
    zone: str | None,
    role: str | None,
    only: str | None,
) -> None:
    """Which hosts' clocks were ahead (or behind) by more than --by: when, by how much, and for how long in all.

    The question after an incident. Times are the reference's; a stretch is certain as far as the limits leave no doubt.

    Exit code 1: some host was. 3: nothing is known of that time.
    """
    by_ns = cli_options.span_of(by, "--by")
    with cli_options.opened(collector, history, timeout) as source:
        since_ns = cli_options.moment(since, source, "--since")
        until_ns = cli_options.moment(until, source, "--until")
        until_ns = cli_options.now_of(source) if until_ns is None else until_ns
        since_ns = until_ns if since_ns is None else since_ns
        if since_ns >= until_ns:
            raise WrongUse("--since must come before --until")
        known = source.span().hosts
        strangers = [no_such_host(host, known) for host in hosts if host not in known]
        if hosts and len(strangers) == len(hosts):
            raise NoAnswer("; ".join(strangers))
        for stranger in strangers:
            click.echo(stranger, err=True)
        names = tuple(host for host in hosts if host in known) or known
        if zone is not None or role is not None:
            names = _placed(source, names, zone, role, until_ns)
        found = _asked(source, names, by_ns, since_ns, until_ns, only)
        if not any(each.known_ns for each in found):
            raise NoAnswer(_nothing_known(source, since_ns, until_ns))
    beyond = sorted((each for each in found if each.excursions), key=lambda each: -each.lasted_ns)
    if as_json:
        cli_options.print_json(_document(beyond, len(found), by_ns, since_ns, until_ns))
    else:
        _print(beyond, len(found), by_ns)
    if beyond:
        sys.exit(1)


def _placed(source: Source, hosts: Sequence[str], zone: str | None, role: str | None, at_ns: int) -> tuple[str, ...]:
    """Those of the hosts that are in the zone and have the role. Raises WrongUse if there are none."""
    places = {host.host: (host.zone, host.role) for host in source.fleet(at_ns).hosts}
    found = tuple(
        host for host in hosts if host in places and zone in (None, places[host][0]) and role in (None, places[host][1])
    )
    if not found:
        raise WrongUse(_nobody_there(list(places.values()), zone, role))
    return found


def _nobody_there(places: Sequence[tuple[str, str]], zone: str | None, role: str | None) -> str:
    """Which of zone and role no host has, and what was perhaps meant."""
    for option, asked, known in (
        ("zone", zone, sorted({place[0] for place in places if place[0]})),
        ("role", role, sorted({place[1] for place in places if place[1]})),
    ):
        if asked is not None and asked not in known:
            hint = did_you_mean(asked, known) or (
                f"the {option}s are {', '.join(known)}" if known else "no host told one"
            )
            return f"--{option} {asked}: no host is of this {option}; {hint}"
    return f"no host of the zone {zone} has the role {role}"


def _nothing_known(source: Source, since_ns: int, until_ns: int) -> str:
    span = source.span()
    if not span.hosts:
        return "no host is known yet"
    since, until = (format_instant(moment, digits=3) for moment in (since_ns, until_ns))
    text = f"nothing is known of these hosts from {since} to {until}"
    if span.first_ns is None or span.last_ns is None:
        return text
    first, last = (format_instant(moment, digits=3) for moment in (span.first_ns, span.last_ns))
    return f"{text}: what was kept reaches from {first} to {last}"


def _asked(
    source: Source, hosts: Sequence[str], by_ns: int, since_ns: int, until_ns: int, only: str | None
) -> list[HostExcursions]:
    forgiving = Forgiving(source)
    found = []
    for host in hosts:
        each = excursions(host, forgiving.course(host, None, since_ns, until_ns), by_ns, until_ns)
        kept = tuple(one for one in each.excursions if only is None or one.ahead == (only == "ahead"))
        found.append(HostExcursions(host, kept, each.known_ns))
    return found


def _print(beyond: list[HostExcursions], asked: int, by_ns: int) -> None:
    if not beyond:
        click.echo(f"None of {counted(asked, 'host')} was more than {format_duration(by_ns)} ahead or behind.")
        return
    for each in beyond:
        times = len(each.excursions)
        click.echo(
            f"{each.host}: more than {format_duration(by_ns)} off for {format_age(each.lasted_ns)} in all"
            f"{f', in {times} stretches' if times > 1 else ''} (certain for {format_age(each.certain_ns)})"
        )
        for one in each.excursions[:SHOWN]:
            click.echo(f"  {_line(one)}")
        if times > SHOWN:
            click.echo(f"  and {times - SHOWN} more (all of them with --json)")


def _line(one: Excursion) -> str:
    end = "still so" if one.open_end else format_instant(one.until_ns, digits=3)
    size = f"{format_duration(abs(one.largest_ns))} {direction(one.largest_ns)}"
    return f"{format_instant(one.since_ns, digits=3)} to {end:<24}  up to {size}"


def _document(beyond: list[HostExcursions], asked: int, by_ns: int, since_ns: int, until_ns: int) -> dict[str, Any]:
    return {
        "schema": "noonmark.ahead/1",
        "by_ns": by_ns,
        "since_ns": since_ns,
        "until_ns": until_ns,
        "asked": asked,
        "hosts": [
            {
                "host": each.host,
                "lasted_ns": each.lasted_ns,
                "certain_ns": each.certain_ns,
                "largest_ns": each.largest_ns,
                "excursions": [
                    {
                        "since_ns": one.since_ns,
                        "until_ns": one.until_ns,
                        "ahead": one.ahead,
                        "largest_ns": one.largest_ns,
                        "certain_ns": one.certain_ns,
                        "open_end": one.open_end,
                    }
                    for one in each.excursions
                ],
            }
            for each in beyond
        ],
    }
