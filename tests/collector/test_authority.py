"""What a fleet's own authority signs, held against the rules for certificates and checked with the openssl library."""

from __future__ import annotations

import ssl

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509 import verification
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from noonmark.agent.key_request import new_key_and_request
from noonmark.collector.access import Role, identity
from noonmark.collector.authority import (
    BACKDATED,
    DAY,
    LASTS,
    BadRequest,
    collectors_own,
    grant,
    is_due,
    key_pem,
    names_of,
    new_authority,
    read_authority,
)

NOW = 1_790_000_000.0
AUTHORITY = new_authority("ferry", NOW)
_, REQUEST = new_key_and_request("anything: names in a request do not count")


def opened(pem: bytes) -> x509.Certificate:
    return x509.load_pem_x509_certificate(pem)


def identity_of(pem: bytes) -> object:
    names = opened(pem).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return identity(
        names.get_values_for_type(x509.UniformResourceIdentifier), names.get_values_for_type(x509.DNSName), [], pem=b""
    )


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("name", ["quay-gate-1", "quay gate/1: é%", "x" * 255])
def test_a_certificate_names_its_holder_as_the_collector_reads_it(role: Role, name: str) -> None:
    issued = grant(AUTHORITY, REQUEST, name, role, NOW)
    found = identity_of(issued.pem)
    assert getattr(found, "names", None) == (name,)
    assert getattr(found, "roles", None) == frozenset({role})


def test_dates_reach_back_and_end_in_time() -> None:
    found = opened(grant(AUTHORITY, REQUEST, "quay", Role.AGENT, NOW).pem)
    assert found.not_valid_before_utc.timestamp() == NOW - BACKDATED
    assert found.not_valid_after_utc.timestamp() == NOW + LASTS
    late = AUTHORITY.certificate.not_valid_after_utc.timestamp() - DAY
    assert grant(AUTHORITY, REQUEST, "quay", Role.AGENT, late).expires_s == late + DAY
    with pytest.raises(BadRequest, match="authority itself has expired"):
        grant(AUTHORITY, REQUEST, "quay", Role.AGENT, late + 2 * DAY)


def test_a_host_cannot_pose_as_a_server_nor_a_collector_as_a_host_nor_either_sign() -> None:
    agent = opened(grant(AUTHORITY, REQUEST, "quay", Role.AGENT, NOW).pem)
    server = opened(collectors_own(AUTHORITY, ["collector.example", "192.0.2.7"], NOW)[0].pem)
    for found, usage in ((agent, ExtendedKeyUsageOID.CLIENT_AUTH), (server, ExtendedKeyUsageOID.SERVER_AUTH)):
        assert list(found.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value) == [usage]
        assert not found.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
        assert not found.extensions.get_extension_for_class(x509.KeyUsage).value.key_cert_sign


def test_chains_verify_by_an_independent_implementation_of_rfc_5280() -> None:
    """The cryptography library's verifier (its Rust implementation of the CA/Browser profile of RFC 5280)."""
    issued, _ = collectors_own(AUTHORITY, ["collector.example"], NOW)
    store = verification.Store([AUTHORITY.certificate])
    builder = verification.PolicyBuilder().store(store).time(opened(issued.pem).not_valid_before_utc)
    builder.build_server_verifier(x509.DNSName("collector.example")).verify(opened(issued.pem), [])
    with pytest.raises(verification.VerificationError):
        builder.build_server_verifier(x509.DNSName("elsewhere.example")).verify(opened(issued.pem), [])
    stranger = new_authority("ferry", NOW)
    forged, _ = collectors_own(stranger, ["collector.example"], NOW)
    with pytest.raises(verification.VerificationError):
        builder.build_server_verifier(x509.DNSName("collector.example")).verify(opened(forged.pem), [])
    agent = opened(grant(AUTHORITY, REQUEST, "quay-gate-1", Role.AGENT, NOW).pem)
    assert builder.build_client_verifier().verify(agent, []).subjects
    with pytest.raises(verification.VerificationError):
        builder.build_server_verifier(x509.DNSName("quay-gate-1")).verify(agent, [])


def test_openssl_reads_what_was_made() -> None:
    issued, _ = collectors_own(AUTHORITY, ["collector.example"], NOW)
    assert ssl.PEM_cert_to_DER_cert(issued.pem.decode()) == opened(issued.pem).public_bytes(Encoding.DER)
    ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cadata=AUTHORITY.pem.decode())


def request_of(key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey | ed25519.Ed25519PrivateKey) -> bytes:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "x")])
    algorithm = None if isinstance(key, ed25519.Ed25519PrivateKey) else hashes.SHA256()
    return x509.CertificateSigningRequestBuilder().subject_name(subject).sign(key, algorithm).public_bytes(Encoding.DER)


def test_requests_that_are_not_granted() -> None:
    grant(AUTHORITY, request_of(ec.generate_private_key(ec.SECP384R1())), "quay", Role.AGENT, NOW)
    damaged = bytearray(REQUEST)
    damaged[-5] ^= 1
    for request, words in (
        (b"", "makes no sense"),
        (b"\x30\x80" * 40, "makes no sense"),
        (REQUEST[:-1], "makes no sense"),
        (bytes(damaged), "makes no sense|not signed with its own key"),
        (request_of(ed25519.Ed25519PrivateKey.generate()), "use a key on P-256"),
        (request_of(ec.generate_private_key(ec.SECP192R1())), "use a key on P-256"),
    ):
        with pytest.raises(BadRequest, match=words):
            grant(AUTHORITY, request, "quay", Role.AGENT, NOW)
    for names in ([], ["not a name"], ["*.example"], [""]):
        with pytest.raises(BadRequest):
            collectors_own(AUTHORITY, names, NOW)


def test_an_authority_comes_back_from_its_files_and_from_no_others() -> None:
    again = read_authority(AUTHORITY.pem, key_pem(AUTHORITY.key))
    assert again.certificate == AUTHORITY.certificate
    with pytest.raises(ValueError, match="belong together"):
        read_authority(AUTHORITY.pem, key_pem(new_authority("x", NOW).key))


def test_renewal_is_due_after_two_thirds_of_the_life() -> None:
    issued, _ = collectors_own(AUTHORITY, ["collector.example", "192.0.2.7", "2001:db8::7"], NOW)
    assert names_of(issued.pem) == ("collector.example", "192.0.2.7", "2001:db8::7")
    assert not is_due(issued.pem, NOW + 19 * DAY)
    assert is_due(issued.pem, NOW + 21 * DAY)
