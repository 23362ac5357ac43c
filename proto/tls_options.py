"""The settings of TLS that both programs have, and what they come to. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from noonmark.proto.options import ConfigError, Option, Setting, or_off
from noonmark.proto.tls_files import TlsFiles, identity_files

IDENTITY = Option(
    "identity",
    "Folder of this program's certificate, as `noonmark enrol` made it: stands for the three tls options.",
    or_off(Path),
    None,
    "DIR|off",
    shown_default="off",
)
FILES = (
    Option(
        "tls-certificate",
        "PEM file of the certificate to show, with the chain behind it; read again when it is renewed.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="off",
    ),
    Option("tls-key", "PEM file of its private key.", or_off(Path), None, "FILE|off", shown_default="off"),
    Option(
        "tls-authority",
        "PEM file of the authority that the other end's certificate must be of.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="off",
    ),
)


def tls_files(
    settings: Mapping[str, Setting], *, folder: str = "identity", certificate_needed: bool = True
) -> TlsFiles | None:
    """The files that the settings name; None for none. Raises ConfigError for some of them without the others.

    `folder` is the key of the setting that names a folder instead.
    """
    named: dict[str, Any] = {option.key: settings[option.key].value for option in FILES}
    given = [key for key, value in named.items() if value is not None]
    place = settings[folder].value
    if place is not None:
        if given:
            key = given[0]
            raise ConfigError(settings[key].source, key, str(named[key]), f"{folder} stands for it already")
        return identity_files(place)
    if not given:
        return None
    needed = [option.key for option in FILES] if certificate_needed or len(given) > 1 else ["tls_authority"]
    for key in needed:
        if named[key] is None:
            raise ConfigError(settings[given[0]].source, given[0], str(named[given[0]]), f"needs {key} beside it")
    if named["tls_authority"] is None:
        raise ConfigError(settings[given[0]].source, given[0], str(named[given[0]]), "needs tls_authority beside it")
    return TlsFiles(named["tls_authority"], named["tls_certificate"], named["tls_key"])
