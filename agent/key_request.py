"""A new private key and the request to certify it (PKCS #10, RFC 2986). Needs the extra `enrol`; never loaded by a
running agent, which has a child process do this: the library would stay in its memory."""

from __future__ import annotations

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509.oid import NameOID


def new_key_and_request(name: str) -> tuple[bytes, bytes]:
    """A key on P-256 (PKCS #8, PEM) and its request (DER), which proves that whoever asks holds the key."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])
    request = x509.CertificateSigningRequestBuilder().subject_name(subject).sign(key, hashes.SHA256())
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()), request.public_bytes(Encoding.DER)


def belong_together(key: bytes, certificate: bytes) -> bool:
    """Whether a certificate (PEM) is of this key (PEM); False for what is no certificate."""
    try:
        found = x509.load_pem_x509_certificate(certificate).public_key()
    except ValueError:
        return False
    return found == load_pem_private_key(key, None).public_key()
