"""The command `noonmark order`: logs of several hosts, merged in corrected time."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence

import click

from noonmark.collector import cli_options
from noonmark.collector.cli_clocks import clock_knowledge, correction_options
from noonmark.collector.cli_options import NoAnswer, WrongUse
from noonmark.collector.cli_stamps import gathered, stamp_options
from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.estimate import Finding
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.instants import format_instant
from noonmark.collector.log_blocks import BLOCK_BYTES
from noonmark.collector.log_files import LogError, LogName, OpenLog, log_names, open_log
from noonmark.collector.log_journal import JournalLog
from noonmark.collector.log_process import reading
from noonmark.collector.log_stamps import StampOptions
from noonmark.collector.merge import Merge, MergedRecords
from noonmark.collector.merge_text import TextWriter
from noonmark.collector.order_logs import Hosts, merge_of, tightened_by
from noonmark.collector.present import counted
from noonmark.collector.verdicts import LIKELY
from noonmark.collector.write_behind import Piece, write_behind

MOST_BLOCKS, LEAST_BLOCK = 16 * BLOCK_BYTES, 1 << 16
"""Bytes drawn at once from all logs together, and from one of very many."""


@click.command(
    cls=ReadingCommand,
    epilog="\b\nFor example:\n  noonmark order quay-gate-1=gate.log holm-booking=db.log.gz --explain",
)
@click.argument("logs", nargs=-1, required=True, metavar="LOG…")
@cli_options.reading_options
@correction_options
@stamp_options
@click.option("--strict", is_flag=True, help="Exit with 1 when the order of two neighbours of different hosts is open.")
@click.option("--likely", type=click.FloatRange(0.5, 1.0, min_open=True, max_open=True), default=LIKELY,
              show_default=True, help="Probability from which an order is called likely.")  # fmt: skip
@click.option("--window", metavar="SPAN", default="10s", show_default=True,
              help="How far lines of different hosts in one log may be out of order.")  # fmt: skip
@click.option("--happens-before", "field", metavar="FIELD",
              help="Lines that share this field's value are one request and its reply: use it.")  # fmt: skip
@click.option("--explain", is_flag=True, help="Say at the end what else than a clock may set the logs apart.")
def order(
    logs: tuple[str, ...],
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    estimate_file: str | None,
    raw: bool,
    formats: tuple[str, ...],
    tz: str | None,
    year: int | None,
    fields: tuple[str, ...],
    host_field: str | None,
    strict: bool,
    likely: float,
    window: str,
    field: str | None,
    explain: bool,
) -> None:
    """Merge logs of several hosts into one stream, in corrected time.

    A LOG is HOST=FILE, HOST=FOLDER (all its files), FOLDER (in it a folder for each host), or a FILE whose lines name
    their hosts. `-` is standard input; gzip is unpacked. Lines come out as they are, behind two marks, their corrected
    time and their host; a line without a time stays with the line before.

    \b
    First mark    / | \\  first, inner and last of a group whose order is open
    Second mark   ~      the order to the line before is likely
                  ?      it is open; a blank: it is certain
    Behind time   !      nothing is known of this host's clock then: its own time

    Exit code 1: --strict, and the order of some neighbours is open. 2: a log cannot be read as it stands. 3: nothing is
    known of any clock.
    """
    options = gathered(tz, year, fields, host_field)
    window_ns = cli_options.span_of(window, "--window")
    names = _names(logs, twice=field is not None or explain)
    with contextlib.ExitStack() as stack:
        knowledge = stack.enter_context(
            clock_knowledge(
                _hosts(names),
                collector=collector,
                history=history,
                timeout=timeout,
                estimate_file=estimate_file,
                raw=raw,
            )
        )
        hosts = Hosts(knowledge)
        opened = stack.enter_context(_opened(names, options, formats))
        tightened, findings = None, list[Finding]()
        if field is not None:
            with _opened(names, options, formats) as again:
                tightened, steps, findings = tightened_by(again, field, hosts, knowledge)
            none = "" if steps else ": no two hosts' lines share a value of it; is its name right?"
            _say(f"{counted(len(steps), 'pair')} of cause and effect by {field}{none}")
        merge = merge_of(
            opened,
            knowledge,
            hosts,
            blocks=stack.enter_context(reading(opened, options, formats, _block_bytes(names))),
            likely=likely,
            window_ns=window_ns,
            tightened=tightened,
            uncertainty=as_json,
        )
        if len(_hosts(names)) > 1 and not raw:
            import scipy.special  # noqa: F401 - judging needs it; here it is loaded while a process reads the first blocks
        _write(merge, hosts, opened, as_json)
        findings += [step for log in opened if isinstance(log.source, JournalLog) for step in log.source.steps]
        _report(merge, opened, findings, raw)
        if explain:
            _explain(names, options, formats, knowledge, hosts)
        _finish(merge, raw, strict, opened)


def _names(logs: Sequence[str], *, twice: bool) -> list[LogName]:
    try:
        names = log_names(logs)
    except (LogError, OSError) as error:
        raise WrongUse(str(error)) from error
    if sum(name.path == "-" for name in names) > 1:
        raise WrongUse("standard input can be one log only")
    if twice and any(name.path == "-" for name in names):
        raise WrongUse("--happens-before and --explain read the logs twice: standard input cannot be one of them")
    return names


def _hosts(names: Sequence[LogName]) -> list[str]:
    return list(dict.fromkeys(name.host for name in names if name.host is not None))


def _block_bytes(names: Sequence[LogName]) -> int:
    return max(LEAST_BLOCK, min(BLOCK_BYTES, MOST_BLOCKS // max(1, len(names))))


@contextlib.contextmanager
def _opened(names: Sequence[LogName], options: StampOptions, formats: Sequence[str]) -> Iterator[list[OpenLog]]:
    """The logs, opened; all are closed at the end, and if one cannot be opened."""
    with contextlib.ExitStack() as stack:
        logs = []
        try:
            for name in names:
                logs.append(open_log(name, options, formats, block_bytes=_block_bytes(names)))
                stack.callback(logs[-1].close)
        except LogError as error:
            raise WrongUse(str(error)) from error
        yield logs


def _write(merge: Merge, hosts: Hosts, logs: Sequence[OpenLog], as_json: bool) -> None:
    lay_out: Callable[[MergedRecords], Iterable[Piece]]
    if as_json:
        from noonmark.collector.merge_json import JsonWriter

        lay_out = JsonWriter(hosts.names, [log.name.path for log in logs]).lay_out
    else:
        lay_out = TextWriter(hosts.names).lay_out
    pieces = (piece for stretch in merge.stretches() for piece in lay_out(stretch))
    write_behind(pieces, sys.stdout.buffer)


def _say(text: str) -> None:
    click.echo(text, err=True)


def _report(merge: Merge, logs: Sequence[OpenLog], findings: Sequence[Finding], raw: bool) -> None:
    """What the reader should know of the whole, on standard error."""
    counts = merge.counts
    certain = counts.across - counts.likely - counts.open
    _say(
        f"{counted(counts.records, 'record')} of {counted(len(logs), 'log')}; of "
        f"{counted(counts.across, 'step')} from host to host {certain:,} certain, {counts.likely:,} likely, "
        f"{counts.open:,} open"
    )
    if counts.unknown:
        keep = "keeps its" if counts.unknown == 1 else "keep their"
        known = "--raw corrects nothing" if raw else "nothing is known of the host's clock then"
        _say(f"{counted(counts.unknown, 'record')} {keep} own time (marked !): {known}")
    for log, source in zip(logs, merge.sources, strict=True):
        path, read = log.name.path, log.counts
        if read.lines and read.unreadable + read.continued == read.lines:
            _say(f"{path}: no line has a time that can be read: name its --format, or the --field that holds it")
        elif read.unreadable:
            _say(f"{path}: {counted(read.unreadable, 'line')} without a readable time kept with the line before")
        if read.refused:
            _say(f"{path}: of these {read.refused:,} could be read if: {read.first_refusal}")
        if source.late:
            _say(f"{path}: {counted(source.late, 'line')} later than --window allows; placed as early as can be")
        for trouble in log.trouble:
            _say(trouble)
    for finding in findings:
        _say(f"{format_instant(finding.at_ns)}  {finding.text}")


def _explain(
    names: Sequence[LogName], options: StampOptions, formats: Sequence[str], knowledge: ClockKnowledge, hosts: Hosts
) -> None:
    from noonmark.collector.explain_logs import explain_logs

    with _opened(names, options, formats) as logs:
        for line in explain_logs(logs, knowledge, hosts):
            _say(line)


def _finish(merge: Merge, raw: bool, strict: bool, logs: Sequence[OpenLog]) -> None:
    counts = merge.counts
    if any(log.trouble for log in logs):
        sys.exit(2)
    if counts.records and counts.unknown == counts.records and not raw:
        raise NoAnswer("nothing is known of any of these clocks then: all times are the logs' own")
    if strict and counts.open:
        sys.exit(1)
