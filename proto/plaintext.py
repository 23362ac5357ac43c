"""Where plain connections may go: within the host, and nowhere else unless a person says so. Pure."""

from __future__ import annotations

import ipaddress

from noonmark.proto.options import ConfigError, Option

FLAG = "plaintext-beyond-loopback"
OPTION = Option(
    FLAG,
    "Allow connections without encryption and authentication beyond this host: anyone on the way can read, change and "
    "forge what they carry.",
    default=False,
    flag=True,
)


def is_loopback(host: str) -> bool:
    """Whether a host name or address stands for this host alone; a name that must be looked up does not."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check(source: str, key: str, host: str, shown: object, *, allowed: bool, remedy: str) -> None:
    """Raises ConfigError for a plain connection beyond this host, unless it is allowed; `remedy` gives the TLS way."""
    if not allowed and not is_loopback(host):
        raise ConfigError(
            source,
            key,
            str(shown),
            f"without TLS only loopback addresses are used: {remedy}, or allow it with --{FLAG}",
        )
