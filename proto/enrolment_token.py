"""One-time tokens as a person carries them from the collector to a host. Pure.

`noonmark-enrol.FINGERPRINT.SECRET`, both parts in base64url (RFC 4648) of 32 octets: the SHA-256 of the authority's
certificate (DER), by which the host knows the fleet's collector before it trusts anything, and 256 random bits, by
which the collector knows the host.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass

PREFIX = "noonmark-enrol"


@dataclass(frozen=True, slots=True)
class EnrolmentToken:
    """Both parts; the fingerprint in hexadecimal."""

    fingerprint: str
    secret: str

    def __str__(self) -> str:
        return f"{PREFIX}.{_encode(bytes.fromhex(self.fingerprint))}.{self.secret}"


def secret_of(octets: bytes) -> str:
    """The secret part from 32 random octets."""
    return _encode(octets)


def parse(text: str) -> EnrolmentToken:
    """Raises ValueError saying what is wrong."""
    parts = text.strip().split(".")
    if len(parts) != 3 or parts[0] != PREFIX:
        raise ValueError(f"this is no enrolment token: it begins with {PREFIX}. and has three parts")
    try:
        fingerprint, secret = (base64.b64decode(part + "=", altchars=b"-_", validate=True) for part in parts[1:])
    except (binascii.Error, ValueError):
        raise ValueError("this enrolment token is damaged") from None
    if len(fingerprint) != 32 or len(secret) != 32:
        raise ValueError("this enrolment token is cut short")
    return EnrolmentToken(fingerprint.hex(), parts[2])


def hash_of(secret: str) -> str:
    """What is kept of a secret; 256 random bits need no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()


def _encode(octets: bytes) -> str:
    return base64.urlsafe_b64encode(octets).decode().rstrip("=")
