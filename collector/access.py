"""Who may ask what: an identity from a certificate's names, and the table of calls. Pure.

A certificate says who its holder is in a URI among its subject's alternative names: `noonmark:ROLE:NAME`, the role
being agent, reader or operator, the name of an agent that of its host (unusual characters as %XX). A certificate of an
authority that gives no such URIs is an agent's, under each of its DNS names, or under its common name if it has none;
the collector's settings can name those that are readers' or operators' instead. A name with a star names nobody.

An operator may all that a reader may. An agent may report as its own host, renew its certificate, and ask how its own
clock is. What the table does not name is for operators.
"""

from __future__ import annotations

import enum
import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import unquote

from noonmark.proto.tls_files import fingerprint

SCHEME = "noonmark"
_COMMENT = re.compile(r"(^|\s)#.*")


class Role(enum.Enum):
    """What a certificate or token is for."""

    AGENT = "agent"
    READER = "reader"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True)
class Identity:
    """Who is at the other end."""

    names: tuple[str, ...]
    roles: frozenset[Role]
    fingerprint: str = ""
    """Of the certificate (SHA-256, hexadecimal); empty for a token."""
    certificate: bytes = b""
    """PEM; empty for a token."""
    expires_s: float = math.inf
    """When the certificate does, in POSIX seconds; a token does not."""

    def may_report_as(self, host: str) -> bool:
        """Whether it speaks for this host."""
        return Role.AGENT in self.roles and host in self.names

    def __str__(self) -> str:
        roles = "/".join(sorted(role.value for role in self.roles)) or "nobody"
        return f"{roles} {', '.join(self.names) or 'without a name'}"


def identity(
    uris: Iterable[str],
    dns_names: Sequence[str],
    common_names: Sequence[str],
    *,
    readers: Collection[str] = (),
    operators: Collection[str] = (),
    pem: bytes = b"",
    expires_s: float = math.inf,
) -> Identity:
    """The identity of a checked certificate. Empty names and roles where it tells none."""
    told = fingerprint(pem) if pem else ""
    nobody = Identity((), frozenset(), told, pem, expires_s)
    ours = [uri.split(":", 2) for uri in uris if uri.startswith(f"{SCHEME}:")]
    if ours:
        known = {role.value: role for role in Role}
        pairs = [(known[parts[1]], unquote(parts[2])) for parts in ours if len(parts) == 3 and parts[1] in known]
        pairs = [(role, name) for role, name in pairs if name]
        names = tuple(dict.fromkeys(name for _, name in pairs))
        roles = frozenset(role for role, _ in pairs)
        # Two roles under different names in one certificate would mix: whoever made it meant something else.
        if len(roles) > 1 and len(names) > 1:
            return nobody
        return Identity(names, roles, told, pem, expires_s)
    names = tuple(name for name in (dns_names or common_names) if name and "*" not in name)
    if not names:
        return nobody
    roles = frozenset(
        role
        for role, members in ((Role.READER, readers), (Role.OPERATOR, operators))
        if any(name in members for name in names)
    )
    return Identity(names, roles or frozenset({Role.AGENT}), told, pem, expires_s)


def refusals(text: str) -> frozenset[str]:
    """Whom a file refuses: on each line a name, or `sha256:` and a certificate's fingerprint.

    `#` begins a comment at a line's beginning or after a blank; within a name it is a part of it.
    """
    lines = (_COMMENT.sub("", line).strip() for line in text.splitlines())
    return frozenset(line.lower() if line.lower().startswith("sha256:") else line for line in lines if line)


class Need(enum.Enum):
    """What a call needs."""

    NOTHING = 0
    """Anybody: health checks, and enrolment, whose request proves itself."""
    CERTIFICATE = 1
    """Any role, by certificate."""
    AGENT = 2
    READER = 3
    READER_OR_OWN = 4
    """A reader, or an agent that asks of its own host."""
    OPERATOR = 5


CALLS: Mapping[str, Need] = {
    "/noonmark.v1.Reports/Report": Need.AGENT,
    "/noonmark.v1.Query/Fleet": Need.READER,
    "/noonmark.v1.Query/Offset": Need.READER_OR_OWN,
    "/noonmark.v1.Query/Others": Need.READER,
    "/noonmark.v1.Query/Course": Need.READER,
    "/noonmark.v1.Query/Findings": Need.READER,
    "/noonmark.v1.Query/Span": Need.READER,
    "/noonmark.v1.Ordering/Order": Need.READER,
    "/noonmark.v1.Ordering/Wait": Need.READER,
    "/noonmark.v1.Enrolment/Enrol": Need.NOTHING,
    "/noonmark.v1.Enrolment/Renew": Need.CERTIFICATE,
    "/noonmark.v1.Enrolment/Issue": Need.OPERATOR,
    "/grpc.health.v1.Health/Check": Need.NOTHING,
    "/grpc.health.v1.Health/Watch": Need.NOTHING,
    "/grpc.health.v1.Health/List": Need.NOTHING,
    "/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": Need.READER,
}


@dataclass(frozen=True, slots=True)
class Denial:
    """Why not. `known`: whether it was known who asked."""

    reason: str
    """A word for counting."""
    text: str
    known: bool


def denial(method: str, who: Identity | None, *, own: Sequence[str] = ()) -> Denial | None:
    """None where `who` may make this call, else why not. `own`: the hosts that the request is about, if it is known."""
    need = CALLS.get(method, Need.OPERATOR)
    if need is Need.NOTHING:
        return None
    if who is None:
        return Denial("no-credentials", "show a certificate (--identity) or a reader's token (--token-file)", False)
    if not who.roles:
        return Denial(
            "no-role", "the certificate names no host and no reader: see the names that it was made with", True
        )
    roles = who.roles
    reads = bool(roles & {Role.READER, Role.OPERATOR})
    allowed = {
        Need.CERTIFICATE: bool(who.certificate),
        Need.AGENT: Role.AGENT in roles,
        Need.READER: reads,
        Need.READER_OR_OWN: reads or (bool(own) and all(map(who.may_report_as, own))),
        Need.OPERATOR: Role.OPERATOR in roles,
    }[need]
    if allowed:
        return None
    call = method.rpartition("/")[2]
    whom = {Need.AGENT: "agents", Need.OPERATOR: "operators", Need.CERTIFICATE: "holders of a certificate"}.get(
        need, "readers"
    )
    return Denial("wrong-role", f"{call} is for {whom}; this is {who}", True)
