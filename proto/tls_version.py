"""TLS 1.3 or nothing, for every gRPC connection of this program.

gRPC's Python interface has no word for the least version of TLS. Its library reads the suites that TLS 1.2 may use
from GRPC_SSL_CIPHER_SUITES, once, before its first connection; TLS 1.3's suites are not touched by it. Named there is
one that needs a shared secret which neither side has (RFC 4279), so that a handshake of TLS 1.2 finds no suite, on
either side, whatever the other one offers. `noonmark` calls this before anything else is loaded.
"""

from __future__ import annotations

import os

VARIABLE = "GRPC_SSL_CIPHER_SUITES"
NONE_FOR_TLS_1_2 = "PSK-AES128-CBC-SHA"
VERSION = "TLSv1.3"
"""As gRPC names it among a connection's properties."""


def demand_tls_1_3() -> None:
    """Leave TLS 1.2 without a suite; must come before the process's first gRPC channel or server."""
    os.environ[VARIABLE] = NONE_FOR_TLS_1_2
