"""The options by which reading commands say who they are, and whom they believe; the same for every command.

They are kept beside the command's own parameters, in click's context, so that no command need pass them on.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from noonmark.collector.help_sections import SharedOption
from noonmark.proto import plaintext
from noonmark.proto.channels import Security
from noonmark.proto.tls_files import TlsFiles, identity_files

KEY = "noonmark.security"
_Command = TypeVar("_Command", bound=Callable[..., Any])
_OPTIONS = (
    ("identity", "DIR", "Folder of your certificate, as `noonmark enrol` made it."),
    ("tls-authority", "FILE", "PEM file of the authority that the collector's certificate must be of."),
    ("tls-certificate", "FILE", "PEM file of your own certificate."),
    ("tls-key", "FILE", "PEM file of its key."),
    ("tls-collector-name", "NAME", "Name in the collector's certificate, where it is not the one asked at."),
    ("token-file", "FILE", "File with your reader's token, for the collector's --token-listen port."),
)


def security_options(command: _Command) -> _Command:
    """``--identity``, ``--tls-...``, ``--token-file`` and the flag for plain connections."""
    kept: dict[str, Any] = {"expose_value": False, "callback": _keep, "cls": SharedOption}
    command = click.option(
        f"--{plaintext.FLAG}",
        is_flag=True,
        envvar="NOONMARK_READER_PLAINTEXT_BEYOND_LOOPBACK",
        help="Ask a collector beyond this host without encryption and authentication.",
        **kept,
    )(command)
    for name, metavar, text in reversed(_OPTIONS):
        variable = f"NOONMARK_READER_{name.upper().replace('-', '_')}"
        command = click.option(f"--{name}", metavar=metavar, envvar=variable, show_envvar=True, help=text, **kept)(
            command
        )
    return command


def _keep(context: click.Context, parameter: click.Parameter, value: Any) -> None:
    context.meta.setdefault(KEY, {})[parameter.name] = value


def security() -> Security:
    """As the options of the running command say. Raises click.UsageError for some without the others."""
    context = click.get_current_context(silent=True)
    given: dict[str, Any] = context.meta.get(KEY, {}) if context else {}
    files: TlsFiles | None = None
    pair = given.get("tls_certificate"), given.get("tls_key")
    if given.get("identity"):
        if given.get("tls_authority") or any(pair):
            raise click.UsageError("--identity stands for --tls-authority, --tls-certificate and --tls-key already")
        files = identity_files(Path(given["identity"]))
    elif given.get("tls_authority"):
        if any(pair) and not all(pair):
            raise click.UsageError("--tls-certificate and --tls-key go together")
        certificate, key = (Path(name) if name else None for name in pair)
        files = TlsFiles(Path(given["tls_authority"]), certificate, key)
    elif any(pair):
        raise click.UsageError("--tls-certificate needs --tls-authority: whom to believe")
    token = given.get("token_file")
    return Security(
        files,
        given.get("tls_collector_name") or "",
        Path(token) if token else None,
        bool(given.get("plaintext_beyond_loopback")),
    )
