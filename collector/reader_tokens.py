"""Readers' tokens: a file of hashes, never of tokens. Rim. Comparing takes the same time whoever asks.

A line is a reader's name and the SHA-256 of its token in hexadecimal; `#` begins a comment. Tokens are 256 random bits,
so a plain hash of them cannot be searched; a password that a person made up must not be used.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import re
import secrets
from pathlib import Path

from noonmark.collector.access import Identity, Role
from noonmark.collector.watched_file import WatchedFile
from noonmark.proto.tls_files import TlsFileProblem

PREFIX = "noonmark-reader-"
LONGEST = 200
_LINE = re.compile(r"(\S+)\s+([0-9a-fA-F]{64})")
log = logging.getLogger("noonmark.collector.access")


def new_token() -> str:
    """A token to be given to a reader, and shown once."""
    return PREFIX + secrets.token_urlsafe(32)


def line_of(name: str, token: str) -> str:
    """What the file keeps of it. Raises ValueError for a name with blanks."""
    if not name or re.search(r"\s|#", name) or not name.isprintable():
        raise ValueError("use a name without blanks")
    return f"{name} {hashlib.sha256(token.encode()).hexdigest()}"


def parse(text: str, where: object) -> tuple[tuple[str, bytes], ...]:
    """Names and hashes. Raises TlsFileProblem naming the line at fault."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        content = line.partition("#")[0].strip()
        if not content:
            continue
        match = _LINE.fullmatch(content)
        if match is None:
            raise TlsFileProblem(
                f"{where}: line {number}: use NAME and the token's SHA-256, as `noonmark token` writes"
            )
        found.append((match[1], bytes.fromhex(match[2])))
    return tuple(found)


class ReaderTokens:
    """The file's tokens, read again when it changes; a damaged new file leaves the old tokens in force."""

    def __init__(self, path: Path) -> None:
        """Raises TlsFileProblem if the file cannot be used now."""
        self._file = WatchedFile(path, lambda text: parse(text, path))

    def identity(self, token: str) -> Identity | None:
        """The reader whose token this is; None for nobody's."""
        digest = hashlib.sha256(token[: LONGEST + 1].encode("utf-8", "replace")).digest()
        owner = ""
        for name, kept in self._file.value():
            if hmac.compare_digest(digest, kept):
                owner = name
        return Identity((owner,), frozenset({Role.READER})) if owner else None
