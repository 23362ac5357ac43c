"""One version, however it is asked for."""

from __future__ import annotations

import importlib.metadata

from noonmark.proto.version import VERSION


def test_the_constant_is_the_packages_version() -> None:
    assert importlib.metadata.version("noonmark") == VERSION
