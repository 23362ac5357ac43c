"""The folder of a fleet's authority: its key, what it issued, tokens that wait, and who is not admitted any more. Rim.

The folder is for the collector's user alone. Files are replaced in one stroke. A token is a file named by the
token's hash; using it up removes the file, which only one caller can.

    authority.key authority.pem     the authority
    identity.pem                    the collector's own key and certificate
    tokens/HASH                     JSON: name, role, expires_s
    issued                          one JSON line a certificate
    refused                         names and sha256:fingerprints, one a line
"""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noonmark.collector import authority
from noonmark.collector.access import Role, refusals
from noonmark.collector.authority import Authority, BadRequest, Issued
from noonmark.proto import enrolment_token
from noonmark.proto.enrolment_token import EnrolmentToken
from noonmark.proto.tls_files import (
    AUTHORITY_FILE,
    IDENTITY_FILE,
    TlsFileProblem,
    fingerprint,
    sync_folder,
    write_atomically,
)

KEY_FILE = "authority.key"
TOKENS = "tokens"
ISSUED = "issued"
REFUSED = "refused"
TOKEN_LASTS = 3600.0
LONGEST_TOKEN = 30 * 86_400.0
_HASH = re.compile(r"[0-9a-f]{64}")


class TokenRefused(Exception):  # noqa: N818 - named for what befell the caller
    """A token that is not honoured; the text says why, for whoever enrols."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A token that was not used yet."""

    name: str
    role: Role
    expires_s: float


