"""Which connections stay within a host."""

from __future__ import annotations

import pytest

from noonmark.proto.options import ConfigError
from noonmark.proto.plaintext import check, is_loopback


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.10", "::1", "localhost"])
def test_loopback(host: str) -> None:
    assert is_loopback(host)
    check("file x", "listen", host, host, allowed=False, remedy="")


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "quay", "localhost.ferry.example", "128.0.0.1", ""])
def test_all_else_goes_beyond(host: str) -> None:
    assert not is_loopback(host)
    check("file x", "listen", host, host, allowed=True, remedy="")
    with pytest.raises(ConfigError, match=r"file x: listen = .*give a certificate.*--plaintext-beyond-loopback"):
        check("file x", "listen", host, f"{host}:18621", allowed=False, remedy="give a certificate")
