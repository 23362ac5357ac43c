"""The command `noonmark correct`: one log with its times corrected, on standard output."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator

import click

from noonmark.collector import cli_options
from noonmark.collector.cli_clocks import clock_knowledge, estimate_option
from noonmark.collector.cli_options import NoAnswer, WrongUse
from noonmark.collector.cli_stamps import gathered, stamp_options
from noonmark.collector.correct_log import CorrectionCounts, Corrector
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.log_blocks import ByteStream
from noonmark.collector.log_files import LogError, log_names, open_log
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_journal import JournalLog
from noonmark.collector.order_logs import Hosts
from noonmark.collector.present import counted
from noonmark.collector.write_behind import write_whole

CHUNK = 1 << 20


@click.command(cls=ReadingCommand, epilog="\b\nFor example:\n  noonmark correct quay-gate-1=gate.log > corrected.log")
@click.argument("log", metavar="LOG")
@cli_options.source_options
@estimate_option
@stamp_options
@click.option(
    "--time-quality",
    "quality",
    is_flag=True,
    help="Leave times as they are; write RFC 5424's timeQuality into the structured data instead.",
)
def correct(
    log: str,
    collector: str,
    history: str | None,
    timeout: float,
    estimate_file: str | None,
    formats: tuple[str, ...],
    tz: str | None,
    year: int | None,
    fields: tuple[str, ...],
    host_field: str | None,
    quality: bool,
) -> None:
    """Write one LOG (HOST=FILE, or a FILE whose lines name their hosts; `-`: standard input) with corrected times.

    Each time is written over in its own form, zone and number of digits; nothing else of a line changes, and never the
    file itself. With --time-quality the times stay, and RFC 5424 lines say how true they are (tzKnown, isSynced,
    syncAccuracy in microseconds), where that is certain.

    Exit code 2: no line has a time that can be read. 3: nothing is known of the log's clock.
    """
    options = gathered(tz, year, fields, host_field)
    try:
        names = log_names([log])
        if len(names) != 1:
            raise WrongUse(f"{log}: one log at a time: this is a folder of {len(names)}")
        opened = open_log(names[0], options, formats)
    except (LogError, OSError) as error:
        raise WrongUse(str(error)) from error
    if isinstance(opened.source, JournalLog):
        opened.close()
        raise WrongUse(f"{log}: a journal export is no log of lines; export it as JSON")
    own = [] if names[0].host is None else [names[0].host]
    with (
        contextlib.closing(opened),
        clock_knowledge(
            own, collector=collector, history=history, timeout=timeout, estimate_file=estimate_file, raw=False
        ) as knowledge,
    ):
        hosts = Hosts(knowledge)
        resolve = hosts.resolver(names[0].host)
        single = names[0].host is not None
        corrector = Corrector(
            StampReader(options, formats), knowledge, lambda host: resolve(None if single else host)[1], quality
        )
        for line in corrector.lines(_lines(opened.stream)):
            write_whole(sys.stdout.buffer, line)
        sys.stdout.buffer.flush()
    _report(corrector.counts, quality)


def _lines(stream: ByteStream) -> Iterator[bytes]:
    tail = b""
    while chunk := stream.read(CHUNK):
        pieces = (tail + chunk).split(b"\n")
        tail = pieces.pop()
        for piece in pieces:
            yield piece + b"\n"
    if tail:
        yield tail


def _report(counts: CorrectionCounts, quality: bool) -> None:
    done = counted(counts.corrected, "line" if quality else "time")
    click.echo(f"{done} {'given timeQuality' if quality else 'corrected'}", err=True)
    if counts.unknown:
        left = "left as they are: nothing is known of the clock then"
        click.echo(f"{counted(counts.unknown, 'time')} {left}", err=True)
    if counts.impossible:
        click.echo(f"{counted(counts.impossible, 'line')} left as they are: {counts.first_impossible}", err=True)
    if counts.without_time:
        click.echo(f"{counted(counts.without_time, 'line')} without a readable time", err=True)
    if counts.without_time and not (counts.corrected or counts.unknown or counts.impossible):
        raise WrongUse("no line has a time that can be read: name its --format, or the --field that holds it")
    if counts.unknown and not counts.corrected:
        raise NoAnswer("nothing is known of this log's clock then")
