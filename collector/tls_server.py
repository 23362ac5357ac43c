"""The collector's certificate as gRPC and HTTP need it, renewed without a restart. Rim.

gRPC asks for the certificate at every new connection; the HTTP server's is renewed by `refresh`. New files that do not
belong together, or cannot be read or used, leave the old certificate in place and are told in the log, once: files are
often replaced one after the other, and the next look finds both.
"""

from __future__ import annotations

import logging
import os
import ssl
import threading
import time
from collections.abc import Callable
from typing import Any

import grpc
from cryptography import x509
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from noonmark.proto.tls_files import TlsBytes, TlsFileProblem, TlsFiles, only_certificates

LOOK_EVERY = 1.0
log = logging.getLogger("noonmark.collector.tls")


class ServerTls:
    """The files of one server. Safe for use by several threads: gRPC asks from its own."""

    def __init__(self, files: TlsFiles, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        """Raises TlsFileProblem if the files cannot be used now."""
        self._files = files
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._signature = files.signature()
        self._bytes, self.expires_s = _checked(files)
        self._looked = monotonic()
        self._problem = ""
        self._generation = 0
        self._newest: ssl.SSLContext | None = None
        self._shown = 0

    def current(self) -> tuple[int, TlsBytes]:
        """What the files hold now, or held a second ago, and how many times they were renewed."""
        with self._lock:
            now = self._monotonic()
            if now - self._looked >= LOOK_EVERY:
                self._looked = now
                self._look()
            return self._generation, self._bytes

    def _look(self) -> None:
        signature = self._files.signature()
        if signature == self._signature:
            return
        try:
            self._bytes, self.expires_s = _checked(self._files)
        except TlsFileProblem as problem:
            self._complain(str(problem))
            return
        self._signature, self._problem = signature, ""
        self._generation += 1
        log.info("certificate renewed", extra={"fields": {"file": str(self._files.certificate)}})

    def _complain(self, problem: str) -> None:
        if problem != self._problem:
            log.error("certificate not renewed, the old one stays: %s", problem)
        self._problem = problem

    def grpc_credentials(self, *, clients: bool) -> grpc.ServerCredentials:
        """For a port; `clients`: every client must show a certificate of the authority."""

        def configuration(held: TlsBytes) -> grpc.ServerCertificateConfiguration:
            assert held.key is not None
            assert held.certificate is not None
            return grpc.ssl_server_certificate_configuration(
                [(held.key, held.certificate)], root_certificates=held.authority if clients else None
            )

        generation, held = self.current()
        last = [generation]

        def newest() -> Any:
            generation, held = self.current()
            if generation == last[0]:
                return None  # gRPC's word for: as before
            last[0] = generation
            return configuration(held)

        return grpc.dynamic_ssl_server_credentials(configuration(held), newest, require_client_authentication=clients)

    def http_context(self) -> ssl.SSLContext:
        """For the HTTP server: TLS 1.3, a client's certificate is checked if it shows one. Kept fresh by `refresh`.

        Raises TlsFileProblem if the TLS library takes less than was checked here, such as no short keys.
        """
        self._shown, held = self.current()
        self._newest = front = _context(held)
        # A context can learn new authorities, and forget none: so each renewal has one of its own.
        front.sni_callback = self._hand_over
        return front

    def _hand_over(self, connection: ssl.SSLObject | ssl.SSLSocket, _: str | None, front: ssl.SSLContext) -> None:
        """See ssl.SSLContext.sni_callback; called whether the client names a server or not."""
        if self._newest is not None and self._newest is not front:
            connection.context = self._newest

    def refresh(self) -> None:
        """Give renewed files to the HTTP server; costs a look at them."""
        generation, held = self.current()
        if self._newest is None or generation == self._shown:
            return
        self._shown = generation
        try:
            self._newest = _context(held)
        except TlsFileProblem as problem:
            self._complain(str(problem))


def _context(held: TlsBytes) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.verify_mode = ssl.CERT_OPTIONAL
    assert held.certificate is not None
    assert held.key is not None
    try:
        # What stands between the certificates of a bundle may be text of any kind, which OpenSSL does not take.
        context.load_verify_locations(cadata="\n".join(only_certificates(held.authority)))
        # Python reads a certificate from files only; this one lies in memory, and holds just what was checked.
        with os.fdopen(os.memfd_create("identity"), "wb") as stream:
            stream.write(held.key + b"\n" + held.certificate)
            stream.flush()
            context.load_cert_chain(f"/proc/self/fd/{stream.fileno()}")
    except ssl.SSLError as error:
        raise TlsFileProblem(
            f"the TLS library does not take the certificate or its authority: {error.reason}"
        ) from None
    return context


def _checked(files: TlsFiles) -> tuple[TlsBytes, float]:
    """The files' content, if key and certificate belong together, and when the certificate expires (POSIX seconds)."""
    held = files.read()
    assert held.certificate is not None
    assert held.key is not None
    try:
        certificate = x509.load_pem_x509_certificate(held.certificate)
        x509.load_pem_x509_certificates(held.authority)
    except ValueError as error:
        raise TlsFileProblem(f"{files.certificate} or {files.authority}: damaged: {error}") from None
    try:
        key = load_pem_private_key(held.key, None)
    except (ValueError, TypeError) as error:
        raise TlsFileProblem(f"{files.key}: damaged: {error}") from None
    if key.public_key() != certificate.public_key():
        raise TlsFileProblem(f"{files.key}: is not the key of {files.certificate}")
    return held, certificate.not_valid_after_utc.timestamp()
