"""The command `noonmark authority`: a fleet's own certification authority, on the collector's host."""

from __future__ import annotations

import datetime
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from noonmark.collector.access import Role
from noonmark.collector.authority import BadRequest, collectors_own
from noonmark.collector.authority_folder import AuthorityFolder
from noonmark.collector.cli_options import WrongUse, span_of
from noonmark.proto.control import check_name
from noonmark.proto.convert import BadMessage
from noonmark.proto.tls_files import AUTHORITY_FILE, IDENTITY_FILE, TlsFileProblem, write_atomically

_Command = TypeVar("_Command", bound=Callable[..., Any])
ROLES = click.Choice([role.value for role in Role])


class Problems(click.Group):
    """A group whose commands' problems are one line and exit code 2."""

    def invoke(self, context: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(context)
        except (TlsFileProblem, BadRequest, BadMessage) as error:
            raise WrongUse(str(error)) from None
        except OSError as error:
            raise WrongUse(f"{error.filename or 'the folder'}: {error.strerror or error}") from None


def _folder(command: _Command) -> _Command:
    return click.option(
        "--folder",
        required=True,
        type=click.Path(path_type=Path),
        envvar="NOONMARK_COLLECTOR_AUTHORITY",
        show_envvar=True,
        metavar="DIR",
        help="The authority's folder, as for the collector's --authority.",
    )(command)


@click.group(cls=Problems)
def authority() -> None:
    """A fleet's own certification authority, for fleets without one.

    Its folder belongs to the collector: `noonmark collector --authority DIR`. Whoever can read it can make any
    certificate of the fleet.
    """


@authority.command()
@_folder
@click.option("--name", "names", required=True, multiple=True, help="DNS name or address of the collector; repeat.")
def init(folder: Path, names: tuple[str, ...]) -> None:
    """Make an authority, and the collector's own certificate."""
    made = AuthorityFolder.make(folder, names, time.time())
    click.echo(f"authority {made.fingerprint} in {folder}; run: noonmark collector --authority {folder}")


@authority.command()
@_folder
@click.argument("name")
@click.option("--role", type=ROLES, default=Role.AGENT.value, show_default=True, help="What the certificate is for.")
@click.option("--valid", default="1h", show_default=True, metavar="SPAN", help="How long the token can be used.")
def token(folder: Path, name: str, role: str, valid: str) -> None:
    """Print a one-time token, with which NAME (a host, or a reader's name) can enrol.

    Only its hash is kept. Give it to the host by a way that others cannot read, such as its configuration management.
    """
    check_name("name", name)
    lasts = span_of(valid, "--valid") / 1e9
    if lasts <= 0:
        raise WrongUse(f"--valid {valid!r}: use a span above zero")
    made, _ = AuthorityFolder(folder).new_token(name, Role(role), time.time(), lasts=lasts)
    click.echo(str(made))


@authority.command()
@_folder
@click.argument("names", nargs=-1, required=True)
@click.option("--into", type=click.Path(path_type=Path), metavar="DIR", help="For another collector: where to put it.")
def collector(folder: Path, names: tuple[str, ...], into: Path | None) -> None:
    """Make a collector's certificate anew, for these DNS names and addresses."""
    found = AuthorityFolder(folder)
    if into is None:
        found.certify_collector(names, time.time())
        return
    issued, key = collectors_own(found.authority, names, time.time())
    into.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_atomically(into / IDENTITY_FILE, key + issued.pem + found.authority.pem, 0o600)
    write_atomically(into / AUTHORITY_FILE, found.authority.pem, 0o644)
    own = into / IDENTITY_FILE
    click.echo(f"--tls-certificate {own} --tls-key {own} --tls-authority {into / AUTHORITY_FILE}")


@authority.command()
@_folder
@click.argument("entry")
def refuse(folder: Path, entry: str) -> None:
    """Admit a host or reader no more: ENTRY is its name, or sha256: and a certificate's fingerprint.

    Its connection ends within seconds, and its tokens are forgotten. With a name the host cannot enrol anew either,
    until `admit`.
    """
    check_name("entry", entry)
    AuthorityFolder(folder).refuse(entry)


@authority.command()
@_folder
@click.argument("entry")
def admit(folder: Path, entry: str) -> None:
    """Take `refuse` back."""
    if not AuthorityFolder(folder).admit(entry):
        raise WrongUse(f"{entry!r} is not refused")


@authority.command(name="list")
@_folder
@click.option("--json", "as_json", is_flag=True, help="Print JSON lines.")
def list_(folder: Path, as_json: bool) -> None:
    """Certificates that are still good, and tokens that wait."""
    found, now_s = AuthorityFolder(folder), time.time()
    rows = [{"kind": "certificate", **row} for row in found.issued() if row["expires_s"] > now_s]
    rows += [
        {"kind": "token", "name": one.name, "role": one.role.value, "expires_s": round(one.expires_s)}
        for one in found.waiting(now_s)
    ]
    for row in rows:
        if as_json:
            click.echo(json.dumps(row, ensure_ascii=False))
        else:
            until = datetime.datetime.fromtimestamp(row["expires_s"], datetime.UTC)
            click.echo(f"{row['kind']:<12} {row['role']:<10} {row['name']:<24} until {until:%Y-%m-%d %H:%M} UTC")
