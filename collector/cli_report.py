"""The command `noonmark report`: evidence of how far clocks were from UTC, for those who must show it."""

from __future__ import annotations

import textwrap
import time
from pathlib import Path

import click

from noonmark.collector import cli_options
from noonmark.collector.budgets import Budgets
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.cli_stability import span_asked
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.history import History
from noonmark.collector.offline import OfflineSource
from noonmark.collector.report import Evidence
from noonmark.collector.report_gather import Gathering, gather
from noonmark.collector.report_html import evidence_html
from noonmark.collector.report_json import evidence_csv, evidence_json
from noonmark.collector.report_policies import POLICIES, policies_of
from noonmark.collector.report_records import FIRST, add_record, check, head_of, kept_days, whole_days
from noonmark.collector.report_text import evidence_lines

_NAMES = "\n".join(
    textwrap.fill(f"  {policy.name:<24} {policy.activity}", 76, subsequent_indent=" " * 27)
    for policy in POLICIES.values()
)


@click.command(
    cls=ReadingCommand,
    epilog=f"\b\nReady-made policies:\n{_NAMES}\n\n"
    "Their figures were read in quotations, one is from memory: each report says which. Check them against the texts "
    "in force.",
)
@cli_options.reading_options
@click.option(
    "--policy",
    "policies",
    multiple=True,
    metavar="WHAT[=WHOM]",
    help="A ready-made policy, or one's own such as gates:5ms; for whom: zone:, role: or host:PATTERN. Repeat.",
)
@click.option("--since", metavar="T", help="From when on; a day before the end if not given.")
@click.option("--until", metavar="T", help="End; the newest estimate if not given.")
@click.option("--host", "hosts", multiple=True, metavar="NAME", help="Only this host; repeat for several.")
@click.option("--step", default="10s", show_default=True, metavar="SPAN", help="Look at least so often (--history).")
@click.option("--gap", default="60s", show_default=True, metavar="SPAN", help="More without an estimate is a gap.")
@click.option(
    "--format", "form", type=click.Choice(["text", "html", "csv", "json"]), default="text", show_default=True,
    help="What to write; --json is --format json.",
)  # fmt: skip
@click.option("--output", metavar="FILE", help="Write there instead of to standard output.")
@click.option("--records", metavar="FOLDER", help="Also keep a hash-chained record of each whole day of UTC there.")
@click.option("--verify", metavar="FOLDER", help="Check the records there instead, and do nothing else.")
@click.option("--head", metavar="HASH", default="", help="Hash that the last record must have (--verify).")
@cli_options.ends_well
def report(
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    policies: tuple[str, ...],
    since: str | None,
    until: str | None,
    hosts: tuple[str, ...],
    step: str,
    gap: str,
    form: str,
    output: str | None,
    records: str | None,
    verify: str | None,
    head: str,
) -> bool:
    """Evidence of how far clocks were from UTC: estimated and certainly bounded, with gaps, chains and method.

    It is evidence, not certification: regulators' texts and those licensed to apply them decide. Zones and roles are
    those that hosts had told by the end of the time asked about; a history keeps them.

    Exit code 1: a host was out of its policy at some time, or with --verify a record was changed. 3: nothing is known,
    or nobody answers.
    """
    if verify is not None:
        return _verify(Path(verify), head, as_json=as_json or form == "json")
    if not policies:
        raise WrongUse("say by which policy with --policy, such as --policy rts25-other; --help lists them")
    try:
        budgets = policies_of(policies)
    except ValueError as error:
        raise WrongUse(f"--policy {error}") from error
    how = Gathering(cli_options.span_of(step, "--step"), cli_options.span_of(gap, "--gap"), hosts)
    if not 0 < how.step_ns <= how.reach_ns:
        raise WrongUse("--step must be above zero and at most --gap")
    with cli_options.opened(collector, history, timeout) as source:
        store = source.history if isinstance(source, OfflineSource) else None
        since_ns, until_ns = span_asked(source, since, until, 86_400 * 10**9)
        evidence = gather(source, store, budgets, since_ns, until_ns, how)
        if not any(host.samples for host in evidence.hosts):
            raise NoAnswer("nothing was measured of any host with a policy in that time")
        kept = _keep(Path(records), source, store, budgets, evidence, how) if records is not None else ""
    _write(_told(evidence, "json" if as_json else form, kept), output)
    return not evidence.ever_out


def _told(evidence: Evidence, form: str, head: str) -> str:
    if form == "html":
        return evidence_html(evidence, made_ns=time.time_ns(), records_head=head)
    if form == "csv":
        return evidence_csv(evidence)
    if form == "json":
        import json

        document = evidence_json(evidence) | ({"records_head": head} if head else {})
        return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    lines = evidence_lines(evidence, width=cli_options.width())
    if head:
        lines += ["", f"Hash of the newest daily record: {head}"]
    return "\n".join(lines) + "\n"


def _write(text: str, output: str | None) -> None:
    if output is None or output == "-":
        click.echo(text, nl=False)
        return
    try:
        Path(output).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise WrongUse(f"{output}: cannot be written: {error.strerror}") from error


def _keep(
    folder: Path, source: Source, store: History | None, budgets: Budgets, evidence: Evidence, how: Gathering
) -> str:
    """Keep records of the whole days that have none yet; the hash of the newest."""
    try:
        kept = kept_days(folder)
        last_ns = source.span().last_ns or 0
        for day, start_ns, end_ns in whole_days(evidence.since_ns, evidence.until_ns):
            if (kept and day <= kept[-1]) or end_ns > last_ns:
                continue
            document = evidence_json(gather(source, store, budgets, start_ns, end_ns, how))
            click.echo(f"kept {folder / day}.json, hash {add_record(folder, day, document)}", err=True)
        head = head_of(folder)
    except OSError as error:
        raise WrongUse(f"--records {folder}: {error.strerror}") from error
    return "" if head == FIRST else head


def _verify(folder: Path, head: str, *, as_json: bool) -> bool:
    try:
        checked = check(folder, head.strip().lower())
    except OSError as error:
        raise WrongUse(f"--verify {folder}: {error.strerror}") from error
    if as_json:
        faults = [{"day": fault.day or None, "text": fault.text} for fault in checked.faults]
        document = {"schema": "noonmark.records/1", "days": list(checked.days), "head": checked.head, "faults": faults}
        cli_options.print_json(document)
    else:
        for fault in checked.faults:
            click.echo(f"{fault.day or 'the records'}: {fault.text}")
        span = f", {checked.days[0]} to {checked.days[-1]}" if checked.days else ""
        click.echo(f"{len(checked.days)} records{span}; {len(checked.faults)} faults; hash of the last {checked.head}")
    if not checked.days and not checked.faults:
        raise NoAnswer(f"{folder}: no records are kept there")
    return not checked.faults
