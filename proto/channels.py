"""How a client's connection is secured: what it shows, whom it believes, and when to connect anew. Rim.

Without files of TLS a connection is plain, and goes to loopback only, unless that was allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from noonmark.proto.plaintext import FLAG, is_loopback
from noonmark.proto.tls_files import TlsBytes, TlsFileProblem, TlsFiles
from noonmark.proto.tls_version import demand_tls_1_3

if TYPE_CHECKING:
    import grpc

demand_tls_1_3()
NAME_OPTION = "grpc.ssl_target_name_override"


@dataclass(frozen=True, slots=True)
class Security:
    """Of connections to collectors."""

    files: TlsFiles | None = None
    """None: plain."""
    collector_name: str = ""
    """The name that the collector's certificate must have, where it is not the one connected to."""
    token_file: Path | None = None
    plaintext_beyond_loopback: bool = False

    def target(self, host: str) -> None:
        """Raises TlsFileProblem if a plain connection would leave this host."""
        if self.files is None and not self.plaintext_beyond_loopback and not is_loopback(host):
            raise TlsFileProblem(
                f"{host}: without TLS only a collector on this host is talked to: give --identity, or --tls-authority "
                f"with a certificate or token, or allow it with --{FLAG}"
            )

    def options(self) -> list[tuple[str, str]]:
        """What the channel must be told besides."""
        return [(NAME_OPTION, self.collector_name)] if self.collector_name else []

    def token(self) -> str:
        """The reader's token; empty for none. Raises TlsFileProblem."""
        if self.token_file is None:
            return ""
        try:
            text = self.token_file.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise TlsFileProblem(f"{self.token_file}: cannot be read: {error}") from None
        if not text or any(letter.isspace() for letter in text):
            raise TlsFileProblem(f"{self.token_file}: holds no token; it is one word")
        return text


def credentials(held: TlsBytes) -> grpc.ChannelCredentials:
    """For a client's channel."""
    import grpc  # here, as most commands that have these options ask nobody

    return grpc.ssl_channel_credentials(held.authority, held.key, held.certificate)


def distrusted(details: str) -> bool:
    """Whether gRPC's words on a connection that failed say that the other end's certificate was not believed."""
    return "CERTIFICATE_VERIFY_FAILED" in details or "erification check" in details or "Peer name" in details


class Renewal:
    """Which content of the files the present connection was made with, and whether there is a newer one."""

    def __init__(self, files: TlsFiles) -> None:
        self.files = files
        self._held: TlsBytes | None = None
        self._used: tuple[object, ...] = ()
        self._seen: tuple[object, ...] = ()

    def read(self) -> TlsBytes:
        """The files for a new connection; what they held before if they cannot be read now. Raises TlsFileProblem."""
        self._used = self._seen = self.files.signature()
        try:
            self._held = self.files.read()
        except TlsFileProblem:
            if self._held is None:
                raise
        return self._held

    def is_due(self) -> bool:
        """Whether the files changed since `read`, and not since the last look: so that all of them are there."""
        signature = self.files.signature()
        settled, self._seen = signature == self._seen, signature
        return settled and signature != self._used
