"""Getting a certificate from the fleet's own authority, and a new one before it expires. Rim; run by hand, or by a
child process of the agent.

Enrolling, nothing of the collector is believed until its chain shows the very authority whose fingerprint the token
holds; only then is the token sent, over a connection that this authority secures. The key never leaves the host.
"""

from __future__ import annotations

import hashlib
import json
import socket
import ssl
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, cast

import grpc

from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.channels import Security, credentials, distrusted
from noonmark.proto.enrolment_token import EnrolmentToken
from noonmark.proto.noonmark_pb2_grpc import EnrolmentStub
from noonmark.proto.options import HostPort
from noonmark.proto.tls_files import (
    AUTHORITY_FILE,
    IDENTITY_FILE,
    TlsBytes,
    identity_files,
    only_certificates,
    write_atomically,
)

ABOUT_FILE = "identity.json"
"""Beside the certificate: what it is, for programs that read no certificates."""
WITHIN = 20.0


class NotEnrolled(Exception):  # noqa: N818 - named for what befell the caller
    """No certificate was got; the text says why. `nobody`: nobody answered."""

    def __init__(self, text: str, *, nobody: bool = False) -> None:
        super().__init__(text)
        self.nobody = nobody


@dataclass(frozen=True, slots=True)
class About:
    """What a certificate is. Times in POSIX seconds."""

    name: str
    role: str
    issued_s: float
    expires_s: float


def enrol(where: HostPort, token: EnrolmentToken, name: str, folder: Path, *, collector_name: str = "") -> About:
    """Use a token up for a certificate, and keep it in `folder`. Raises NotEnrolled, or OSError of the folder."""
    from noonmark.agent.key_request import new_key_and_request

    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    authority = find_authority(where, token.fingerprint)
    key, request = new_key_and_request(name)
    security = Security(collector_name=collector_name)
    message = pb.EnrolRequest(token=token.secret, name=name, request=request)
    reply = _call(where, TlsBytes(authority), security, lambda stub: stub.Enrol(message, timeout=WITHIN))
    return _keep(folder, key, reply)


def renew(collectors: Sequence[HostPort], folder: Path, *, collector_name: str = "") -> About:
    """A new key and certificate in place of those in `folder`, by the first collector that gives one.

    Raises NotEnrolled, TlsFileProblem or OSError.
    """
    from noonmark.agent.key_request import new_key_and_request

    held = identity_files(folder).read()
    about = read_about(folder)
    key, request = new_key_and_request(about.name if about else "renewal")
    message = pb.RenewRequest(request=request)
    security = Security(collector_name=collector_name)
    failure = NotEnrolled("no collector is named")
    for where in collectors:
        try:
            reply = _call(where, held, security, lambda stub: stub.Renew(message, timeout=WITHIN))
            return _keep(folder, key, reply)
        except NotEnrolled as error:
            failure = error
    raise failure


def read_about(folder: Path) -> About | None:
    """What the folder's certificate is; None if that is not known."""
    try:
        kept = json.loads((folder / ABOUT_FILE).read_text(encoding="utf-8"))
        return About(str(kept["name"]), str(kept["role"]), float(kept["issued_s"]), float(kept["expires_s"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def find_authority(where: HostPort, fingerprint: str) -> bytes:
    """The certificate (PEM) of that fingerprint in the chain of whoever answers there. Raises NotEnrolled."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.set_alpn_protocols(["h2"])
    # Nothing is believed of this connection, and nothing said over it: it only fetches what the fingerprint proves.
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        with (
            socket.create_connection((where.host, where.port), WITHIN) as plain,
            context.wrap_socket(plain, server_hostname=where.host) as secured,
        ):
            chain = _chain(secured)
    except OSError as error:
        raise NotEnrolled(
            f"no collector answers at {where} over TLS 1.3: {error.strerror or error} "
            "(enrolment has a port of its own, --token-listen)",
            nobody=True,
        ) from None
    for der in chain:
        if hashlib.sha256(der).hexdigest() == fingerprint:
            return ssl.DER_cert_to_PEM_cert(der).encode()
    raise NotEnrolled(f"what answers at {where} is not of the authority that made the token; nothing was told to it")


def _chain(secured: ssl.SSLSocket) -> list[bytes]:
    """The other end's chain as it sent it, DER."""
    public = getattr(secured, "get_unverified_chain", None)  # from Python 3.13 on
    if public is not None:
        return list(public())
    inner = cast(Any, secured)._sslobj
    return [ssl.PEM_cert_to_DER_cert(found.public_bytes()) for found in inner.get_unverified_chain()]


def _call(where: HostPort, held: TlsBytes, security: Security, call: Any) -> pb.EnrolReply:
    options = [("grpc.enable_retries", 0), ("grpc.enable_http_proxy", 0), *security.options()]
    with grpc.secure_channel(str(where), credentials(held), options=options) as channel:
        try:
            return cast(pb.EnrolReply, call(EnrolmentStub(channel)))  # type: ignore[no-untyped-call]
        except grpc.RpcError as error:
            details, code = error.details() or error.code().name, error.code()
            if distrusted(details):
                raise NotEnrolled(
                    f"the collector's certificate is not made for the name {security.collector_name or where.host}, or "
                    f"this host's clock is outside its dates: {details}"
                ) from None
            if code in (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.DEADLINE_EXCEEDED):
                hint = "" if held.certificate else " (enrolment has a port of its own, --token-listen)"
                raise NotEnrolled(f"no collector answers at {where}: {details}{hint}", nobody=True) from None
            raise NotEnrolled(details) from None


def _keep(folder: Path, key: bytes, reply: pb.EnrolReply) -> About:
    """Write what came in place of what was; an answer that would lock the host out is not. Raises NotEnrolled."""
    from noonmark.agent.key_request import belong_together

    if not only_certificates(reply.authority) or not belong_together(key, reply.certificate):
        raise NotEnrolled(
            "the collector answered with a certificate that is not of this host's key; nothing was changed"
        )
    about = About(reply.name, reply.role, time.time(), float(reply.expires_s))
    write_atomically(folder / AUTHORITY_FILE, reply.authority, 0o644)
    write_atomically(folder / IDENTITY_FILE, key + reply.certificate, 0o600)
    write_atomically(folder / ABOUT_FILE, json.dumps(asdict(about)).encode(), 0o644)
    return about
