"""A fleet's own certification authority: what it signs, and for how long. Pure; time is passed in, keys are drawn anew.

X.509 as in RFC 5280, ECDSA on P-256, by the cryptography library. Certificates begin long before they are made, so
that a host whose clock is wrong by days still believes its collector, and can report just that; the keys are no older
for it. Agents', readers' and operators' certificates are good for clients only, the collector's for servers only: so
no host can pose as the collector.
"""

from __future__ import annotations

import datetime
import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from noonmark.collector.access import SCHEME, Role

DAY = 86_400.0
BACKDATED = 30 * DAY
"""Certificates begin so long before they are made: a clock that is behind by less still believes them."""
AUTHORITY_LASTS = 3650 * DAY
LASTS = 30 * DAY
RENEW_AFTER = 2 / 3
"""Of its life after which a certificate is renewed; common practice, no source."""
PublicKey = ec.EllipticCurvePublicKey | rsa.RSAPublicKey
_LABEL = r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?"
_DNS_NAME = re.compile(rf"(?=.{{1,253}}$){_LABEL}(\.{_LABEL})*")


class BadRequest(ValueError):  # noqa: N818 - named for what the catcher holds
    """A certification request that is not granted; the text says why."""


@dataclass(frozen=True, slots=True)
class Authority:
    """Its certificate and key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def pem(self) -> bytes:
        """The certificate."""
        return self.certificate.public_bytes(Encoding.PEM)


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that was signed."""

    pem: bytes
    serial: int
    expires_s: float


def new_authority(name: str, now_s: float) -> Authority:
    """Draw a key and sign its certificate."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _subject(name)
    builder = _dated(x509.CertificateBuilder(), now_s, now_s + AUTHORITY_LASTS)
    builder = builder.subject_name(subject).issuer_name(subject).public_key(key.public_key())
    builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    builder = builder.add_extension(_usage(signs_certificates=True), critical=True)
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    return Authority(builder.add_extension(identifier, critical=False).sign(key, hashes.SHA256()), key)


def read_authority(certificate: bytes, key: bytes) -> Authority:
    """From PEM. Raises ValueError if they are damaged or do not belong together."""
    found = x509.load_pem_x509_certificate(certificate)
    private = load_pem_private_key(key, None)
    if not isinstance(private, ec.EllipticCurvePrivateKey) or private.public_key() != found.public_key():
        raise ValueError("the authority's key and certificate do not belong together")
    return Authority(found, private)


def key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    """PKCS #8, unlocked."""
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def grant(authority: Authority, request: bytes, name: str, role: Role, now_s: float, *, lasts: float = LASTS) -> Issued:
    """Sign for a name and role; of the request (DER) only the key counts. Raises BadRequest."""
    uri = f"{SCHEME}:{role.value}:{quote(name, safe='')}"
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(uri)]
    if role is Role.AGENT and _DNS_NAME.fullmatch(name):
        names.append(x509.DNSName(name))
    return _sign(authority, _checked_key(request), name, names, ExtendedKeyUsageOID.CLIENT_AUTH, now_s, lasts)


def collectors_own(
    authority: Authority, names: Sequence[str], now_s: float, *, lasts: float = LASTS
) -> tuple[Issued, bytes]:
    """A server's certificate for DNS names and addresses, and its new key (PEM). Raises BadRequest."""
    general: list[x509.GeneralName] = []
    for name in names:
        try:
            general.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            if not _DNS_NAME.fullmatch(name):
                raise BadRequest(f"{name!r} is neither a DNS name nor an address") from None
            general.append(x509.DNSName(name))
    if not general:
        raise BadRequest("a collector needs at least one name")
    key = ec.generate_private_key(ec.SECP256R1())
    usage = ExtendedKeyUsageOID.SERVER_AUTH
    return _sign(authority, key.public_key(), names[0], general, usage, now_s, lasts), key_pem(key)


def names_of(certificate: bytes) -> tuple[str, ...]:
    """DNS names and addresses of a server's certificate (PEM)."""
    found = x509.load_pem_x509_certificate(certificate).extensions.get_extension_for_class(x509.SubjectAlternativeName)
    dns = found.value.get_values_for_type(x509.DNSName)
    return (*dns, *map(str, found.value.get_values_for_type(x509.IPAddress)))


def is_due(certificate: bytes, now_s: float) -> bool:
    """Whether it is time to renew a certificate of ours (PEM)."""
    found = x509.load_pem_x509_certificate(certificate)
    made_s = found.not_valid_before_utc.timestamp() + BACKDATED
    return now_s >= made_s + RENEW_AFTER * (found.not_valid_after_utc.timestamp() - made_s)


def _checked_key(request: bytes) -> PublicKey:
    try:
        found = x509.load_der_x509_csr(request)
        signed = found.is_signature_valid
        key = found.public_key()
    except (ValueError, TypeError, InvalidSignature) as error:
        raise BadRequest(f"the certification request makes no sense: {error}") from None
    if not signed:
        raise BadRequest("the certification request is not signed with its own key")
    if isinstance(key, ec.EllipticCurvePublicKey) and isinstance(key.curve, ec.SECP256R1 | ec.SECP384R1 | ec.SECP521R1):
        return key
    if isinstance(key, rsa.RSAPublicKey) and key.key_size >= 2048:
        return key
    raise BadRequest("use a key on P-256, P-384 or P-521, or RSA of at least 2048 bits")


def _sign(
    authority: Authority,
    key: PublicKey,
    name: str,
    names: Sequence[x509.GeneralName],
    usage: x509.ObjectIdentifier,
    now_s: float,
    lasts: float,
) -> Issued:
    ends = min(now_s + lasts, authority.certificate.not_valid_after_utc.timestamp())
    if ends <= now_s:
        raise BadRequest("the authority itself has expired: make a new one")
    builder = _dated(x509.CertificateBuilder(), now_s, ends).subject_name(_subject(name))
    builder = builder.issuer_name(authority.certificate.subject).public_key(key)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    builder = builder.add_extension(_usage(signs_certificates=False), critical=True)
    builder = builder.add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
    builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())
    builder = builder.add_extension(issuer, critical=False)
    builder = builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    made = builder.sign(authority.key, hashes.SHA256())
    return Issued(made.public_bytes(Encoding.PEM), made.serial_number, made.not_valid_after_utc.timestamp())


def _dated(builder: x509.CertificateBuilder, now_s: float, ends_s: float) -> x509.CertificateBuilder:
    begin = datetime.datetime.fromtimestamp(now_s - BACKDATED, datetime.UTC)
    builder = builder.not_valid_before(begin).not_valid_after(datetime.datetime.fromtimestamp(ends_s, datetime.UTC))
    return builder.serial_number(x509.random_serial_number())


def _subject(name: str) -> x509.Name:
    # X.520's upper bound for a common name is 64 characters; the whole name stands among the alternative names.
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )
