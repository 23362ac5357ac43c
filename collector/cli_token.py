"""The command `noonmark token`: a reader's bearer token, shown once; its hash goes into the collector's file."""

from __future__ import annotations

from pathlib import Path

import click

from noonmark.collector import reader_tokens
from noonmark.collector.cli_options import WrongUse
from noonmark.proto.tls_files import TlsFileProblem, write_atomically


@click.command()
@click.argument("name")
@click.option(
    "--file",
    required=True,
    type=click.Path(path_type=Path),
    envvar="NOONMARK_COLLECTOR_READER_TOKENS",
    show_envvar=True,
    help="The collector's --reader-tokens; made if it is not there.",
)
def token(name: str, file: Path) -> None:
    """Print a new token for the reader NAME, for a --token-file, a dashboard or a scraper.

    Only its hash is kept. A token that NAME had before is void. To take a token away, delete its line; the collector
    sees it within a second.
    """
    made = reader_tokens.new_token()
    try:
        line = reader_tokens.line_of(name, made)
        text = file.read_text(encoding="utf-8") if file.exists() else ""
        reader_tokens.parse(text, file)
        kept = [old for old in text.splitlines() if old.split("#")[0].split()[:1] != [name]]
        write_atomically(file, ("\n".join([*kept, line]) + "\n").encode(), 0o600)
    except ValueError as error:
        raise WrongUse(f"NAME {name!r}: {error}") from None
    except TlsFileProblem as problem:
        raise WrongUse(str(problem)) from None
    except OSError as error:
        raise WrongUse(f"{file}: {error.strerror}") from None
    click.echo(made)
