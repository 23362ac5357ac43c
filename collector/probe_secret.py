"""The secret behind all probe keys, kept in a file, so that keys outlive a restart. Rim."""

from __future__ import annotations

import secrets
from pathlib import Path

from noonmark.collector.probe_keys import LENGTH
from noonmark.proto.tls_files import TlsFileProblem, write_once


def kept_secret(path: Path | None) -> bytes:
    """The file's secret, drawn and written if there is no file; None: one for this process only.

    Raises TlsFileProblem for a file that cannot be read or written, or holds something else.
    """
    if path is None:
        return secrets.token_bytes(LENGTH)
    try:
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            # Of two collectors that start together on one folder both keep the secret of the quicker.
            write_once(path, f"{secrets.token_bytes(LENGTH).hex()}\n".encode(), 0o600)
        found = bytes.fromhex(path.read_text(encoding="ascii").strip())
        if len(found) != LENGTH:
            raise ValueError
    except OSError as error:
        raise TlsFileProblem(f"{error.filename or path}: probe secret: {error.strerror}") from None
    except ValueError:
        raise TlsFileProblem(f"{path}: holds no probe secret; it is 64 hexadecimal digits, or no file yet") from None
    return found