class AuthorityFolder:
    """An authority at work."""

    def __init__(self, path: Path) -> None:
        """Raises TlsFileProblem if there is none, or it is damaged."""
        self.path = path
        try:
            certificate, key = (path / AUTHORITY_FILE).read_bytes(), (path / KEY_FILE).read_bytes()
        except OSError as error:
            raise TlsFileProblem(
                f"{error.filename}: cannot be read: {error.strerror}; make an authority with: noonmark authority init"
            ) from None
        try:
            self.authority: Authority = authority.read_authority(certificate, key)
        except (ValueError, TypeError) as error:
            raise TlsFileProblem(f"{path / KEY_FILE}: {error}") from None

    @staticmethod
    def make(path: Path, names: Sequence[str], now_s: float) -> AuthorityFolder:
        """A new authority and the collector's certificate for `names`. Raises TlsFileProblem, BadRequest."""
        if (path / KEY_FILE).exists():
            raise TlsFileProblem(f"{path}: there is an authority already; a new one would lock all hosts out")
        made = authority.new_authority("noonmark authority", now_s)
        authority.collectors_own(made, names, now_s)
        try:
            path.mkdir(mode=0o700, parents=True, exist_ok=True)
            (path / TOKENS).mkdir(mode=0o700, exist_ok=True)
            write_atomically(path / AUTHORITY_FILE, made.pem, 0o644)
            write_atomically(path / KEY_FILE, authority.key_pem(made.key), 0o600)
        except OSError as error:
            raise TlsFileProblem(f"{error.filename or path}: cannot be written: {error.strerror}") from None
        folder = AuthorityFolder(path)
        folder.certify_collector(names, now_s)
        return folder

    @property
    def fingerprint(self) -> str:
        """Of the authority's certificate."""
        return fingerprint(self.authority.pem)

    def certify_collector(self, names: Sequence[str], now_s: float) -> Issued:
        """Give the collector a certificate for these names, with the authority's behind it. Raises BadRequest."""
        issued, key = authority.collectors_own(self.authority, names, now_s)
        # The authority's own goes along, so that a host that enrols can tell it by its fingerprint.
        write_atomically(self.path / IDENTITY_FILE, key + issued.pem + self.authority.pem, 0o600)
        self._note(names[0], "collector", issued, now_s)
        return issued

    def renew_collector(self, now_s: float) -> bool:
        """Renew the collector's certificate if it is time. Raises OSError, ValueError."""
        held = (self.path / IDENTITY_FILE).read_bytes()
        if not authority.is_due(held, now_s):
            return False
        self.certify_collector(authority.names_of(held), now_s)
        return True

    def new_token(
        self, name: str, role: Role, now_s: float, *, lasts: float = TOKEN_LASTS
    ) -> tuple[EnrolmentToken, float]:
        """A token for one enrolment, and when it expires."""
        secret = enrolment_token.secret_of(secrets.token_bytes(32))
        expires_s = now_s + min(lasts, LONGEST_TOKEN)
        kept = {"name": name, "role": role.value, "expires_s": round(expires_s, 3)}
        (self.path / TOKENS).mkdir(mode=0o700, exist_ok=True)
        write_atomically(self.path / TOKENS / enrolment_token.hash_of(secret), json.dumps(kept).encode(), 0o600)
        return EnrolmentToken(self.fingerprint, secret), expires_s

    def waiting(self, now_s: float) -> list[Waiting]:
        """Tokens not used yet, soonest to expire first; those expired are removed."""
        found = []
        for path in sorted((self.path / TOKENS).glob("*")):
            token = _read_token(path) if _HASH.fullmatch(path.name) else None
            if token is None:
                continue
            if token.expires_s <= now_s:
                path.unlink(missing_ok=True)
            else:
                found.append(token)
        return sorted(found, key=lambda token: token.expires_s)

    def enrol(self, secret: str, name: str, request: bytes, now_s: float) -> tuple[Issued, Role]:
        """Use a token up. Raises TokenRefused or BadRequest; then the token is as before, unless it had expired."""
        path = self.path / TOKENS / enrolment_token.hash_of(secret)
        token = _read_token(path)
        if token is None:
            raise TokenRefused("this token is not known: it was used already, has expired, or is of another authority")
        if token.expires_s <= now_s:
            path.unlink(missing_ok=True)
            raise TokenRefused("this token has expired: ask for a new one")
        if name in refusals(self._refused()):
            raise TokenRefused(f"{name} is not admitted any more")
        if token.name != name:
            raise TokenRefused(f"this token is for another name than {name!r}")
        issued = authority.grant(self.authority, request, name, token.role, now_s)
        try:
            path.unlink()
        except FileNotFoundError:
            raise TokenRefused("this token was used already") from None
        sync_folder(path.parent)
        self._note(name, token.role.value, issued, now_s)
        return issued, token.role

    def renew(self, name: str, role: Role, request: bytes, now_s: float) -> Issued:
        """For one whose certificate was checked. Raises BadRequest."""
        issued = authority.grant(self.authority, request, name, role, now_s)
        self._note(name, role.value, issued, now_s)
        return issued

    def refuse(self, entry: str) -> None:
        """Admit a name or a fingerprint (sha256:...) no more, and forget its tokens. Raises BadRequest for a name that
        the file cannot hold."""
        meant = refusals(entry)
        if len(meant) != 1 or not meant <= {entry, entry.lower()}:
            raise BadRequest(f"{entry!r} cannot stand on a line of the file: refuse the certificate, by sha256:...")
        kept = self._refused()
        if not meant <= refusals(kept):
            whole = kept if not kept or kept.endswith("\n") else kept + "\n"
            write_atomically(self.path / REFUSED, f"{whole}{entry}\n".encode(), 0o600)
        for token in (self.path / TOKENS).glob("*"):
            found = _read_token(token)
            if found is not None and found.name == entry:
                token.unlink(missing_ok=True)

    def admit(self, entry: str) -> bool:
        """Take `refuse` back; False if it was not refused."""
        meant, kept = refusals(entry), self._refused()
        if not meant or not meant <= refusals(kept):
            return False
        left = [line for line in kept.splitlines() if refusals(line) != meant]
        write_atomically(self.path / REFUSED, "".join(f"{line}\n" for line in left).encode(), 0o600)
        return True

    def issued(self) -> list[dict[str, Any]]:
        """What was issued, oldest first. A line that a power cut left unfinished is passed over."""
        path = self.path / ISSUED
        found = []
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines() if path.exists() else ():
            try:
                found.append(json.loads(line))
            except ValueError:
                continue
        return found

    def _refused(self) -> str:
        path = self.path / REFUSED
        return path.read_text(encoding="utf-8") if path.exists() else ""

    def _note(self, name: str, role: str, issued: Issued, now_s: float) -> None:
        line = json.dumps(
            {
                "at_s": round(now_s, 3),
                "name": name,
                "role": role,
                "serial": f"{issued.serial:x}",
                "sha256": fingerprint(issued.pem),
                "expires_s": round(issued.expires_s),
            },
            ensure_ascii=False,
        )
        with os.fdopen(os.open(self.path / ISSUED, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), "ab") as log:
            # After a line that a power cut left unfinished this one stands by itself.
            log.write((f"\n{line}\n" if self._is_torn() else f"{line}\n").encode())

    def _is_torn(self) -> bool:
        with (self.path / ISSUED).open("rb") as kept:
            size = kept.seek(0, os.SEEK_END)
            kept.seek(max(0, size - 1))
            return size > 0 and kept.read() != b"\n"


def _read_token(path: Path) -> Waiting | None:
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return Waiting(str(kept["name"]), Role(kept["role"]), float(kept["expires_s"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


__all__ = ["AuthorityFolder", "BadRequest", "TokenRefused", "Waiting"]
