"""Certificates for tests, made with the cryptography library alone: an authority as any fleet may have one."""

from __future__ import annotations

import datetime
import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from noonmark.proto.tls_files import TlsFiles

CLIENT, SERVER = ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH


@dataclass
class Maker:
    """An authority, and what it makes, as files in a folder."""

    folder: Path
    name: str = "authority"

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, self.name)])
        builder = self._builder(self._subject, self._key.public_key(), -1, 365)
        builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        self.authority = self.folder / "authority.pem"
        self.authority.write_bytes(builder.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePublicKey | rsa.RSAPublicKey, first_day: float, last_day: float
    ) -> x509.CertificateBuilder:
        now = datetime.datetime.now(datetime.UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._subject)
            .public_key(key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + datetime.timedelta(days=first_day))
            .not_valid_after(now + datetime.timedelta(days=last_day))
        )

    def make(
        self,
        file: str,
        *,
        uri: str = "",
        dns: Sequence[str] = (),
        addresses: Sequence[str] = (),
        common: str = "any",
        usage: Sequence[x509.ObjectIdentifier] = (CLIENT,),
        days: tuple[float, float] = (-1.0, 30.0),
        key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey | None = None,
    ) -> TlsFiles:
        """A certificate and its key, as FILE.pem and FILE.key."""
        key = key or ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])
        builder = self._builder(subject, key.public_key(), *days)
        names: list[x509.GeneralName] = [x509.DNSName(name) for name in dns]
        names += [x509.IPAddress(ipaddress.ip_address(address)) for address in addresses]
        names += [x509.UniformResourceIdentifier(uri)] if uri else []
        if names:
            builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        builder = builder.add_extension(x509.ExtendedKeyUsage(list(usage)), critical=False)
        made = builder.sign(self._key, hashes.SHA256())
        files = TlsFiles(self.authority, self.folder / f"{file}.pem", self.folder / f"{file}.key")
        assert files.certificate is not None
        assert files.key is not None
        files.certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
        files.key.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return files

    def collector(self, file: str = "collector", **changes: object) -> TlsFiles:
        """A collector's, for 127.0.0.1."""
        given: dict[str, object] = {"addresses": ("127.0.0.1",), "usage": (SERVER,)}
        return self.make(file, **(given | changes))  # type: ignore[arg-type]

    def agent(self, host: str, file: str = "", **changes: object) -> TlsFiles:
        """An agent's."""
        return self.make(file or host, uri=f"noonmark:agent:{host}", **changes)  # type: ignore[arg-type]

    def reader(self, name: str = "anna", role: str = "reader") -> TlsFiles:
        """A reader's, or an operator's."""
        return self.make(name, uri=f"noonmark:{role}:{name}")
