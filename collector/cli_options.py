"""What the reading commands share: where to ask, when, how to print, and how an error ends.

Exit codes: 0 fine; 1 the answer is bad news; 2 wrong use or unreadable input (one line on standard error); 3 no data,
or nobody there. Results go to standard output, everything else to standard error. Colour only on a terminal, never
with NO_COLOR or TERM=dumb. On a plain install these commands ask a collector; a history at hand needs the extra.
"""

from __future__ import annotations

import functools
import json
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Protocol, TypeVar

import click

from noonmark.collector.cli_security import security, security_options
from noonmark.collector.help_sections import SharedOption
from noonmark.collector.instants import BadInstant, parse_instant, parse_span
from noonmark.collector.present import WIDTH
from noonmark.collector.query_errors import NobodyThere, NoData, Refused
from noonmark.collector.views import FindingView, FleetView, PairView, Span

DEFAULT_COLLECTOR = "127.0.0.1:18621"
BAD_NEWS_KINDS = frozenset({"liar", "reference-disagrees"})
"""Findings that are bad news: stamps that contradict certain limits, references that cannot both be right."""
LEAST_WIDTH = 40
"""Text is not broken into shorter lines than this, however narrow the terminal."""
ELSEWHERE = "name another with --collector HOST:PORT, or read what was kept with --history FILE"
_Command = TypeVar("_Command", bound=Callable[..., Any])


class WrongUse(click.ClickException):
    """Exit code 2: one line saying what and where."""

    exit_code = 2


class NoAnswer(click.ClickException):
    """Exit code 3: no data, or nobody there."""

    exit_code = 3


class Source(Protocol):
    """Whoever answers: a collector, or a history at hand."""

    address: str

    def span(self) -> Span:
        """What time it is there, and from when to when it has answers."""

    def fleet(self, at_ns: int | None = None, *, paths: bool = False) -> FleetView:
        """Every host."""

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """One pair."""

    def others(self, a: str, at_ns: int | None = None) -> Iterator[PairView]:
        """One against all."""

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterator[PairView]:
        """One pair over time."""

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterable[FindingView]:
        """What was found."""


def reading_options(command: _Command) -> _Command:
    """``--collector``, ``--history``, ``--timeout`` and ``--json`` for a command."""
    text = "Print a JSON document; times are integer nanoseconds."
    return source_options(click.option("--json", "as_json", is_flag=True, help=text)(command))


def source_options(command: _Command) -> _Command:
    """``--collector``, ``--history`` and ``--timeout`` for a command, and who asks."""
    command = security_options(command)
    for option in (
        click.option(
            "--timeout",
            cls=SharedOption,
            type=click.FloatRange(min=0, min_open=True),
            default=10.0,
            show_default=True,
            metavar="SECONDS",
            help="How long to wait for the collector.",
        ),
        click.option(
            "--history",
            cls=SharedOption,
            metavar="FILE",
            help="Read a history file (or postgresql://… URL) instead of asking a collector.",
        ),
        click.option(
            "--collector",
            cls=SharedOption,
            metavar="ADDRESS",
            envvar="NOONMARK_COLLECTOR_ADDRESS",
            default=DEFAULT_COLLECTOR,
            show_default=True,
            help="Where the collector answers (host:port).",
        ),
    ):
        command = option(command)
    return command


def at_option(command: _Command) -> _Command:
    """``--at`` for a command."""
    text = "Then instead of now: RFC 3339 with zone, seconds (or ms, µs, ns) since 1970, or an age such as -15m."
    return click.option("--at", "at", metavar="T", help=text)(command)


@contextmanager
def opened(collector: str, history: str | None, timeout: float) -> Iterator[Source]:
    """The source that the options name; its errors become exit codes."""
    with _errors_to_exit_codes():
        if history is not None:
            try:
                from noonmark.collector.offline import OfflineSource
            except ModuleNotFoundError as error:
                raise WrongUse(
                    f"--history needs {error.name}, which is not installed: "
                    "install it with  pip install 'noonmark[collector]'"
                ) from error
            with OfflineSource(history) as source:
                yield source
        else:
            from noonmark.collector.query_client import QueryClient

            with QueryClient(collector, timeout_seconds=timeout, security=security()) as client:
                yield client


@contextmanager
def _errors_to_exit_codes() -> Iterator[None]:
    try:
        yield
    except Refused as error:
        raise WrongUse(str(error)) from error
    except NobodyThere as error:
        raise NoAnswer(str(error) if " TLS" in str(error) else f"{error}; {ELSEWHERE}") from error
    except NoData as error:
        raise NoAnswer(str(error)) from error
    except OSError as error:
        if type(error).__name__ != "HistoryError":
            raise
        raise WrongUse(str(error)) from error


def moment(text: str | None, source: Source, option: str) -> int | None:
    """The instant that an option's text names; None for no text and for ``now``.

    An age counts back from the collector's reference time; without a collector, from this machine's clock.
    """
    if text is None or text.strip().lower() == "now":
        return None
    try:
        if text.strip().startswith("-"):
            parse_instant(text, now_ns=0)  # wrong text is told before anyone is asked
            return parse_instant(text, now_ns=now_of(source))
        return parse_instant(text, now_ns=0)
    except BadInstant as error:
        raise WrongUse(f"{option}: {error}") from error


def span_of(text: str, option: str) -> int:
    """The length of time that an option's text names, ns."""
    try:
        return parse_span(text)
    except BadInstant as error:
        raise WrongUse(f"{option}: {error}") from error


def now_of(source: Source) -> int:
    """Reference time as the source knows it, else this machine's."""
    span = source.span()
    return time.time_ns() if span.now_ns is None else span.now_ns


def width() -> int:
    """Columns to print in: those of the terminal, 80 where there is none. Tables take 80 in any case."""
    return max(LEAST_WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns) if sys.stdout.isatty() else WIDTH


def coloured() -> bool:
    """Whether colour may be used at all."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def paint(line: str, colour: str) -> str:
    """A line in a colour, where that may be."""
    return click.style(line, fg=colour) if coloured() else line


def print_json(document: object) -> None:
    """One document, on lines of its own."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=False))


def print_json_line(document: object) -> None:
    """One document of a stream, on one line."""
    click.echo(json.dumps(document, ensure_ascii=False))


def bad_news(findings: Iterable[FindingView], at_ns: int, *hosts: str | None) -> bool:
    """Whether a finding that held at the instant (and concerns one of these hosts, if any are named) is bad news."""
    for finding in findings:
        until_ns = finding.at_ns + round(finding.evidence.get("lasted_s", 0.0) * 1e9)
        holds = finding.at_ns - _NEAR_NS <= at_ns <= until_ns + _NEAR_NS
        if finding.kind in BAD_NEWS_KINDS and holds and (not hosts or finding.concerns(*hosts)):
            return True
    return False


_NEAR_NS = 60 * 10**9


def ends_well(command: Callable[..., bool]) -> Callable[..., None]:
    """A command that returns whether the answer is good: exit code 0, or 1."""

    @functools.wraps(command)
    def run(*arguments: Any, **options: Any) -> None:
        if not command(*arguments, **options):
            sys.exit(1)

    return run
