"""The command `noonmark enrol`: a certificate for this host (or reader), by a one-time token of the collector."""

from __future__ import annotations

import datetime
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from noonmark.agent.config import COLLECTOR_PORT
from noonmark.proto import enrolment_token
from noonmark.proto.commandline import UsageProblem
from noonmark.proto.options import HostPort, host_port
from noonmark.proto.tls_files import TlsFileProblem

if TYPE_CHECKING:
    from noonmark.agent.enrolment import About

TOKEN_PORT = 18624


class NobodyThere(click.ClickException):
    """Exit code 3."""

    exit_code = 3


@click.command()
@click.option("--collector", required=True, metavar="HOST[:PORT]", help=f"Port {TOKEN_PORT} unless given.")
@click.option(
    "--token", metavar="TOKEN", envvar="NOONMARK_ENROL_TOKEN", help="As `noonmark authority token` printed it."
)
@click.option("--token-file", metavar="FILE", help="File with the token; `-` for standard input.")
@click.option("--name", metavar="NAME", help="As the token was made for; this host's own name if not given.")
@click.option(
    "--folder", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Where to keep key and certificate."
)
@click.option("--collector-name", default="", metavar="NAME", help="Name in the collector's certificate, if another.")
@click.option(
    "--renew",
    is_flag=True,
    help=f"Renew the certificate in --folder instead; no token, port {COLLECTOR_PORT} unless given.",
)
def enrol(
    collector: str,
    token: str | None,
    token_file: str | None,
    name: str | None,
    folder: Path,
    collector_name: str,
    renew: bool,
) -> None:
    """Get a certificate from the fleet's own authority, by a one-time token.

    The token holds the authority's fingerprint: a collector of another authority is told nothing. The private key is
    made here and stays here. An agent started with --identity DIR renews the certificate by itself; a reader's is
    renewed with --renew. Needs: pip install 'noonmark[enrol]'

    Exit codes: 2 refused, or wrong use; 3 nobody answers.
    """
    try:
        where = host_port(COLLECTOR_PORT if renew else TOKEN_PORT)(collector)
    except ValueError as error:
        raise UsageProblem(f"--collector {collector!r}: {error}") from None
    from noonmark.agent.enrolment import NotEnrolled

    try:
        about = _enrol(where, token, token_file, name, folder, collector_name, renew)
    except NotEnrolled as error:
        raise (NobodyThere if error.nobody else UsageProblem)(str(error)) from None
    except TlsFileProblem as problem:
        raise UsageProblem(str(problem)) from None
    except OSError as error:
        raise UsageProblem(f"{error.filename or folder}: {error.strerror or error}") from None
    until = datetime.datetime.fromtimestamp(about.expires_s, datetime.UTC)
    click.echo(
        f"{about.role} {about.name} has a certificate until {until:%Y-%m-%d %H:%M} UTC; use it: --identity {folder}"
    )


def _enrol(
    where: HostPort,
    token: str | None,
    token_file: str | None,
    name: str | None,
    folder: Path,
    collector_name: str,
    renew: bool,
) -> About:
    from noonmark.agent import enrolment

    if renew:
        if token or token_file:
            raise UsageProblem("--renew takes no token: the certificate itself is the proof")
        return enrolment.renew([where], folder, collector_name=collector_name)
    if bool(token) is bool(token_file):
        raise UsageProblem("give one of --token, NOONMARK_ENROL_TOKEN and --token-file")
    text = token or (sys.stdin.read(4096) if token_file == "-" else Path(str(token_file)).read_text(encoding="utf-8"))
    try:
        parsed = enrolment_token.parse(text)
    except ValueError as error:
        raise UsageProblem(str(error)) from None
    return enrolment.enrol(where, parsed, name or socket.gethostname(), folder, collector_name=collector_name)
